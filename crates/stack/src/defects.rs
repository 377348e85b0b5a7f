//! Photosites that do not tell the truth: found in darks or in the lights themselves,
//! and filled from their neighbors.

use crate::{CalibratedWindow, MasterDark, SensorLayout, StackError, StoredMosaic};
use raw::{Cfa, Rect};
use rayon::prelude::*;

mod lone;

/// The sites of a sensor that are not to be used.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DefectMap {
    width: usize,
    /// Columns of the defects of each row, ascending.
    rows: Vec<Vec<usize>>,
}

/// Thresholds for finding defects.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DefectOptions {
    /// How far a site must stand out, in standard errors of what it is measured by;
    /// default 5.5, which 20 million good sites exceed about once.
    pub threshold_sigmas: f32,
    /// In lights: largest share of a site's excess that its adjacent sites may show.
    /// A star reaches over the four adjacent sites, a defect does not; default 0.15.
    pub neighbor_share: f32,
}

impl Default for DefectOptions {
    fn default() -> Self {
        Self {
            threshold_sigmas: 5.5,
            neighbor_share: 0.15,
        }
    }
}

impl DefectMap {
    /// How far from a defect its fill may come from, px.
    pub const FILL_REACH_PX: usize = 4;

    /// A sensor without defects.
    pub fn none(width: usize, height: usize) -> Self {
        Self {
            width,
            rows: vec![Vec::new(); height],
        }
    }

    /// The map of the given `(row, column)` sites; sites outside are ignored.
    pub fn from_sites(width: usize, height: usize, sites: &[(usize, usize)]) -> Self {
        let mut map = Self::none(width, height);
        for &(row, col) in sites {
            if row < height && col < width {
                map.rows[row].push(col);
            }
        }
        map.rows.iter_mut().for_each(|columns| {
            columns.sort_unstable();
            columns.dedup();
        });
        map
    }

    /// Sites that are hot in the dark: their dark signal exceeds that of their
    /// surroundings by `threshold_sigmas` of the noise of a single dark.
    ///
    /// Subtraction removes a hot site's mean but not its noise, which is why it is
    /// not used at all.
    pub fn from_dark(dark: &MasterDark, options: &DefectOptions) -> Self {
        let (height, width) = dark.level_dn.dim();
        let limit = options.threshold_sigmas * dark.noise_dn;
        let level = &dark.level_dn;
        let rows = (0..height)
            .into_par_iter()
            .map(|row| {
                let excess = |col: usize| {
                    let around = same_color_ring(row, col, height, width, 2);
                    let mut around: Vec<f32> = around.map(|site| level[site]).collect();
                    crate::sigma_clip::sort_samples(&mut around);
                    (level[(row, col)] - crate::median_of_sorted(&around) as f32).abs()
                };
                (0..width).filter(|&col| excess(col) > limit).collect()
            })
            .collect();
        Self { width, rows }
    }

    /// Sites that stand out in every light while the stars move on.
    ///
    /// For each site the excess over the median of its four same-color neighbors is
    /// taken on every light; the median over the lights must exceed
    /// `threshold_sigmas` of its standard error, and the adjacent sites must not
    /// share in it. With fewer than three lights nothing can be told.
    ///
    /// - `noise_dn`: noise of a single sample of each light, DN.
    ///
    /// # Errors
    ///
    /// When samples cannot be read back from the scratch file.
    pub fn from_lights(
        layout: &SensorLayout,
        lights: &[&StoredMosaic],
        noise_dn: &[f32],
        options: &DefectOptions,
    ) -> Result<Self, StackError> {
        if lights.len() < 3 {
            return Ok(Self::none(layout.width, layout.height));
        }
        let band_rows = band_rows(lights.len());
        let bands: Vec<Rect> = (0..layout.height)
            .step_by(band_rows)
            .map(|y0| Rect {
                x0: 0,
                y0,
                x1: layout.width,
                y1: (y0 + band_rows).min(layout.height),
            })
            .collect();
        let noise_dn = crate::median_of_sorted(&sorted(noise_dn)) as f32;
        let found: Result<Vec<_>, StackError> = bands
            .into_par_iter()
            .map(|band| defects_in_band(layout, lights, noise_dn, options, &band))
            .collect();
        Ok(Self {
            width: layout.width,
            rows: found?.into_iter().flatten().collect(),
        })
    }

    /// Every defect of either map.
    ///
    /// # Panics
    ///
    /// When the maps differ in size.
    pub fn union(mut self, other: &Self) -> Self {
        assert_eq!(
            (self.width, self.rows.len()),
            (other.width, other.rows.len())
        );
        for (columns, more) in self.rows.iter_mut().zip(&other.rows) {
            columns.extend(more);
            columns.sort_unstable();
            columns.dedup();
        }
        self
    }

    /// Width of the sensor, px.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Height of the sensor, px.
    pub fn height(&self) -> usize {
        self.rows.len()
    }

    /// Number of defects.
    pub fn count(&self) -> usize {
        self.rows.iter().map(Vec::len).sum()
    }

    /// Whether a site is a defect.
    pub fn contains(&self, row: usize, col: usize) -> bool {
        self.rows[row].binary_search(&col).is_ok()
    }

    /// Whether a window holds a defect.
    pub fn any_in(&self, window: &Rect) -> bool {
        self.rows[window.y0..window.y1].iter().any(|columns| {
            let next = columns.partition_point(|&col| col < window.x0);
            columns.get(next).is_some_and(|&col| col < window.x1)
        })
    }

    /// Fills the defects of `inside` with the mean of the nearest good sites of the
    /// same color within [`Self::FILL_REACH_PX`]; a site without any keeps its value.
    pub(crate) fn fill(&self, window: &mut CalibratedWindow, inside: &Rect, cfa: &Cfa) {
        let area = window.area;
        let mut fills = Vec::new();
        for row in inside.y0..inside.y1 {
            for &col in self.rows[row]
                .iter()
                .filter(|&&col| inside.contains(col, row))
            {
                let channel = cfa.at(row, col);
                let near = Rect {
                    x0: col,
                    y0: row,
                    x1: col + 1,
                    y1: row + 1,
                };
                for reach in 1..=Self::FILL_REACH_PX {
                    let ring = near.grown(reach, &area);
                    let good: Vec<f32> = (ring.y0..ring.y1)
                        .flat_map(|r| (ring.x0..ring.x1).map(move |c| (r, c)))
                        .filter(|&(r, c)| cfa.at(r, c) == channel && !self.contains(r, c))
                        .map(|(r, c)| window.at(r, c))
                        .collect();
                    // Two neighbors at least, lest one noisy sample stands for two.
                    if good.len() >= 2 {
                        fills.push((row, col, good.iter().sum::<f32>() / good.len() as f32));
                        break;
                    }
                }
            }
        }
        for (row, col, value) in fills {
            window.values[(row - area.y0) * area.width() + col - area.x0] = value;
        }
    }
}

/// Rows handled together when lights are searched: fewer of many lights, which bounds the
/// memory of the search.
fn band_rows(lights: usize) -> usize {
    const MOST: usize = 32;
    const ROWS_OF_LIGHTS: usize = 1000;
    (ROWS_OF_LIGHTS / lights.max(1)).clamp(1, MOST)
}

/// Distance of a site's same-color neighbors, px: the period of a Bayer array, and
/// beyond a star's core on other sensors.
const RING_PX: usize = 2;

/// Variance of a site minus the median of four others, in variances of a site: the
/// median of four Gaussian values has 1.1928/4 (order statistics, by quadrature).
const EXCESS_VARIANCE: f32 = 1.298;

fn sorted(values: &[f32]) -> Vec<f32> {
    let mut values = values.to_vec();
    values.sort_unstable_by(f32::total_cmp);
    values
}

/// The up to eight sites around `(row, col)` at `distance`, on the sensor.
fn same_color_ring(
    row: usize,
    col: usize,
    height: usize,
    width: usize,
    distance: isize,
) -> impl Iterator<Item = (usize, usize)> {
    let steps = [
        (-1, -1),
        (-1, 0),
        (-1, 1),
        (0, -1),
        (0, 1),
        (1, -1),
        (1, 0),
        (1, 1),
    ];
    steps
        .into_iter()
        .filter_map(move |(dy, dx): (isize, isize)| {
            let row = row.checked_add_signed(dy * distance)?;
            let col = col.checked_add_signed(dx * distance)?;
            (row < height && col < width).then_some((row, col))
        })
}

fn defects_in_band(
    layout: &SensorLayout,
    lights: &[&StoredMosaic],
    noise_dn: f32,
    options: &DefectOptions,
    band: &Rect,
) -> Result<Vec<Vec<usize>>, StackError> {
    // Room for the adjacent sites' own neighbors.
    let window = band.grown(RING_PX + 1, &layout.bounds());
    let width = layout.width;
    let mut samples = Vec::with_capacity(lights.len());
    for light in lights {
        let mut recorded = Vec::new();
        light.read_window(&window, &mut recorded)?;
        samples.push(recorded);
    }
    // The median of n Gaussian values has at most √(π/2) times the mean's error.
    let n = lights.len() as f32;
    let error = noise_dn * (EXCESS_VARIANCE * std::f32::consts::FRAC_PI_2 / n).sqrt();
    let limit = options.threshold_sigmas * error;
    let mut mean = vec![0.0_f32; width];
    let mut found = Vec::with_capacity(band.height());
    for row in band.y0..band.y1 {
        mean.fill(0.0);
        for light in &samples {
            add_excess(light, &window, row, &mut mean);
        }
        let stands_out = |&col: &usize| {
            // Cheap first look: a median beyond the limit needs a mean near it.
            if (mean[col] / n).abs() < 0.5 * limit {
                return false;
            }
            let over_lights = |r: usize, c: usize| {
                let mut excess: Vec<f32> = samples
                    .iter()
                    .map(|light| excess_over_median(light, &window, r, c))
                    .collect();
                crate::sigma_clip::sort_samples(&mut excess);
                excess
            };
            let median = |r: usize, c: usize| crate::median_of_sorted(&over_lights(r, c)) as f32;
            let lights = over_lights(row, col);
            let own = crate::median_of_sorted(&lights) as f32;
            if own.abs() < limit || !is_lasting(&lights, own) {
                return false;
            }
            let mut adjacent: Vec<f32> = [(0, 1), (1, 0), (0, -1), (-1, 0)]
                .iter()
                .filter_map(|&(dy, dx): &(isize, isize)| {
                    let (r, c) = (row.checked_add_signed(dy)?, col.checked_add_signed(dx)?);
                    (r < layout.height && c < width).then(|| median(r, c).abs())
                })
                .collect();
            crate::sigma_clip::sort_samples(&mut adjacent);
            let shared = crate::median_of_sorted(&adjacent) as f32;
            shared < options.neighbor_share * own.abs()
        };
        found.push((0..width).filter(stands_out).collect());
    }
    Ok(found)
}

/// Share of its median excess that a defect has in all but a quarter of the lights.
const LASTING_SHARE: f32 = 0.5;

/// Whether a site stands out in nearly all lights: a defect does, but for noise; the track
/// of a star that drifts over the sensor lies on a site in some of them, and a median over
/// few lights may be of those.
///
/// - `sorted`: excess by light; `median`: of them.
fn is_lasting(sorted: &[f32], median: f32) -> bool {
    let spared = sorted.len() / 4;
    let least = match median > 0.0 {
        true => sorted[spared],
        false => -sorted[sorted.len() - 1 - spared],
    };
    least > LASTING_SHARE * median.abs()
}

/// The up to four same-color neighbors above, below, left and right of a site.
#[inline]
fn cross(samples: &[u16], window: &Rect, row: usize, col: usize) -> ([f32; 4], usize) {
    let width = window.width();
    let (r, c) = (row - window.y0, col - window.x0);
    let mut found = [0.0; 4];
    let mut n = 0;
    let mut add = |r: usize, c: usize| {
        found[n] = f32::from(samples[r * width + c]);
        n += 1;
    };
    if r >= RING_PX {
        add(r - RING_PX, c);
    }
    if r + RING_PX < window.height() {
        add(r + RING_PX, c);
    }
    if c >= RING_PX {
        add(r, c - RING_PX);
    }
    if c + RING_PX < width {
        add(r, c + RING_PX);
    }
    (found, n)
}

fn at(samples: &[u16], window: &Rect, row: usize, col: usize) -> f32 {
    f32::from(samples[(row - window.y0) * window.width() + col - window.x0])
}

/// Adds every site's value minus the mean of its cross to `sums`, along one row.
fn add_excess(samples: &[u16], window: &Rect, row: usize, sums: &mut [f32]) {
    let width = window.width();
    let r = row - window.y0;
    let inner = RING_PX..width.saturating_sub(RING_PX);
    if r < RING_PX || r + RING_PX >= window.height() || inner.is_empty() {
        for (col, sum) in sums.iter_mut().enumerate() {
            *sum += excess_over_mean(samples, window, row, col);
        }
        return;
    }
    let line = |r: usize| &samples[r * width..(r + 1) * width];
    let (above, here, below) = (line(r - RING_PX), line(r), line(r + RING_PX));
    // Equal slices side by side, so that the loop vectorizes.
    let (left, right) = (&here[..width - 2 * RING_PX], &here[2 * RING_PX..]);
    let (above, center, below) = (
        &above[inner.clone()],
        &here[inner.clone()],
        &below[inner.clone()],
    );
    let across = left.iter().zip(right).zip(above).zip(center).zip(below);
    for (sum, ((((&left, &right), &above), &center), &below)) in
        sums[inner.clone()].iter_mut().zip(across)
    {
        let around = u32::from(left) + u32::from(right) + u32::from(above) + u32::from(below);
        *sum += f32::from(center) - 0.25 * around as f32;
    }
    for col in (0..RING_PX).chain(inner.end..width) {
        sums[col] += excess_over_mean(samples, window, row, col);
    }
}

/// A site's value minus the mean of its cross.
fn excess_over_mean(samples: &[u16], window: &Rect, row: usize, col: usize) -> f32 {
    let (found, n) = cross(samples, window, row, col);
    at(samples, window, row, col) - found[..n].iter().sum::<f32>() / n.max(1) as f32
}

/// A site's value minus the median of its cross, which a neighboring defect or star
/// does not move.
fn excess_over_median(samples: &[u16], window: &Rect, row: usize, col: usize) -> f32 {
    let (mut found, n) = cross(samples, window, row, col);
    crate::sigma_clip::sort_samples(&mut found[..n]);
    at(samples, window, row, col) - crate::median_of_sorted(&found[..n]) as f32
}

#[cfg(test)]
mod tests;
