//! From recorded samples to linear light: black, dark, bias, flat, defects.

use crate::{DefectMap, MasterDark, MasterFlat, StackError, StoredMosaic};
use ndarray::{Array2, s};
use raw::{Cfa, Rect, SitePattern};

/// Share of the range from black to white from which a site counts as saturated: the
/// white level is nominal, and some sites clip a little below it.
const SATURATED_FROM: f32 = 0.98;

/// Side of the cells over which a flat is averaged to tell where light saturates, px.
const SATURATION_CELL_PX: usize = 64;

/// What the mosaics of one session have in common.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorLayout {
    /// Filters.
    pub cfa: Cfa,
    /// Black level at each site, DN.
    pub black_level_dn: SitePattern<f32>,
    /// Saturation level at each site, DN, black level included.
    pub white_level_dn: SitePattern<f32>,
    /// Width, px.
    pub width: usize,
    /// Height, px.
    pub height: usize,
}

impl SensorLayout {
    /// The layout of a mosaic.
    pub fn of(mosaic: &raw::Mosaic) -> Self {
        let (width, height) = mosaic.size();
        Self {
            cfa: mosaic.cfa.clone(),
            black_level_dn: mosaic.black_level_dn.clone(),
            white_level_dn: mosaic.white_level_dn.clone(),
            width,
            height,
        }
    }

    /// The whole picture as a rectangle.
    pub fn bounds(&self) -> Rect {
        Rect::of_size(self.width, self.height)
    }

    /// From here on a site is saturated, DN as recorded.
    fn saturated_from_dn(&self, row: usize, col: usize) -> f32 {
        self.black_level_dn.at(row, col) + SATURATED_FROM * self.full_scale_dn(row, col)
    }

    /// What no saturated site stays below, DN as recorded.
    fn least_saturated_dn(&self) -> f32 {
        let lowest = |of: &SitePattern<f32>| of.values().iter().copied().fold(f32::MAX, f32::min);
        let (black, white) = (lowest(&self.black_level_dn), lowest(&self.white_level_dn));
        // A little less: the sum may round up.
        0.999 * ((1.0 - SATURATED_FROM) * black + SATURATED_FROM * white)
    }

    /// Saturation level of a site above its black level, DN.
    pub fn full_scale_dn(&self, row: usize, col: usize) -> f32 {
        self.white_level_dn.at(row, col) - self.black_level_dn.at(row, col)
    }
}

/// A window of a mosaic in linear light: DN above black, flat-fielded, defects filled.
///
/// A type of its own, so that recorded samples cannot be taken for calibrated ones.
#[derive(Clone, Debug, PartialEq)]
pub struct CalibratedWindow {
    /// The window, px of the frame.
    pub area: Rect,
    /// Values row by row, DN; negative values kept.
    pub values: Vec<f32>,
}

/// Takes out of a light what the camera put in.
///
/// value = (recorded − master dark) / flat, or (recorded − black level) / flat
/// without a dark. A bias master serves as a dark when there is no dark. What a light's own
/// black level lies above that of the layout goes first, a pattern of the sensor that it
/// carries last.
#[derive(Clone, Debug)]
pub struct Calibrator {
    layout: SensorLayout,
    dark: Option<MasterDark>,
    flat: Option<MasterFlat>,
    defects: DefectMap,
}

impl Calibrator {
    /// A calibrator from what the session has.
    ///
    /// # Errors
    ///
    /// When a master is not of the lights' size.
    pub fn new(
        layout: SensorLayout,
        dark: Option<MasterDark>,
        flat: Option<MasterFlat>,
        defects: DefectMap,
    ) -> Result<Self, StackError> {
        let fits = |what, (height, width): (usize, usize)| {
            StackError::check_size(what, (width, height), (layout.width, layout.height))
        };
        if let Some(dark) = &dark {
            fits("the master dark", dark.level_dn.dim())?;
        }
        if let Some(flat) = &flat {
            fits("the master flat", flat.response.dim())?;
        }
        fits("the defect map", (defects.height(), defects.width()))?;
        Ok(Self {
            layout,
            dark,
            flat,
            defects,
        })
    }

    /// What the calibrated mosaics have in common.
    pub fn layout(&self) -> &SensorLayout {
        &self.layout
    }

    /// The sites that are filled from their neighbors.
    pub fn defects(&self) -> &DefectMap {
        &self.defects
    }

    /// What a site's light is divided by; 1 without a flat.
    pub(crate) fn response(&self, row: usize, col: usize) -> f32 {
        self.flat
            .as_ref()
            .map_or(1.0, |flat| flat.response[(row, col)])
    }

    /// The calibrated samples of `window`.
    ///
    /// Does not depend on how a picture is cut into windows: defects near the border
    /// are filled from what lies beyond it.
    ///
    /// # Errors
    ///
    /// When the samples cannot be read back from the scratch file.
    pub fn window(
        &self,
        mosaic: &StoredMosaic,
        window: &Rect,
    ) -> Result<CalibratedWindow, StackError> {
        let needed = window.grown(DefectMap::FILL_REACH_PX, &self.layout.bounds());
        let has_defects = self.defects.any_in(window);
        let read = if has_defects { needed } else { *window };
        let mut recorded = Vec::with_capacity(read.area());
        mosaic.read_window(&read, &mut recorded)?;
        let mut values = vec![0.0; read.area()];
        for (i, row) in (read.y0..read.y1).enumerate() {
            let span = i * read.width()..(i + 1) * read.width();
            let out = &mut values[span.clone()];
            self.calibrate_row(row, read.x0, &recorded[span], out);
            if mosaic.has_black_offset() {
                for (col, out) in (read.x0..).zip(out) {
                    *out -= mosaic.black_offset_dn(row, col) / self.response(row, col);
                }
            }
            if let Some(pattern) = mosaic.sensor_pattern_dn() {
                let row = pattern.row(row);
                let row = &row.as_slice().expect("patterns are row-major")[read.x0..read.x1];
                let out = &mut values[i * read.width()..(i + 1) * read.width()];
                for (out, pattern) in out.iter_mut().zip(row) {
                    *out -= pattern;
                }
            }
        }
        let mut calibrated = CalibratedWindow { area: read, values };
        // Room for the recorded samples is not needed twice.
        drop(recorded);
        if has_defects {
            self.defects.fill(&mut calibrated, window, &self.layout.cfa);
        }
        if read != *window {
            calibrated = calibrated.cropped(window);
        }
        Ok(calibrated)
    }

    /// Level of calibrated light at which the part of the sensor that saturates first is
    /// full, DN: full scale over the largest response of a flat, as means of cells of
    /// 64 x 64 px; single sites and dust do not count.
    pub fn saturation_dn(&self) -> f32 {
        let layout = &self.layout;
        let lowest = |levels: &[f32]| levels.iter().copied().fold(f32::INFINITY, f32::min);
        let highest = |levels: &[f32]| levels.iter().copied().fold(f32::NEG_INFINITY, f32::max);
        // The patterns may repeat at different steps: the cautious side of both.
        let white_dn = lowest(layout.white_level_dn.values());
        let black_dn = highest(layout.black_level_dn.values());
        let of_cell = |cell: &Rect| {
            let mean = |plane: &Array2<f32>| {
                let part = plane.slice(s![cell.y0..cell.y1, cell.x0..cell.x1]);
                part.iter().map(|&v| f64::from(v)).sum::<f64>() / part.len() as f64
            };
            let dark_dn = match &self.dark {
                Some(dark) => mean(&dark.level_dn) as f32,
                None => black_dn,
            };
            let response = self
                .flat
                .as_ref()
                .map_or(1.0, |flat| mean(&flat.response) as f32);
            (white_dn - dark_dn.max(black_dn)) / response
        };
        let cells = layout.bounds().tiles(SATURATION_CELL_PX);
        cells.iter().map(of_cell).fold(f32::INFINITY, f32::min)
    }

    /// The sites of a mosaic that were saturated, `[row, column]`; defects are not counted.
    ///
    /// # Errors
    ///
    /// When the samples cannot be read back from the scratch file.
    pub fn saturated(&self, mosaic: &StoredMosaic) -> Result<Array2<bool>, StackError> {
        let layout = &self.layout;
        let mut recorded = Vec::new();
        mosaic.read_window(&layout.bounds(), &mut recorded)?;
        let mut saturated = Array2::from_elem((layout.height, layout.width), false);
        let least = layout.least_saturated_dn();
        let rows = saturated.rows_mut().into_iter();
        for ((row, mut out), recorded) in rows.enumerate().zip(recorded.chunks(layout.width)) {
            let highest = recorded.iter().copied().fold(0, u16::max);
            if f32::from(highest) < least {
                continue;
            }
            for ((col, out), &sample) in out.iter_mut().enumerate().zip(recorded) {
                let sample = f32::from(sample);
                *out = sample >= least
                    && sample >= layout.saturated_from_dn(row, col)
                    && !self.defects.contains(row, col);
            }
        }
        Ok(saturated)
    }

    fn calibrate_row(&self, row: usize, x0: usize, recorded: &[u16], out: &mut [f32]) {
        let columns = x0..x0 + recorded.len();
        match &self.dark {
            Some(dark) => {
                let dark_row = dark.level_dn.row(row);
                let dark_row =
                    &dark_row.as_slice().expect("masters are row-major")[columns.clone()];
                for ((out, &sample), &dark) in out.iter_mut().zip(recorded).zip(dark_row) {
                    *out = f32::from(sample) - dark;
                }
            }
            None => {
                let period = self.layout.black_level_dn.width();
                let mut black: Vec<f32> = (0..period)
                    .map(|i| self.layout.black_level_dn.at(row, x0 + i))
                    .collect();
                // Whole periods, so that the pattern goes on.
                while black.len() < recorded.len() {
                    black.extend_from_within(..);
                }
                for ((out, &sample), &black) in out.iter_mut().zip(recorded).zip(&black) {
                    *out = f32::from(sample) - black;
                }
            }
        }
        if let Some(flat) = &self.flat {
            let response = flat.response.row(row);
            let response = &response.as_slice().expect("masters are row-major")[columns];
            for (out, &response) in out.iter_mut().zip(response) {
                *out /= response;
            }
        }
    }
}

impl CalibratedWindow {
    /// The part of the window inside `area`.
    ///
    /// # Panics
    ///
    /// When `area` is not inside the window.
    pub fn cropped(&self, area: &Rect) -> Self {
        assert_eq!(
            area.intersect(&self.area),
            *area,
            "the crop is inside the window"
        );
        let mut values = Vec::with_capacity(area.area());
        for row in area.y0..area.y1 {
            let start = (row - self.area.y0) * self.area.width() + area.x0 - self.area.x0;
            values.extend_from_slice(&self.values[start..start + area.width()]);
        }
        Self {
            area: *area,
            values,
        }
    }

    /// The value at a pixel of the frame.
    ///
    /// # Panics
    ///
    /// When the pixel is not inside the window.
    pub fn at(&self, row: usize, col: usize) -> f32 {
        self.values[(row - self.area.y0) * self.area.width() + col - self.area.x0]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WIDTH: usize = 40;
    const HEIGHT: usize = 30;

    fn layout() -> SensorLayout {
        SensorLayout {
            cfa: Cfa::bayer("RGGB").expect("a Bayer array"),
            black_level_dn: SitePattern::new(2, vec![100.0, 101.0, 102.0, 103.0]).expect("2 x 2"),
            white_level_dn: SitePattern::uniform(4095.0),
            width: WIDTH,
            height: HEIGHT,
        }
    }

    fn mosaic() -> StoredMosaic {
        let black = layout().black_level_dn;
        StoredMosaic::in_memory(Array2::from_shape_fn((HEIGHT, WIDTH), |(row, col)| {
            black.at(row, col) as u16 + (row * 7 + col * 3) as u16 % 50
        }))
    }

    #[test]
    fn black_is_removed_site_by_site_from_any_window() {
        let calibrator = Calibrator::new(layout(), None, None, DefectMap::none(WIDTH, HEIGHT))
            .expect("sizes fit");
        let window = Rect {
            x0: 3,
            y0: 5,
            x1: 20,
            y1: 14,
        };
        let calibrated = calibrator.window(&mosaic(), &window).expect("in memory");
        for row in 5..14 {
            for col in 3..20 {
                assert_eq!(calibrated.at(row, col), ((row * 7 + col * 3) % 50) as f32);
            }
        }
    }

    #[test]
    fn values_below_black_stay_negative() {
        let calibrator = Calibrator::new(layout(), None, None, DefectMap::none(WIDTH, HEIGHT))
            .expect("sizes fit");
        let dim = StoredMosaic::in_memory(Array2::from_elem((HEIGHT, WIDTH), 90));
        let all = calibrator
            .window(&dim, &layout().bounds())
            .expect("in memory");
        assert_eq!(all.at(0, 0), -10.0);
        assert_eq!(all.at(1, 1), -13.0);
    }

    /// Sites whose recorded values are normal about a level, in units of sigma above black, by
    /// the share of each whole number.
    fn normal_sites(level_sigmas: f64, sigma_dn: f64, black_dn: u16) -> Vec<u16> {
        const SITES: f64 = 250_000.0;
        let density = |dn: u16| {
            let z = (f64::from(dn) - f64::from(black_dn)) / sigma_dn - level_sigmas;
            (-0.5 * z * z).exp() / (std::f64::consts::TAU.sqrt() * sigma_dn)
        };
        (0..2 * black_dn)
            .flat_map(|dn| std::iter::repeat_n(dn, (SITES * density(dn)).round() as usize))
            .collect()
    }

    #[test]
    fn noise_about_black_has_no_bias_where_cutting_it_off_would_give_one() {
        /// Of sigma: the catalogue's, which whole numbers of sites meet twenty times over.
        const TOLERANCE: f64 = 0.003;
        const SIGMA_DN: f64 = 20.0;
        const BLACK_DN: u16 = 512;
        // Level, bias and deviation of max(0, x), in sigmas: moments of the rectified Gaussian.
        for (level, bias, deviation) in [
            (0.0, 0.39894, 0.58382),
            (0.25, 0.28634, 0.66718),
            (0.5, 0.19780, 0.74394),
            (1.0, 0.08332, 0.86665),
            (2.0, 0.00849, 0.97990),
            (3.0, 0.00038, 0.99875),
        ] {
            let sites = normal_sites(level, SIGMA_DN, BLACK_DN);
            let layout = SensorLayout {
                cfa: Cfa::mono(),
                black_level_dn: SitePattern::uniform(f32::from(BLACK_DN)),
                white_level_dn: SitePattern::uniform(4095.0),
                width: sites.len(),
                height: 1,
            };
            let bounds = layout.bounds();
            let defects = DefectMap::none(sites.len(), 1);
            let row = Array2::from_shape_vec((1, sites.len()), sites).expect("one row");
            let calibrator = Calibrator::new(layout, None, None, defects).expect("sizes fit");
            let all = calibrator
                .window(&StoredMosaic::in_memory(row), &bounds)
                .expect("in memory");
            let moments = |of: &dyn Fn(f64) -> f64| {
                let values = all.values.iter().map(|&v| of(f64::from(v) / SIGMA_DN));
                let n = all.values.len() as f64;
                let mean = values.clone().sum::<f64>() / n;
                let variance = values.map(|v| (v - mean).powi(2)).sum::<f64>() / n;
                (mean - level, variance.sqrt())
            };
            let near = |found: f64, want: f64| {
                assert!((found - want).abs() < TOLERANCE, "{level}: {found} {want}");
            };
            let (ours, cut) = (moments(&|v| v), moments(&|v| v.max(0.0)));
            near(ours.0, 0.0);
            near(ours.1, 1.0);
            near(cut.0, bias);
            near(cut.1, deviation);
        }
    }

    #[test]
    fn windows_do_not_depend_on_the_cut_even_at_defects() {
        let sites = [(5, 6), (5, 8), (7, 6), (0, 0), (29, 39), (14, 19), (14, 21)];
        let defects = DefectMap::from_sites(WIDTH, HEIGHT, &sites);
        let calibrator = Calibrator::new(layout(), None, None, defects).expect("sizes fit");
        let mosaic = mosaic();
        let whole = calibrator
            .window(&mosaic, &layout().bounds())
            .expect("in memory");
        for tile in layout().bounds().tiles(7) {
            let part = calibrator.window(&mosaic, &tile).expect("in memory");
            assert_eq!(part, whole.cropped(&tile));
        }
    }

    #[test]
    fn a_master_of_another_size_is_refused() {
        let refused = Calibrator::new(layout(), None, None, DefectMap::none(WIDTH + 2, HEIGHT));
        assert!(matches!(
            refused,
            Err(StackError::SizeMismatch {
                found_width: 42,
                ..
            })
        ));
    }

    #[test]
    fn a_light_with_a_black_level_of_its_own_loses_that() {
        let flat = MasterFlat {
            response: Array2::from_elem((HEIGHT, WIDTH), 0.5),
            n_frames: 1,
        };
        let dark = MasterDark {
            level_dn: Array2::from_shape_fn((HEIGHT, WIDTH), |at| 100.0 + at.0 as f32),
            noise_dn: 1.0,
            n_frames: 5,
        };
        for dark in [None, Some(dark)] {
            let defects = DefectMap::none(WIDTH, HEIGHT);
            let calibrator = Calibrator::new(layout(), dark, Some(flat.clone()), defects);
            let calibrator = calibrator.expect("sizes fit");
            let bounds = layout().bounds();
            let plain = calibrator.window(&mosaic(), &bounds).expect("in memory");
            let raised = Array2::from_shape_fn((HEIGHT, WIDTH), |(row, col)| {
                let mut recorded = Vec::new();
                let all = mosaic().read_window(&bounds, &mut recorded);
                all.expect("in memory");
                recorded[row * WIDTH + col] + 4 + 2 * (col % 2) as u16
            });
            let offset = SitePattern::new(2, vec![4.0, 6.0]).expect("1 x 2");
            let raised = StoredMosaic::in_memory(raised).with_black_offset(offset);
            let found = calibrator.window(&raised, &bounds).expect("in memory");
            assert_eq!(found, plain);
        }
    }

    #[test]
    fn light_saturates_first_where_the_flat_is_brightest() {
        let defects = DefectMap::none(WIDTH, HEIGHT);
        let plain = Calibrator::new(layout(), None, None, defects.clone()).expect("sizes fit");
        assert_eq!(plain.saturation_dn(), 4095.0 - 103.0);
        // Brighter in the middle, with one bright site that is no part of the lens.
        let mut response = Array2::from_elem((HEIGHT, WIDTH), 1.25);
        response[(3, 4)] = 50.0;
        let mean = (1.25 * (WIDTH * HEIGHT - 1) as f32 + 50.0) / (WIDTH * HEIGHT) as f32;
        let flat = MasterFlat {
            response,
            n_frames: 1,
        };
        let flat = Calibrator::new(layout(), None, Some(flat), defects).expect("sizes fit");
        let want = (4095.0 - 103.0) / mean;
        assert!((flat.saturation_dn() / want - 1.0).abs() < 1e-5);
    }

    #[test]
    fn glow_goes_with_a_dark_scaled_to_the_light() {
        // Signal of the amplifier in proportion to time, over offsets that are not.
        let offset = |row: usize, col: usize| 300 + (7 * (col % 5) + 4 * (row % 3)) as u16;
        let glow = |row: usize, col: usize| 900.0 * (-((row + col) as f32) / 12.0).exp();
        let frame = |seconds: f32, light: u16| {
            StoredMosaic::in_memory(Array2::from_shape_fn((HEIGHT, WIDTH), |(row, col)| {
                let signal = (0.25 * seconds * glow(row, col)).round() as u16;
                offset(row, col) + signal + light
            }))
        };
        let given = |frame: StoredMosaic| {
            let mut recorded = Vec::new();
            let read = frame.read_window(&layout().bounds(), &mut recorded);
            read.expect("in memory");
            let values = recorded.into_iter().map(f32::from).collect();
            let level_dn = Array2::from_shape_vec((HEIGHT, WIDTH), values);
            MasterDark::given(level_dn.expect("a whole frame"))
        };
        let (dark, bias) = (given(frame(4.0, 0)), given(frame(0.0, 0)));
        let dark = dark.scaled(&bias, 0.25).expect("equal sizes");
        let defects = DefectMap::none(WIDTH, HEIGHT);
        let calibrator = Calibrator::new(layout(), Some(dark), None, defects);
        let calibrator = calibrator.expect("sizes fit");
        let all = calibrator.window(&frame(1.0, 500), &layout().bounds());
        // Whole numbers: half a DN of the light, an eighth of the dark.
        let far = |value: &f32| (value - 500.0).abs() > 0.625;
        assert!(!all.expect("in memory").values.iter().any(far));
    }

    #[test]
    fn a_pattern_that_a_light_carries_goes_last() {
        let calibrator = Calibrator::new(layout(), None, None, DefectMap::none(WIDTH, HEIGHT));
        let calibrator = calibrator.expect("sizes fit");
        let pattern = Array2::from_shape_fn((HEIGHT, WIDTH), |(row, col)| (row * 100 + col) as f32);
        let window = Rect {
            x0: 3,
            y0: 5,
            x1: 20,
            y1: 14,
        };
        let plain = calibrator.window(&mosaic(), &window).expect("in memory");
        let carries = mosaic().with_sensor_pattern(std::sync::Arc::new(pattern.clone()));
        let without = calibrator.window(&carries, &window).expect("in memory");
        for row in 5..14 {
            for col in 3..20 {
                let want = plain.at(row, col) - pattern[(row, col)];
                assert_eq!(without.at(row, col), want);
            }
        }
    }

    #[test]
    fn glow_columns_and_rows_go_with_the_dark() {
        // An amplifier that glows in a corner, and offsets of columns and rows, in every
        // dark and in the light; noise of 5 DN, 16 darks.
        let mut state = 3_u64;
        let mut noise = || {
            let mut sum = -6.0;
            for _ in 0..12 {
                state = state
                    .wrapping_mul(6364136223846793005)
                    .wrapping_add(1442695040888963407);
                sum += (state >> 40) as f32 / (1_u64 << 24) as f32;
            }
            5.0 * sum
        };
        let fixed = |row: usize, col: usize| {
            let glow = 900.0 * (-((row + col) as f32) / 12.0).exp();
            let lines = [0.0, 9.0, -7.0, 4.0, 12.0][col % 5] + [0.0, 6.0, -8.0][row % 3];
            300.0 + glow + lines
        };
        let mut frame = |light: f32| {
            StoredMosaic::in_memory(Array2::from_shape_fn((HEIGHT, WIDTH), |(row, col)| {
                (fixed(row, col) + light + noise()).round() as u16
            }))
        };
        let darks: Vec<StoredMosaic> = (0..16).map(|_| frame(0.0)).collect();
        let dark = MasterDark::combine(&darks.iter().collect::<Vec<_>>()).expect("darks");
        let light = frame(500.0);
        let defects = DefectMap::none(WIDTH, HEIGHT);
        let calibrator = Calibrator::new(layout(), Some(dark), None, defects);
        let calibrator = calibrator.expect("sizes fit");
        let window = calibrator.window(&light, &layout().bounds());
        let off = window
            .expect("in memory")
            .values
            .into_iter()
            .map(|v| v - 500.0);
        let rms = (off.map(|v| v * v).sum::<f32>() / (WIDTH * HEIGHT) as f32).sqrt();
        // Noise of the light and a sixteenth of it from the darks: 5.15 DN; the lines alone
        // would leave 9. Four standard errors of a standard deviation of 1200 values: 8 %.
        assert!((rms / 5.154 - 1.0).abs() < 0.08, "{rms}");
    }
}
