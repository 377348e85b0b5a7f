//! From recorded samples to linear light: black, dark, bias, flat, defects.

use crate::{DefectMap, MasterDark, MasterFlat, StackError, StoredMosaic};
use ndarray::Array2;
use raw::{Cfa, Rect, SitePattern};

/// Share of the range from black to white from which a site counts as saturated: the
/// white level is nominal, and some sites clip a little below it.
const SATURATED_FROM: f32 = 0.98;

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
/// without a dark. A bias master serves as a dark when there is no dark.
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
            self.calibrate_row(row, read.x0, &recorded[span.clone()], &mut values[span]);
        }
        let mut calibrated = CalibratedWindow { area: read, values };
        if has_defects {
            self.defects.fill(&mut calibrated, window, &self.layout.cfa);
            calibrated = calibrated.cropped(window);
        }
        Ok(calibrated)
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
        let at = |(row, col): (usize, usize)| {
            let black = layout.black_level_dn.at(row, col);
            let white = black + SATURATED_FROM * layout.full_scale_dn(row, col);
            let reached = f32::from(recorded[row * layout.width + col]) >= white;
            reached && !self.defects.contains(row, col)
        };
        Ok(Array2::from_shape_fn((layout.height, layout.width), at))
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
                let black: Vec<f32> = (0..period)
                    .map(|i| self.layout.black_level_dn.at(row, x0 + i))
                    .collect();
                for (out, sample) in out.chunks_mut(period).zip(recorded.chunks(period)) {
                    for ((out, &sample), &black) in out.iter_mut().zip(sample).zip(&black) {
                        *out = f32::from(sample) - black;
                    }
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
}
