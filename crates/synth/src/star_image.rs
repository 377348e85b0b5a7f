//! The image of a star: a Gaussian, spread along its path, gathered by square pixels.

/// A share of the exposure: where the star is, and which part of the light falls there.
pub(crate) type PathNode = (f64, f64, f64);

/// How far from its path a star's light is drawn, in sigmas; 6e-7 of it falls beyond.
pub(crate) const REACH_SIGMAS: f64 = 5.0;

/// Moments of the exposure, as fractions of it from its middle (-0.5 to 0.5), and
/// their weights: three-point Gauss-Legendre on each of `segments` equal parts.
///
/// With segments no longer than a sigma the trail is exact to a few parts in a million.
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

/// Share of a Gaussian's light in each of `out.len()` pixels from `first` on, along one
/// axis: the difference of two error functions.
pub(crate) fn pixel_integrals(center: f64, sigma: f64, first: i64, out: &mut Vec<f64>, n: usize) {
    let scale = std::f64::consts::FRAC_1_SQRT_2 / sigma;
    let edge = |i: usize| libm::erf((first as f64 + i as f64 - 0.5 - center) * scale);
    out.clear();
    let mut before = edge(0);
    for i in 1..=n {
        let after = edge(i);
        out.push(0.5 * (after - before));
        before = after;
    }
}

/// Buffers of [`add_star`], reused from star to star.
#[derive(Default)]
pub(crate) struct Scratch {
    along_x: Vec<f64>,
    along_y: Vec<f64>,
    shares: Vec<f64>,
}

/// Rows of the three planes, `first_row` and below.
pub(crate) struct Strip<'a> {
    pub first_row: usize,
    pub width: usize,
    pub planes: [&'a mut [f32]; 3],
}

/// Adds the part of a star's light that falls on a strip.
///
/// `electrons` is what the whole star gives in R, G and B; the weights of `path` add up to 1.
pub(crate) fn add_star(
    strip: &mut Strip<'_>,
    path: &[PathNode],
    sigma: f64,
    electrons: [f64; 3],
    scratch: &mut Scratch,
) {
    let reach = REACH_SIGMAS * sigma + 0.5;
    let n_rows = strip.planes[0].len() / strip.width;
    let (low, high) = (strip.first_row, strip.first_row + n_rows);
    let Some((x0, x1)) = covered(path.iter().map(|node| node.0), reach, 0, strip.width) else {
        return;
    };
    let Some((y0, y1)) = covered(path.iter().map(|node| node.1), reach, low, high) else {
        return;
    };
    let (n_x, n_y) = (x1 - x0, y1 - y0);
    scratch.shares.clear();
    scratch.shares.resize(n_x * n_y, 0.0);
    for &(x, y, weight) in path {
        pixel_integrals(x, sigma, x0 as i64, &mut scratch.along_x, n_x);
        pixel_integrals(y, sigma, y0 as i64, &mut scratch.along_y, n_y);
        for (row, &share_y) in scratch.shares.chunks_exact_mut(n_x).zip(&scratch.along_y) {
            for (share, &share_x) in row.iter_mut().zip(&scratch.along_x) {
                *share += weight * share_y * share_x;
            }
        }
    }
    for (plane, total) in strip.planes.iter_mut().zip(electrons) {
        for (i, shares) in scratch.shares.chunks_exact(n_x).enumerate() {
            let start = (y0 - low + i) * strip.width + x0;
            for (value, &share) in plane[start..start + n_x].iter_mut().zip(shares) {
                *value += (total * share) as f32;
            }
        }
    }
}

/// The pixels `low .. high` within `reach` of any position; `None` when there are none.
fn covered(
    positions: impl Iterator<Item = f64>,
    reach: f64,
    low: usize,
    high: usize,
) -> Option<(usize, usize)> {
    let (mut first, mut last) = (f64::INFINITY, f64::NEG_INFINITY);
    for position in positions {
        (first, last) = (first.min(position), last.max(position));
    }
    let start = (first - reach).ceil().max(low as f64);
    let end = ((last + reach).floor() + 1.0).min(high as f64);
    (start < end).then_some((start as usize, end as usize))
}
