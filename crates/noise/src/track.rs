//! Where every light lies on the sensor, cell by cell of the picture, and how it was
//! resampled there.

use stack::{HalfSplit, Kernel};

use crate::pattern::FEWEST_LIGHTS_FOR_PATTERN;

/// Columns and rows of cells; within a cell all pixels count as moved alike.
const CELLS: (usize, usize) = (12, 8);
/// Lights that move less than this within both halves show nothing, px.
const LEAST_MOVE_PX: f64 = 1e-3;

/// The track of the stars over the sensor: what tells a pattern of the sensor from the sky.
///
/// Light i shows at pixel p of the reference what the sensor has at `p + t_i`. In every
/// cell the lights taken in turn make two contrasts, one of the even and one of the odd
/// lights, in which each light counts by how far along the track it lies:
/// `c_i = (t_i - mean of its half) * e`, e the direction in which the cell moves most,
/// scaled to `sum |c_i| = 2`. The sky cancels in both.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorTrack {
    width: usize,
    height: usize,
    kernel: Kernel,
    cells: Vec<CellTrack>,
}

/// One cell's track.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct CellTrack {
    /// By light, px.
    pub positions_px: Vec<(f64, f64)>,
    /// By light, for its own half (even or odd) alone.
    pub contrast: Vec<f64>,
}

impl SensorTrack {
    /// The track of lights whose places are known on a lattice of `columns` x `rows`
    /// points spread from edge to edge of the picture, row by row: `positions_px[light]`.
    /// Only differences of positions count.
    ///
    /// `None` where it cannot tell anything: fewer than 4 lights, places missing or not
    /// finite, or no motion at all.
    pub fn new(
        (width, height): (usize, usize),
        (columns, rows): (usize, usize),
        positions_px: &[Vec<(f64, f64)>],
        kernel: Kernel,
    ) -> Option<Self> {
        let complete = positions_px.iter().all(|light| {
            light.len() == columns * rows
                && light.iter().all(|at| at.0.is_finite() && at.1.is_finite())
        });
        if positions_px.len() < FEWEST_LIGHTS_FOR_PATTERN || columns * rows == 0 || !complete {
            return None;
        }
        let cells: Vec<CellTrack> = (0..CELLS.0 * CELLS.1)
            .map(|cell| {
                let (column, row) = (cell % CELLS.0, cell / CELLS.0);
                let u = (column as f64 + 0.5) / CELLS.0 as f64;
                let v = (row as f64 + 0.5) / CELLS.1 as f64;
                let at = |light: &Vec<(f64, f64)>| interpolate(light, (columns, rows), (u, v));
                CellTrack::new(positions_px.iter().map(at).collect())
            })
            .collect();
        let moves = |cell: &CellTrack| cell.contrast.iter().any(|&c| c != 0.0);
        cells.iter().any(moves).then_some(Self {
            width,
            height,
            kernel,
            cells,
        })
    }

    /// Lights on the track.
    pub fn lights(&self) -> usize {
        self.cells[0].positions_px.len()
    }

    pub(crate) fn kernel(&self) -> Kernel {
        self.kernel
    }

    pub(crate) fn cells(&self) -> &[CellTrack] {
        &self.cells
    }

    /// Index of the cell that holds a pixel.
    pub(crate) fn cell_of(&self, x: usize, y: usize) -> usize {
        let column = (x * CELLS.0 / self.width.max(1)).min(CELLS.0 - 1);
        let row = (y * CELLS.1 / self.height.max(1)).min(CELLS.1 - 1);
        row * CELLS.0 + column
    }
}

impl CellTrack {
    fn new(positions_px: Vec<(f64, f64)>) -> Self {
        let n = positions_px.len();
        // Each half about its own mean: the sky must cancel in each.
        let mut moved = positions_px.clone();
        for second in [false, true] {
            let members: Vec<usize> = (0..n)
                .filter(|&i| HalfSplit::OddEven.is_second(i, n) == second)
                .collect();
            let count = members.len() as f64;
            let (x, y) = members.iter().fold((0.0, 0.0), |(x, y), &i| {
                (x + positions_px[i].0 / count, y + positions_px[i].1 / count)
            });
            for i in members {
                moved[i] = (positions_px[i].0 - x, positions_px[i].1 - y);
            }
        }
        let (e_x, e_y) = main_direction(&moved);
        let mut contrast: Vec<f64> = moved.iter().map(|(x, y)| x * e_x + y * e_y).collect();
        let mut alive = true;
        for second in [false, true] {
            let own = |i: usize| HalfSplit::OddEven.is_second(i, n) == second;
            let members = || (0..n).filter(|&i| own(i));
            let size: f64 = members().map(|i| contrast[i].abs()).sum();
            let most = members().map(|i| contrast[i].abs()).fold(0.0, f64::max);
            alive &= most > LEAST_MOVE_PX;
            members().for_each(|i| contrast[i] *= 2.0 / size.max(f64::MIN_POSITIVE));
        }
        if !alive {
            contrast.fill(0.0);
        }
        Self {
            positions_px,
            contrast,
        }
    }
}

/// Unit vector along which centered points scatter most.
pub(crate) fn main_direction(points: &[(f64, f64)]) -> (f64, f64) {
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for (x, y) in points {
        xx += x * x;
        xy += x * y;
        yy += y * y;
    }
    let angle: f64 = 0.5 * (2.0 * xy).atan2(xx - yy);
    (angle.cos(), angle.sin())
}

/// A lattice's value at (u, v), 0 to 1 from its first to its last points, bilinearly.
fn interpolate(
    lattice: &[(f64, f64)],
    (columns, rows): (usize, usize),
    (u, v): (f64, f64),
) -> (f64, f64) {
    let split = |at: f64, n: usize| {
        let along = at * (n - 1) as f64;
        let low = (along as usize).min(n.saturating_sub(2));
        (low, (low + 1).min(n - 1), along - low as f64)
    };
    let (x0, x1, fx) = split(u, columns);
    let (y0, y1, fy) = split(v, rows);
    let mix = |of: &dyn Fn((f64, f64)) -> f64| {
        let at = |x: usize, y: usize| of(lattice[y * columns + x]);
        let upper = at(x0, y0) * (1.0 - fx) + at(x1, y0) * fx;
        let lower = at(x0, y1) * (1.0 - fx) + at(x1, y1) * fx;
        upper * (1.0 - fy) + lower * fy
    };
    (mix(&|at| at.0), mix(&|at| at.1))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(n: usize, step: (f64, f64)) -> Vec<Vec<(f64, f64)>> {
        let at = |i: usize| vec![(step.0 * i as f64, step.1 * i as f64)];
        (0..n).map(at).collect()
    }

    fn track(positions: &[Vec<(f64, f64)>]) -> Option<SensorTrack> {
        SensorTrack::new((100, 80), (1, 1), positions, Kernel::Lanczos3)
    }

    #[test]
    fn the_sky_cancels_in_either_half() {
        let track = track(&line(9, (0.1, -0.05))).expect("it moves");
        for second in [0, 1] {
            let own = || track.cells()[7].contrast.iter().skip(second).step_by(2);
            assert!(own().sum::<f64>().abs() < 1e-12);
            assert!((own().map(|c| c.abs()).sum::<f64>() - 2.0).abs() < 1e-12);
        }
    }

    #[test]
    fn what_tells_nothing_is_no_track() {
        assert_eq!(track(&line(3, (1.0, 0.0))), None);
        assert_eq!(track(&line(8, (0.0, 0.0))), None);
        assert_eq!(track(&line(8, (f64::NAN, 0.0))), None);
        assert_eq!(track(&[]), None);
        // The even lights move, the odd ones do not.
        let half: Vec<_> = (0..8)
            .map(|i| vec![(if i % 2 == 0 { 0.3 * i as f64 } else { 1.0 }, 0.0)])
            .collect();
        assert_eq!(track(&half), None);
    }

    #[test]
    fn a_lattice_is_interpolated_and_cells_are_found() {
        let turning: Vec<Vec<(f64, f64)>> = (0..4)
            .map(|i| {
                let i = i as f64;
                vec![
                    (0.0, 0.0),
                    (12.0 * i, 0.0),
                    (0.0, 8.0 * i),
                    (12.0 * i, 8.0 * i),
                ]
            })
            .collect();
        let track = SensorTrack::new((120, 80), (2, 2), &turning, Kernel::Cubic).expect("turns");
        let cell = track.cell_of(119, 79);
        assert_eq!((track.cell_of(0, 0), cell), (0, 95));
        let (x, y) = track.cells()[cell].positions_px[2];
        assert!((x - 24.0 * 11.5 / 12.0).abs() < 1e-9 && (y - 16.0 * 7.5 / 8.0).abs() < 1e-9);
    }
}
