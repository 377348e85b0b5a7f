//! Hot pixels and particle hits that stand alone, told from stars on the mosaic itself.
//!
//! The lens spreads a star over its neighbors of every color; a defect stays where it is.
//! After smoothing the two look alike, so this is done before.

use ndarray::Array2;
use raw::SitePattern;

/// A site is suspect when it stands this many sigmas above its own color around it.
const SUSPECT_SIGMAS: f32 = 6.0;

/// Sigmas over the nearest of the same color below which a site is not looked at closer:
/// the neighbors are noisy, too.
const GLANCE_SIGMAS: f32 = 3.5;

/// A star of 1.4 px FWHM raises the four adjacent sites to 0.3 of its center at least, a
/// leak between photosites to a few hundredths.
const ADJACENT_RATIO: f32 = 0.1;

/// Noise of the mean of four adjacent sites, in sigmas of one.
const ADJACENT_SIGMAS: f32 = 0.5;

/// Offsets (rows, columns) of the four adjacent sites.
const ADJACENT: [(isize, isize); 4] = [(-1, 0), (0, -1), (0, 1), (1, 0)];

/// Masks, as NaN, every site that stands alone.
///
/// - `sites`: sky-subtracted, DN.
/// - `classes`: color index of each site.
/// - `noise_dn`: noise of each color; a color without noise is left alone, since nothing
///   says there what is much.
pub(crate) fn mask_isolated(
    sites: &mut Array2<f32>,
    classes: &SitePattern<usize>,
    noise_dn: [f32; 3],
) {
    let mut isolated = Vec::new();
    for row in 0..sites.nrows() {
        let glances: Vec<(f32, usize)> = (0..classes.width())
            .map(|col| {
                let noise = noise_dn[classes.at(row, col)];
                let limit = if noise > 0.0 {
                    GLANCE_SIGMAS * noise
                } else {
                    f32::INFINITY
                };
                (limit, same_color_step(classes, row, col))
            })
            .collect();
        let values = sites.row(row);
        let values = values.as_slice().expect("rows of an owned array");
        let glances = glances.iter().cycle();
        for ((col, &value), &(limit, step)) in values.iter().enumerate().zip(glances) {
            // Not-greater also passes a masked neighbor on to the closer look.
            let below = |other: Option<&f32>| other.is_some_and(|other| value - other <= limit);
            if below(values.get(col + step)) || below(values.get(col.wrapping_sub(step))) {
                continue;
            }
            if value > f32::NEG_INFINITY && stands_alone(sites, classes, noise_dn, row, col) {
                isolated.push((row, col));
            }
        }
    }
    for at in isolated {
        sites[at] = f32::NAN;
    }
}

/// Columns after which the row's pattern repeats its color in both directions.
fn same_color_step(classes: &SitePattern<usize>, row: usize, col: usize) -> usize {
    let (class, width) = (classes.at(row, col), classes.width());
    let repeats = |step: &usize| {
        classes.at(row, col + step) == class && classes.at(row, col + width - step % width) == class
    };
    (1..width).find(repeats).unwrap_or(width)
}

fn stands_alone(
    sites: &Array2<f32>,
    classes: &SitePattern<usize>,
    noise_dn: [f32; 3],
    row: usize,
    col: usize,
) -> bool {
    let around = Ring::around(sites, classes, row, col);
    let class = classes.at(row, col);
    let Some(sky) = around.level(class) else {
        return false;
    };
    let excess = sites[(row, col)] - sky;
    let noise = noise_dn[class];
    if noise <= 0.0 || excess <= SUSPECT_SIGMAS * noise {
        return false;
    }
    // On the flank of a star something is always higher.
    if sites[(row, col)] - around.highest(class) <= GLANCE_SIGMAS * noise {
        return false;
    }
    let (mut sum, mut noise, mut count) = (0.0, 0.0, 0.0);
    for (dy, dx) in ADJACENT {
        let Some((y, x)) = offset(row, col, dy, dx) else {
            continue;
        };
        let value = sites.get((y, x)).copied().unwrap_or(f32::NAN);
        let level = around.level(classes.at(y, x));
        if let (false, Some(level)) = (value.is_nan(), level) {
            sum += value - level;
            noise += noise_dn[classes.at(y, x)];
            count += 1.0;
        }
    }
    count > 0.0 && sum < ADJACENT_RATIO * excess * count + ADJACENT_SIGMAS * noise
}

/// What the sites two away hold, color by color: the local sky.
struct Ring {
    values: [[f32; 16]; 3],
    counts: [usize; 3],
}

impl Ring {
    fn around(sites: &Array2<f32>, classes: &SitePattern<usize>, row: usize, col: usize) -> Self {
        let mut ring = Self {
            values: [[0.0; 16]; 3],
            counts: [0; 3],
        };
        for dy in -2..=2_isize {
            for dx in -2..=2_isize {
                if dy.abs().max(dx.abs()) < 2 {
                    continue;
                }
                let Some((y, x)) = offset(row, col, dy, dx) else {
                    continue;
                };
                match sites.get((y, x)) {
                    Some(&value) if !value.is_nan() => ring.push(classes.at(y, x), value),
                    _ => {}
                }
            }
        }
        for (values, &count) in ring.values.iter_mut().zip(&ring.counts) {
            values[..count].sort_unstable_by(f32::total_cmp);
        }
        ring
    }

    fn push(&mut self, class: usize, value: f32) {
        self.values[class][self.counts[class]] = value;
        self.counts[class] += 1;
    }

    /// The lower median of a color; `None` when the ring has none of it.
    fn level(&self, class: usize) -> Option<f32> {
        let count = self.counts[class];
        (count > 0).then(|| self.values[class][(count - 1) / 2])
    }

    /// The highest of a color; negative infinity when the ring has none of it.
    fn highest(&self, class: usize) -> f32 {
        let values = &self.values[class][..self.counts[class]];
        values.last().copied().unwrap_or(f32::NEG_INFINITY)
    }
}

fn offset(row: usize, col: usize, dy: isize, dx: isize) -> Option<(usize, usize)> {
    Some((row.checked_add_signed(dy)?, col.checked_add_signed(dx)?))
}
