//! A light as cells of two by two photosites: half the size, no color interpolated.

use crate::engine::Asked;
use crate::output_grid::OutputGrid;
use crate::resample::{PaddedPlane, Resampler};
use crate::{Calibrator, Light, LightMask, StackError};
use raw::{Channel, Rect};

/// The cells of a Bayer array: each has its red and its blue photosite, and the mean of its
/// greens.
///
/// Pixel (i, j) of the result has its center at (2j + 1/2, 2i + 1/2) of the reference, where
/// the four photosites of its cell meet ([`OutputGrid`] of scale 1/2). Red and blue lie a half
/// photosite off that, each its own way: a light is asked for each color where its photosites
/// are, so that colors do not lie beside each other.
pub(crate) struct Cells {
    pub grid: OutputGrid,
    /// Of red, green and blue.
    colors: [Color; 3],
}

/// Where a color lies in its cell.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Color {
    /// Mean place of its photosites, px from the cell's first.
    at: (f64, f64),
    /// Whether there are two of them.
    twice: bool,
}

/// Side of a cell, px.
const CELL_PX: usize = 2;

impl Cells {
    /// The cells of a sensor.
    ///
    /// # Errors
    ///
    /// [`StackError::NotBayer`] for any other array.
    pub fn new(calibrator: &Calibrator) -> Result<Self, StackError> {
        let layout = calibrator.layout();
        if !layout.cfa.is_bayer() || layout.width < CELL_PX || layout.height < CELL_PX {
            return Err(StackError::NotBayer);
        }
        let color = |channel: Channel| {
            let sites = (0..CELL_PX * CELL_PX).map(|i| (i / CELL_PX, i % CELL_PX));
            let own = sites.filter(|&(row, col)| layout.cfa.at(row, col) == channel);
            let own: Vec<(usize, usize)> = own.collect();
            let mean = |of: fn(&(usize, usize)) -> usize| {
                own.iter().map(of).sum::<usize>() as f64 / own.len() as f64
            };
            Color {
                at: (mean(|site| site.1), mean(|site| site.0)),
                twice: own.len() == 2,
            }
        };
        Ok(Self {
            grid: OutputGrid::new(1.0 / CELL_PX as f64, (layout.width, layout.height)),
            colors: [Channel::R, Channel::G, Channel::B].map(color),
        })
    }

    /// Where a place of a light lies among the cells of a color, cells.
    pub fn place(&self, channel: usize, (x, y): (f64, f64)) -> (f64, f64) {
        let (dx, dy) = self.colors[channel].at;
        let side = CELL_PX as f64;
        ((x - dx) / side, (y - dy) / side)
    }

    /// Share of a photosite's variance in a cell's value.
    pub fn variance_share(&self, channel: usize) -> f32 {
        if self.colors[channel].twice { 0.5 } else { 1.0 }
    }

    /// Where the pixels of a rectangle of the half-size grid lie on a light, px, row by row:
    /// the mean of where the four pixels of the reference lie that they are made of.
    pub fn map(&self, light: &Light, area: &Rect, points: &mut Vec<(f64, f64)>) {
        points.clear();
        let width = CELL_PX * area.width();
        let (mut upper, mut lower) = (vec![(0.0, 0.0); width], vec![(0.0, 0.0); width]);
        for row in area.y0..area.y1 {
            light
                .map
                .map_row(CELL_PX * area.x0, CELL_PX * row, &mut upper);
            light
                .map
                .map_row(CELL_PX * area.x0, CELL_PX * row + 1, &mut lower);
            let cells = upper.chunks_exact(CELL_PX).zip(lower.chunks_exact(CELL_PX));
            points.extend(cells.map(|(upper, lower)| {
                let all = upper.iter().chain(lower);
                let (x, y) = all.fold((0.0, 0.0), |sum, at| (sum.0 + at.0, sum.1 + at.1));
                (0.25 * x, 0.25 * y)
            }));
        }
    }

    /// One light over a rectangle of the half-size grid, a plane per channel; NaN where the
    /// light does not reach, or is masked. Leaves in `asked` where its pixels lie.
    ///
    /// - `asked`: set to the area.
    #[allow(clippy::too_many_arguments, reason = "what the engine resamples with")]
    pub fn resample(
        &self,
        light: &Light,
        mask: Option<&LightMask>,
        area: &Rect,
        calibrator: &Calibrator,
        resampler: &Resampler,
        bright_dn: f32,
        asked: &mut Asked,
    ) -> Result<Vec<Vec<f32>>, StackError> {
        self.map(light, area, &mut asked.points);
        let layout = calibrator.layout();
        let cells = Rect::of_size(layout.width / CELL_PX, layout.height / CELL_PX);
        let mut out = vec![vec![f32::NAN; area.area()]; self.colors.len()];
        let inside = |&(x, y): &(f64, f64)| {
            let within =
                |at: f64, extent: usize| at >= -0.5 && at <= (CELL_PX * extent) as f64 - 0.5;
            let at = || [(y + 0.5) as usize, (x + 0.5) as usize];
            within(x, cells.x1)
                && within(y, cells.y1)
                && mask.is_none_or(|mask| !mask.hides(at()[0], at()[1]))
        };
        asked.reached.clear();
        asked.reached.extend(asked.points.iter().map(inside));
        let mut padded = PaddedPlane::new();
        let mut own = Vec::with_capacity(asked.points.len());
        for (channel, out) in out.iter_mut().enumerate() {
            own.clear();
            own.extend(asked.points.iter().map(|&at| self.place(channel, at)));
            let Some(needed) = Resampler::needed(&own, &asked.reached) else {
                continue;
            };
            let source = needed.cut_to(&cells);
            if source.is_empty() {
                continue;
            }
            let plane = self.plane(channel, light, &source, calibrator)?;
            padded.fill(needed, &source, &plane);
            needed.places(&own, &asked.reached, &mut asked.places);
            asked.sample(light, channel, &padded, resampler, bright_dn, out);
        }
        Ok(out)
    }

    /// The values of a color in a rectangle of cells.
    fn plane(
        &self,
        channel: usize,
        light: &Light,
        cells: &Rect,
        calibrator: &Calibrator,
    ) -> Result<Vec<f32>, StackError> {
        let sites = Rect {
            x0: CELL_PX * cells.x0,
            y0: CELL_PX * cells.y0,
            x1: CELL_PX * cells.x1,
            y1: CELL_PX * cells.y1,
        };
        let window = calibrator.window(&light.mosaic, &sites)?;
        let Color { at: (x, y), twice } = self.colors[channel];
        let value = |row: usize, col: usize| match twice {
            // Greens stand on one of the diagonals.
            true => {
                let falling = calibrator.layout().cfa.at(0, 0) == Channel::G;
                let (first, second) = if falling { (0, 1) } else { (1, 0) };
                0.5 * (window.at(row, col + first) + window.at(row + 1, col + second))
            }
            false => window.at(row + y as usize, col + x as usize),
        };
        let rows = (sites.y0..sites.y1).step_by(CELL_PX);
        let columns = || (sites.x0..sites.x1).step_by(CELL_PX);
        Ok(rows
            .flat_map(|row| columns().map(move |col| (row, col)))
            .map(|(row, col)| value(row, col))
            .collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        Combine, DefectMap, DemosaicMethod, Kernel, SensorLayout, StackOptions, StoredMosaic, stack,
    };
    use align::{Homography, PixelMap};
    use ndarray::Array2;
    use raw::{Cfa, SitePattern};

    const WIDTH: usize = 48;
    const HEIGHT: usize = 41;

    fn calibrator(letters: &str) -> Calibrator {
        let layout = SensorLayout {
            cfa: Cfa::bayer(letters).expect("a Bayer array"),
            black_level_dn: SitePattern::uniform(0.0),
            white_level_dn: SitePattern::uniform(65000.0),
            width: WIDTH,
            height: HEIGHT,
        };
        Calibrator::new(layout, None, None, DefectMap::none(WIDTH, HEIGHT)).expect("sizes fit")
    }

    /// A light of a scene in which every color has a slope of its own, moved and turned.
    fn light(letters: &str, map: [[f64; 3]; 3]) -> Light {
        let cfa = Cfa::bayer(letters).expect("a Bayer array");
        let map = PixelMap::from_homography(Homography(map));
        let back = map.inverse().expect("a map that can be undone");
        let data = Array2::from_shape_fn((HEIGHT, WIDTH), |(row, col)| {
            let (x, y) = back.map(col as f64, row as f64);
            scene(cfa.at(row, col), x, y).round() as u16
        });
        Light {
            mosaic: StoredMosaic::in_memory(data),
            map,
            scale: 1.0,
            sky_offset: crate::engine::tests::lights(1)[0].sky_offset.zeroed(),
            weight: 1.0,
        }
    }

    fn scene(channel: Channel, x: f64, y: f64) -> f64 {
        match channel {
            Channel::R => 20_000.0 + 300.0 * x - 100.0 * y,
            Channel::G => 25_000.0 - 200.0 * x + 150.0 * y,
            _ => 30_000.0 + 100.0 * x + 250.0 * y,
        }
    }

    fn stacked(letters: &str, maps: &[[[f64; 3]; 3]]) -> crate::Stack {
        let lights: Vec<Light> = maps.iter().map(|&map| light(letters, map)).collect();
        let options = StackOptions {
            combine: Combine::Mean,
            kernel: Kernel::Cubic,
            demosaic: DemosaicMethod::Superpixel,
            ..StackOptions::default()
        };
        let made = stack(&lights, &calibrator(letters), &options, &(), &|_, _| ());
        made.expect("a stack").0
    }

    #[test]
    fn every_color_is_that_of_the_middle_of_its_cell() {
        let still = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
        let moved = [[1.0, -0.01, 2.3], [0.01, 1.0, -1.6], [0.0, 0.0, 1.0]];
        // Rounded to whole DN, and phases of 1/1024 cell on slopes of up to 600 DN a cell.
        const ROUNDING_DN: f64 = 1.2;
        for letters in ["RGGB", "BGGR", "GRBG", "GBRG"] {
            let stack = stacked(letters, &[still, moved]);
            assert_eq!(stack.mean.dim(), (3, HEIGHT / 2, WIDTH / 2));
            for ((channel, row, col), &found) in stack.mean.indexed_iter() {
                // Beside the border the kernel has to repeat it.
                if !(4..HEIGHT / 2 - 4).contains(&row) || !(4..WIDTH / 2 - 4).contains(&col) {
                    continue;
                }
                let of = [Channel::R, Channel::G, Channel::B][channel];
                let want = scene(of, 2.0 * col as f64 + 0.5, 2.0 * row as f64 + 0.5);
                assert!(
                    (f64::from(found) - want).abs() < ROUNDING_DN,
                    "{letters} {of:?} {row} {col}: found {found}, want {want}"
                );
            }
        }
    }

    #[test]
    fn other_arrays_are_refused() {
        let layout = SensorLayout {
            cfa: Cfa::mono(),
            ..calibrator("RGGB").layout().clone()
        };
        let mono = Calibrator::new(layout, None, None, DefectMap::none(WIDTH, HEIGHT));
        let found = Cells::new(&mono.expect("sizes fit"));
        assert!(matches!(found, Err(StackError::NotBayer)));
    }
}
