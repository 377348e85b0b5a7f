//! What is wrong with a frame that is right with its burst: cloud by zone, shake, double
//! images; and focus that drifts.

use crate::double_image::double_image;
use crate::stats::{SIGMA_PER_MAD, median};
use crate::{PixelMap, Star};

/// A frame of a burst, as its alignment left it.
#[derive(Clone, Copy, Debug)]
pub struct BurstFrame<'a> {
    /// Its stars.
    pub stars: &'a [Star],
    /// Where it lies; `None` when it could not be aligned. The reference lies on itself, by
    /// pairs of equal indices.
    pub place: Option<FramePlace<'a>>,
}

/// Which stars of the reference a frame shows, and where.
#[derive(Clone, Copy, Debug)]
pub struct FramePlace<'a> {
    /// Indices into the reference's stars and the frame's.
    pub pairs: &'a [(usize, usize)],
    /// Reference pixel to frame pixel.
    pub map: &'a PixelMap,
}

/// A frame against its burst. NaN where too few stars tell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FrameQuality {
    /// Brightness of its stars over their own in the burst; the median over the field.
    pub transparency: f64,
    /// Share of the field, by zones, whose stars have less than [`CLEAR_SHARE`] of their own
    /// brightness in the burst, 0 to 1. Stars that are gone count as dark.
    pub cloud_fraction: f64,
    /// The same with [`BLOCKED_SHARE`]: what cloud, trees or a hand hide.
    pub blocked_fraction: f64,
    /// Full width at half maximum of a movement that draws out all stars alike along one
    /// direction, beyond what the sky and the lens do in the whole burst, px.
    pub shake_px: f64,
    /// How far apart all stars show twice, to the right and down, px.
    pub double_px: Option<[f64; 2]>,
}

impl Default for FrameQuality {
    fn default() -> Self {
        Self {
            transparency: f64::NAN,
            cloud_fraction: f64::NAN,
            blocked_fraction: f64::NAN,
            shake_px: f64::NAN,
            double_px: None,
        }
    }
}

/// A zone whose stars have less than this of their usual light is clouded. Fluxes of a
/// zone's median star are known to 5 %, so clear zones stay above it.
pub const CLEAR_SHARE: f64 = 0.75;

/// A zone whose stars have less than this of their usual light is as good as hidden: scaling
/// the frame cannot mend it.
pub const BLOCKED_SHARE: f64 = 0.5;

/// Columns and rows of the zones: the finest grid with enough stars for each.
const GRIDS: [(usize, usize); 3] = [(6, 4), (4, 3), (3, 2)];
/// Stars a zone should have on average, and the fewest that speak for it.
const STARS_PER_ZONE: usize = 8;
const FEWEST_STARS: usize = 3;
/// Fewest zones that speak for a field.
const FEWEST_ZONES: usize = 3;
/// Stars that compare: brighter than this on the reference, SNR. At a third of their light
/// they are still found.
const CLEAR_SNR: f64 = 8.0;
/// A star this near the edge is not missed when it is not found, px.
const EDGE_PX: f64 = 12.0;

/// Grades every frame of a burst against the others.
///
/// - `reference`: index of the frame whose stars the pairs refer to.
/// - `size`: width and height, px.
///
/// A star's **own** brightness is the median over the frames that show it; a star counts
/// when half of the aligned frames do. What most frames share is the burst's own: a burst that is bad
/// throughout has frames without fault. With fewer than three aligned frames nothing is
/// known.
pub fn grade_burst(
    frames: &[BurstFrame<'_>],
    reference: usize,
    size: (usize, usize),
) -> Vec<FrameQuality> {
    let mut quality = vec![FrameQuality::default(); frames.len()];
    let Some(own) = frames.get(reference).map(|frame| frame.stars) else {
        return quality;
    };
    let aligned = frames.iter().filter(|frame| frame.place.is_some()).count();
    if aligned < 3 {
        return quality;
    }
    let usual = usual_fluxes(frames, own, aligned);
    let moments: Vec<Option<[f64; 3]>> = frames
        .iter()
        .map(|frame| added_moments(frame, own))
        .collect();
    let usual_moments = [0, 1, 2].map(|k| {
        let mut values: Vec<f64> = moments.iter().flatten().map(|m| m[k]).collect();
        median(&mut values).unwrap_or(f64::NAN)
    });
    let doubles: Vec<Option<[f64; 2]>> = frames
        .iter()
        .map(|frame| double_image(frame.stars))
        .collect();
    let usually_double = 2 * doubles.iter().flatten().count() > frames.len();
    for (i, frame) in frames.iter().enumerate() {
        if let Some(place) = &frame.place {
            let clear = Clearness::of(frame.stars, place, own, &usual, size);
            quality[i].transparency = clear.median;
            quality[i].cloud_fraction = clear.cloud_fraction;
            quality[i].blocked_fraction = clear.blocked_fraction;
        }
        quality[i].shake_px = moments[i].map_or(f64::NAN, |own| {
            directional_px([0, 1, 2].map(|k| own[k] - usual_moments[k]))
        });
        quality[i].double_px = doubles[i].filter(|_| !usually_double);
    }
    quality
}

/// The flux of each of the reference's stars in the burst, DN; `None` for those that do not
/// compare.
fn usual_fluxes(frames: &[BurstFrame<'_>], own: &[Star], aligned: usize) -> Vec<Option<f64>> {
    let mut seen: Vec<Vec<f64>> = vec![Vec::new(); own.len()];
    for (frame, place) in frames
        .iter()
        .filter_map(|f| f.place.as_ref().map(|p| (f, p)))
    {
        for &(i, j) in place.pairs {
            let (a, b) = (&own[i], &frame.stars[j]);
            if !a.saturated && !b.saturated && a.snr >= CLEAR_SNR && b.flux_dn > 0.0 {
                seen[i].push(b.flux_dn);
            }
        }
    }
    let enough = |fluxes: &mut Vec<f64>| match 2 * fluxes.len() > aligned {
        true => median(fluxes),
        false => None,
    };
    seen.iter_mut().map(enough).collect()
}

struct Clearness {
    median: f64,
    cloud_fraction: f64,
    blocked_fraction: f64,
}

impl Clearness {
    fn of(
        stars: &[Star],
        place: &FramePlace<'_>,
        own: &[Star],
        usual: &[Option<f64>],
        size: (usize, usize),
    ) -> Self {
        let mut share: Vec<Option<f64>> = usual.iter().map(|u| u.map(|_| 0.0)).collect();
        for &(i, j) in place.pairs {
            share[i] = usual[i].map(|usual| stars[j].flux_dn / usual);
        }
        let compared = usual.iter().flatten().count();
        let enough = |(columns, rows): &(usize, usize)| compared >= STARS_PER_ZONE * columns * rows;
        let grid = GRIDS.into_iter().find(enough);
        let (columns, rows) = grid.unwrap_or(GRIDS[GRIDS.len() - 1]);
        let mut zones: Vec<Vec<f64>> = vec![Vec::new(); columns * rows];
        let mut found = Vec::new();
        for (star, share) in own.iter().zip(&share) {
            let (Some(share), (x, y)) = (share, place.map.map(star.x, star.y)) else {
                continue;
            };
            let inside = |at: f64, extent: usize| at > EDGE_PX && at < extent as f64 - EDGE_PX;
            if !inside(x, size.0) || !inside(y, size.1) {
                continue;
            }
            let zone = |at: f64, extent: usize, n: usize| {
                ((at / extent as f64 * n as f64) as usize).min(n - 1)
            };
            let index = zone(y, size.1, rows) * columns + zone(x, size.0, columns);
            zones[index].push(*share);
            found.push(*share);
        }
        let zones = zones.iter_mut().filter(|zone| zone.len() >= FEWEST_STARS);
        let zones: Vec<f64> = zones.filter_map(|zone| median(zone)).collect();
        let below = |limit: f64| match zones.len() >= FEWEST_ZONES {
            true => {
                let below = zones.iter().filter(|&&share| share < limit).count();
                below as f64 / zones.len() as f64
            }
            false => f64::NAN,
        };
        Self {
            median: median(&mut found).unwrap_or(f64::NAN),
            cloud_fraction: below(CLEAR_SHARE),
            blocked_fraction: below(BLOCKED_SHARE),
        }
    }
}

/// What the frame's stars have in second moments more than the same stars on the reference,
/// xx, xy, yy, px²; the median over stars.
fn added_moments(frame: &BurstFrame<'_>, own: &[Star]) -> Option<[f64; 3]> {
    const FEWEST: usize = 8;
    let place = frame.place.as_ref()?;
    let pairs = place.pairs.iter().map(|&(i, j)| (&own[i], &frame.stars[j]));
    let clear = |(a, b): &(&Star, &Star)| {
        !a.saturated && !b.saturated && a.snr >= CLEAR_SNR && a.fwhm_px > 0.0 && b.fwhm_px > 0.0
    };
    let added: Vec<[f64; 3]> = pairs
        .filter(clear)
        .map(|(a, b)| {
            let (a, b) = (moments(a), moments(b));
            [0, 1, 2].map(|k| b[k] - a[k])
        })
        .collect();
    let middle = |k: usize| median(&mut added.iter().map(|m| m[k]).collect::<Vec<f64>>());
    (added.len() >= FEWEST).then_some([middle(0)?, middle(1)?, middle(2)?])
}

const FWHM_PER_SIGMA: f64 = 2.354_820_045_030_949;

/// Second moments of a star, px².
fn moments(star: &Star) -> [f64; 3] {
    let mean = (star.fwhm_px / FWHM_PER_SIGMA).powi(2);
    let ratio = (1.0 - star.ellipticity).clamp(0.1, 1.0);
    let (major, minor) = (mean / ratio, mean * ratio);
    let (sin, cos) = star.position_angle_rad.sin_cos();
    [
        major * cos * cos + minor * sin * sin,
        (major - minor) * sin * cos,
        major * sin * sin + minor * cos * cos,
    ]
}

/// Width of what second moments have along one direction beyond all directions, px.
fn directional_px([xx, xy, yy]: [f64; 3]) -> f64 {
    let (mean, spread) = (0.5 * (xx + yy), (0.5 * (xx - yy)).hypot(xy));
    let (major, minor) = (mean + spread, mean - spread);
    FWHM_PER_SIGMA * (major - minor.max(0.0)).max(0.0).sqrt()
}

/// Stars that widen or sharpen from the first frame to the last: dew, or focus that creeps.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FocusDrift {
    /// Width at the first frame by the line through all, px.
    pub from_px: f64,
    /// Width at the last.
    pub to_px: f64,
}

/// Least change of the width that is a drift, of the typical width.
const LEAST_DRIFT: f64 = 0.1;

/// The trend of the frames' widths, in capture order; NaN where there is none.
///
/// The line's slope is the median of the slopes of all pairs (Sen 1968, from memory). `None`
/// with fewer than six frames, for less than a tenth of the width in all, and for less than
/// twice the scatter about the line.
pub fn focus_drift(fwhm_px: &[f64]) -> Option<FocusDrift> {
    const FEWEST: usize = 6;
    const SCATTERS: f64 = 2.0;
    let frames = fwhm_px
        .iter()
        .enumerate()
        .filter(|(_, width)| width.is_finite());
    let frames: Vec<(f64, f64)> = frames.map(|(i, &width)| (i as f64, width)).collect();
    if frames.len() < FEWEST {
        return None;
    }
    let mut slopes = Vec::new();
    for (i, a) in frames.iter().enumerate() {
        slopes.extend(frames[i + 1..].iter().map(|b| (b.1 - a.1) / (b.0 - a.0)));
    }
    let slope = median(&mut slopes)?;
    let middle = median(
        &mut frames
            .iter()
            .map(|(i, w)| w - slope * i)
            .collect::<Vec<f64>>(),
    )?;
    let mut off: Vec<f64> = frames
        .iter()
        .map(|(i, w)| (w - slope * i - middle).abs())
        .collect();
    let scatter = SIGMA_PER_MAD * median(&mut off)?;
    let line = |i: usize| middle + slope * i as f64;
    let drift = FocusDrift {
        from_px: line(0),
        to_px: line(fwhm_px.len() - 1),
    };
    let change = (drift.to_px - drift.from_px).abs();
    let typical = median(&mut frames.iter().map(|(_, w)| *w).collect::<Vec<f64>>())?;
    (change >= LEAST_DRIFT * typical && change >= SCATTERS * scatter).then_some(drift)
}

#[cfg(test)]
#[path = "quality/tests.rs"]
mod tests;
