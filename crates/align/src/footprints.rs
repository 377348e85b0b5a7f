//! Connected areas above the threshold, and the peaks within them.

use crate::Background;
use crate::shape::Ellipse;
use ndarray::ArrayView2;

/// Pixels of one row above the threshold: columns `x0 .. x1`.
#[derive(Clone, Copy, Debug)]
struct Run {
    row: usize,
    x0: usize,
    x1: usize,
}

/// A local maximum, its height above the background.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Peak {
    pub(crate) row: usize,
    pub(crate) col: usize,
    pub(crate) height_dn: f32,
}

/// Pixels above the threshold that touch, corners included.
#[derive(Debug)]
pub(crate) struct Footprint {
    runs: Vec<Run>,
}

/// Finds the footprints of a plane, in reading order of their first pixels.
///
/// Masked pixels belong to none; nor does anything where the noise is unknown.
pub(crate) fn footprints(
    plane: ArrayView2<f32>,
    background: &Background,
    threshold_sigmas: f32,
) -> Vec<Footprint> {
    let (height, width) = plane.dim();
    let (mut level, mut rms) = (vec![0.0; width], vec![0.0; width]);
    let mut above = vec![false; width];
    let mut runs: Vec<Run> = Vec::new();
    let mut labels = Labels::default();
    let mut last_row = 0..0;
    for row in 0..height {
        background.fill_row(row, &mut level);
        background.fill_rms_row(row, &mut rms);
        let values = plane.row(row);
        let values = values.as_slice().expect("the plane is in standard layout");
        for (((above, &value), &level), &rms) in above.iter_mut().zip(values).zip(&level).zip(&rms)
        {
            *above = value - level > threshold_sigmas * rms;
        }
        let start = runs.len();
        push_runs(&above, row, &mut runs);
        labels.grow(runs.len());
        // Both rows are sorted, so one walk finds every contact.
        let mut upper = last_row.clone();
        for i in start..runs.len() {
            while upper.start < upper.end && runs[upper.start].x1 < runs[i].x0 {
                upper.start += 1;
            }
            for other in upper
                .clone()
                .take_while(|&other| runs[other].x0 <= runs[i].x1)
            {
                labels.join(i, other);
            }
        }
        last_row = start..runs.len();
    }
    collect(&runs, &mut labels)
}

fn push_runs(above: &[bool], row: usize, runs: &mut Vec<Run>) {
    let mut col = 0;
    while let Some(skip) = above[col..].iter().position(|&a| a) {
        let x0 = col + skip;
        let length = above[x0..]
            .iter()
            .position(|&a| !a)
            .unwrap_or(above.len() - x0);
        runs.push(Run {
            row,
            x0,
            x1: x0 + length,
        });
        col = x0 + length;
    }
}

fn collect(runs: &[Run], labels: &mut Labels) -> Vec<Footprint> {
    let mut found: Vec<Footprint> = Vec::new();
    let mut index_of_root = vec![usize::MAX; runs.len()];
    for (i, &run) in runs.iter().enumerate() {
        let root = labels.root(i);
        if index_of_root[root] == usize::MAX {
            index_of_root[root] = found.len();
            found.push(Footprint { runs: Vec::new() });
        }
        found[index_of_root[root]].runs.push(run);
    }
    found
}

/// Disjoint sets; the root is the first member.
#[derive(Default)]
struct Labels {
    parent: Vec<usize>,
}

impl Labels {
    fn grow(&mut self, len: usize) {
        self.parent.extend(self.parent.len()..len);
    }

    fn root(&mut self, mut i: usize) -> usize {
        while self.parent[i] != i {
            self.parent[i] = self.parent[self.parent[i]];
            i = self.parent[i];
        }
        i
    }

    fn join(&mut self, a: usize, b: usize) {
        let (a, b) = (self.root(a), self.root(b));
        self.parent[a.max(b)] = a.min(b);
    }
}

impl Footprint {
    /// Pixels covered.
    pub(crate) fn area_px(&self) -> usize {
        self.runs.iter().map(|run| run.x1 - run.x0).sum()
    }

    /// The pixels, `(row, col)`.
    pub(crate) fn pixels(&self) -> impl Iterator<Item = (usize, usize)> + '_ {
        let columns = |run: &Run| (run.x0..run.x1).zip(std::iter::repeat(run.row));
        self.runs
            .iter()
            .flat_map(columns)
            .map(|(col, row)| (row, col))
    }

    /// Length and width of the even bar with the footprint's second moments, px.
    pub(crate) fn extent_px(&self) -> (f64, f64) {
        let (mut n, mut sx, mut sy) = (0.0, 0.0, 0.0);
        for (row, col) in self.pixels() {
            n += 1.0;
            sx += col as f64;
            sy += row as f64;
        }
        let (mean_x, mean_y) = (sx / n, sy / n);
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        for (row, col) in self.pixels() {
            let (dx, dy) = (col as f64 - mean_x, row as f64 - mean_y);
            xx += dx * dx;
            xy += dx * dy;
            yy += dy * dy;
        }
        // An even bar of length L has the variance L²/12; a pixel is one.
        let axes = Ellipse::from_moments(xx / n, xy / n, yy / n);
        let length = |variance: f64| (12.0 * variance.max(0.0) + 1.0).sqrt();
        (length(axes.major_px2), length(axes.minor_px2))
    }

    /// Local maxima that stand apart, highest first.
    ///
    /// A maximum in the light of a higher one counts when, on the straight line between
    /// them, it rises from the lowest point by `MIN_RISE_SIGMAS` of the noise and by
    /// `MIN_RISE` of its own height: noise on the flank of a bright star does not.
    pub(crate) fn peaks(&self, plane: ArrayView2<f32>, background: &Background) -> Vec<Peak> {
        const MIN_RISE_SIGMAS: f32 = 3.0;
        const MIN_RISE: f32 = 0.15;
        let height_at = |row: usize, col: usize| {
            plane[(row, col)] - background.at(col as f64, row as f64) as f32
        };
        let mut maxima: Vec<Peak> = self
            .pixels()
            .filter(|&(row, col)| is_maximum(plane, row, col))
            .map(|(row, col)| Peak {
                row,
                col,
                height_dn: height_at(row, col),
            })
            .collect();
        maxima.sort_by(|a, b| {
            let by_height = b.height_dn.total_cmp(&a.height_dn);
            by_height.then((a.row, a.col).cmp(&(b.row, b.col)))
        });
        let mut taken = Buckets::default();
        for peak in maxima {
            let noise = background.rms_at(peak.col as f64, peak.row as f64) as f32;
            let rise = (MIN_RISE_SIGMAS * noise).max(MIN_RISE * peak.height_dn);
            let hidden = taken.near(&peak).any(|higher| {
                let saddle = line(&peak, higher)
                    .map(|(row, col)| height_at(row, col))
                    .fold(f32::INFINITY, f32::min);
                peak.height_dn - saddle < rise
            });
            if !hidden {
                taken.push(peak);
            }
        }
        taken.peaks
    }
}

/// Whether no neighbor is higher; of equal ones the first in reading order wins.
fn is_maximum(plane: ArrayView2<f32>, row: usize, col: usize) -> bool {
    let value = plane[(row, col)];
    let beats = |dy: isize, dx: isize| {
        let at = (row.wrapping_add_signed(dy), col.wrapping_add_signed(dx));
        plane.get(at).is_none_or(|&other| match (dy, dx) {
            (-1, _) | (0, -1) => value > other || other.is_nan(),
            _ => value >= other || other.is_nan(),
        })
    };
    let ring = [
        (-1, -1),
        (-1, 0),
        (-1, 1),
        (0, -1),
        (0, 1),
        (1, -1),
        (1, 0),
        (1, 1),
    ];
    ring.into_iter().all(|(dy, dx)| beats(dy, dx))
}

/// The pixels of the straight line between two peaks, ends left out.
fn line(a: &Peak, b: &Peak) -> impl Iterator<Item = (usize, usize)> + use<> {
    let (from, to) = ((a.row as f64, a.col as f64), (b.row as f64, b.col as f64));
    let steps = (from.0 - to.0).abs().max((from.1 - to.1).abs()) as usize;
    (1..steps).map(move |i| {
        let share = i as f64 / steps as f64;
        let along = |a: f64, b: f64| (a + share * (b - a)).round() as usize;
        (along(from.0, to.0), along(from.1, to.1))
    })
}

/// Peaks by place, so that a field grown together into one footprint stays fast.
#[derive(Default)]
struct Buckets {
    peaks: Vec<Peak>,
    cells: std::collections::HashMap<(usize, usize), Vec<usize>>,
}

impl Buckets {
    /// Peaks further apart than this do not hide each other.
    const CELL_PX: usize = 16;

    fn push(&mut self, peak: Peak) {
        let cell = (peak.row / Self::CELL_PX, peak.col / Self::CELL_PX);
        self.cells.entry(cell).or_default().push(self.peaks.len());
        self.peaks.push(peak);
    }

    fn near(&self, peak: &Peak) -> impl Iterator<Item = &Peak> {
        let (row, col) = (peak.row / Self::CELL_PX, peak.col / Self::CELL_PX);
        let rows = row.saturating_sub(1)..=row + 1;
        let cells = rows.flat_map(move |r| (col.saturating_sub(1)..=col + 1).map(move |c| (r, c)));
        cells
            .filter_map(|cell| self.cells.get(&cell))
            .flatten()
            .map(|&i| &self.peaks[i])
    }
}
