//! The image of a star: Gaussians along its path, gathered by square pixels.

use crate::normal_curve::NormalCurve;

/// A Gaussian of a star's light: where it is, px; standard deviation, px; share of the light.
pub(crate) type Node = (f64, f64, f64, f64);

/// How far from its path a star's light is drawn at most, in sigmas; 6e-7 of it falls beyond.
pub(crate) const REACH_SIGMAS: f64 = 5.0;
/// Light that may fall beyond what is drawn of a faint star, e⁻.
const LOST_E: f64 = 0.01;

/// How far a star of so many electrons is drawn, in sigmas: as far as is worth it.
///
/// The share of a Gaussian beyond `z` sigmas on four sides is below `exp(-z²/2)` from 0.8 on.
fn reach_sigmas(electrons: f64) -> f64 {
    let share = LOST_E / electrons.max(LOST_E);
    (-2.0 * libm::log(share)).sqrt().clamp(1.0, REACH_SIGMAS)
}

/// Longest segment of a faint star's trail, in sigmas.
pub(crate) const FAINT_SEGMENT_SIGMAS: f64 = 2.0;

/// Whether segments of [`FAINT_SEGMENT_SIGMAS`] put no pixel of a star's trail wrong by more
/// than [`LOST_E`].
///
/// Three-point Gauss-Legendre errs by at most `h⁷ f⁽⁶⁾ / 2016000` over a length of `h`
/// (Abramowitz & Stegun, 25.4.30); for the normal curve, `h` of 2 sigmas and the peak of the
/// profile across that is `7.6e-5 / sigma²` of the light.
pub(crate) fn is_faint(electrons: [f64; 3], sigma_px: f64) -> bool {
    const WORST: f64 = 7.6e-5;
    let brightest = electrons.into_iter().fold(0.0, f64::max);
    brightest * WORST < LOST_E * sigma_px * sigma_px
}

/// Moments of the exposure, as fractions of it from its middle (-0.5 to 0.5), and
/// their weights: three-point Gauss-Legendre on each of `segments` equal parts.
///
/// With segments no longer than a sigma the trail is exact to a few parts in a million,
/// with [`FAINT_SEGMENT_SIGMAS`] to a few in ten thousand.
pub(crate) fn path_moments(segments: usize) -> Vec<(f64, f64)> {
    let half = (3.0f64 / 5.0).sqrt() / 2.0;
    let nodes = [(-half, 5.0 / 18.0), (0.0, 8.0 / 18.0), (half, 5.0 / 18.0)];
    let n = segments.max(1) as f64;
    (0..segments.max(1))
        .flat_map(|segment| {
            let middle = (segment as f64 + 0.5) / n - 0.5;
            nodes.map(|(offset, weight)| (middle + offset / n, weight / n))
        })
        .collect()
}

/// Share of a Gaussian's light in each of `n` pixels from `first` on, along one axis.
fn pixel_integrals(
    curve: &NormalCurve,
    center: f64,
    sigma: f64,
    first: i64,
    out: &mut Vec<f32>,
    n: usize,
) {
    let scale = 1.0 / sigma;
    let start = (first as f64 - 0.5 - center) * scale;
    out.clear();
    let mut before = curve.below(start);
    for i in 1..=n {
        let after = curve.below(start + i as f64 * scale);
        out.push((after - before) as f32);
        before = after;
    }
}

/// Buffers of [`add_star`], reused from star to star.
#[derive(Default)]
pub(crate) struct Scratch {
    curve: NormalCurve,
    along_x: Vec<f32>,
    along_y: Vec<f32>,
    shares: Vec<f32>,
}

/// Rows of the three planes, `first_row` and below.
pub(crate) struct Strip<'a> {
    pub first_row: usize,
    pub width: usize,
    pub planes: [&'a mut [f32]; 3],
}

/// Adds the part of a star's light that falls on a strip.
///
/// `electrons` is what the whole star gives in R, G and B, of which `channels` are drawn;
/// the weights of `nodes` add up to 1 where nothing hides it.
pub(crate) fn add_star(
    strip: &mut Strip<'_>,
    nodes: &[Node],
    channels: &[usize],
    electrons: [f64; 3],
    scratch: &mut Scratch,
) {
    let brightest = channels.iter().map(|&channel| electrons[channel]);
    let sigmas = reach_sigmas(brightest.fold(0.0, f64::max));
    let n_rows = strip.planes[0].len() / strip.width;
    let (low, high) = (strip.first_row, strip.first_row + n_rows);
    let across = nodes.iter().map(|node| (node.0, node.2));
    let Some((x0, x1)) = covered(across, sigmas, 0, strip.width) else {
        return;
    };
    let down = nodes.iter().map(|node| (node.1, node.2));
    let Some((y0, y1)) = covered(down, sigmas, low, high) else {
        return;
    };
    let n_x = x1 - x0;
    scratch.shares.clear();
    scratch.shares.resize(n_x * (y1 - y0), 0.0);
    for &(x, y, sigma, weight) in nodes {
        // Only the pixels this Gaussian reaches: long trails are mostly empty boxes.
        let one =
            |center: f64, low, high| covered([(center, sigma)].into_iter(), sigmas, low, high);
        let (Some((left, right)), Some((top, bottom))) = (one(x, x0, x1), one(y, y0, y1)) else {
            continue;
        };
        let Scratch {
            curve,
            along_x,
            along_y,
            shares,
        } = &mut *scratch;
        pixel_integrals(curve, x, sigma, left as i64, along_x, right - left);
        pixel_integrals(curve, y, sigma, top as i64, along_y, bottom - top);
        for (i, &share_y) in along_y.iter().enumerate() {
            let start = (top - y0 + i) * n_x + left - x0;
            let row = &mut shares[start..start + right - left];
            let share_y = weight as f32 * share_y;
            for (share, &share_x) in row.iter_mut().zip(along_x.iter()) {
                *share += share_y * share_x;
            }
        }
    }
    for &channel in channels {
        let (plane, total) = (&mut strip.planes[channel], electrons[channel] as f32);
        for (i, shares) in scratch.shares.chunks_exact(n_x).enumerate() {
            let start = (y0 - low + i) * strip.width + x0;
            for (value, &share) in plane[start..start + n_x].iter_mut().zip(shares) {
                *value += total * share;
            }
        }
    }
}

/// The pixels `low .. high` that Gaussians at (center, sigma) reach; `None` when there are none.
fn covered(
    gaussians: impl Iterator<Item = (f64, f64)>,
    sigmas: f64,
    low: usize,
    high: usize,
) -> Option<(usize, usize)> {
    let (mut first, mut last) = (f64::INFINITY, f64::NEG_INFINITY);
    for (center, sigma) in gaussians {
        let reach = sigmas * sigma + 0.5;
        (first, last) = (first.min(center - reach), last.max(center + reach));
    }
    let start = first.ceil().max(low as f64);
    let end = (last.floor() + 1.0).min(high as f64);
    (start < end).then_some((start as usize, end as usize))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A star's trail of so many sigmas in segments of so many, px by px.
    fn trail(electrons: f64, sigma_px: f64, sigmas: f64, segment_sigmas: f64) -> Vec<f32> {
        const SIDE: usize = 24;
        let moments = path_moments((sigmas / segment_sigmas).ceil() as usize);
        let place = |fraction: f64| 11.3 + 0.8 * fraction * sigmas * sigma_px;
        let across = |fraction: f64| 11.6 + 0.6 * fraction * sigmas * sigma_px;
        let nodes: Vec<Node> = moments
            .iter()
            .map(|&(at, weight)| (place(at), across(at), sigma_px, weight))
            .collect();
        let mut planes = [0, 1, 2].map(|_| vec![0.0f32; SIDE * SIDE]);
        let mut strip = Strip {
            first_row: 0,
            width: SIDE,
            planes: planes.each_mut().map(|plane| plane.as_mut_slice()),
        };
        let electrons = [electrons; 3];
        add_star(&mut strip, &nodes, &[1], electrons, &mut Scratch::default());
        let [_, green, _] = planes;
        green
    }

    /// What trailing costs: a Gaussian of FWHM w drawn along a length L has this peak, and this
    /// signal to noise in a filter matched to it on bright sky, over those of a round star.
    #[test]
    fn trails_lose_peak_and_detection_as_closed_forms_say() {
        const DIGITS: f64 = 1e-4;
        for (length, peak, matched) in [
            (0.25, 0.9857, 0.9929),
            (0.5, 0.9451, 0.9726),
            (0.75, 0.8839, 0.9422),
            (1.0, 0.8100, 0.9055),
            (1.5, 0.6547, 0.8274),
            (2.0, 0.5224, 0.7566),
            (3.0, 0.3547, 0.6493),
            (5.0, 0.2129, 0.5217),
            (10.0, 0.1064, 0.3786),
        ] {
            let sigmas = 2.354_820_045_030_949 * length;
            let nodes = path_moments(f64::ceil(sigmas) as usize);
            let at = |(place, share): (f64, f64)| share * (-0.5 * (place * sigmas).powi(2)).exp();
            let found: f64 = nodes.iter().map(|&node| at(node)).sum();
            assert!((found - peak).abs() < DIGITS, "{length}: peak {found}");
            // Light squared: Gaussians at a distance d overlap by exp(-d^2 / 4).
            let pairs = nodes.iter().flat_map(|a| nodes.iter().map(move |b| (a, b)));
            let overlap = pairs.map(|(a, b)| {
                let apart = (a.0 - b.0) * sigmas;
                a.1 * b.1 * (-0.25 * apart * apart).exp()
            });
            let found = overlap.sum::<f64>().sqrt();
            assert!((found - matched).abs() < DIGITS, "{length}: {found}");
        }
    }

    #[test]
    fn a_faint_star_is_as_good_as_drawn_with_care() {
        for sigma_px in [0.6, 0.85, 1.5] {
            let (mut faint_e, step) = (1.0, 1.01);
            while is_faint([step * faint_e; 3], sigma_px) {
                faint_e *= step;
            }
            for sigmas in [1.9, 2.0, 3.7, 8.0] {
                let careful = trail(faint_e, sigma_px, sigmas, 0.25);
                let quick = trail(faint_e, sigma_px, sigmas, FAINT_SEGMENT_SIGMAS);
                let pixels = quick.iter().zip(&careful);
                let worst = pixels.fold(0.0f32, |worst, (a, b)| worst.max((a - b).abs()));
                let allowed = LOST_E as f32;
                assert!(worst < allowed, "{worst} e of {faint_e} e, {sigma_px} px");
            }
        }
    }
}
