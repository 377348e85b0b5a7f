//! Places of stars on the mosaic itself: a fit to the photosites, each behind its own filter.
//!
//! The detection plane mixes colors that see a star at different sites. For sharp stars that
//! moves the centroid with the pixel phase by hundredths of a pixel, many times what the
//! noise of a bright star allows; the sites themselves know better.

use crate::Star;
use crate::neighbors::Neighbors;
use crate::stats::{SIGMA_PER_MAD, median};
use nalgebra::{SMatrix, SVector};
use ndarray::ArrayView2;
use raw::{Cfa, Channel};

/// Stars fainter than this gain nothing: their noise outweighs the phase.
const MIN_SNR: f64 = 7.0;
/// A fit that ends further from where it began is of something else, px.
const MAX_MOVE_PX: f64 = 0.7;
/// Sites further from the model than this are defects or neighbors, sigmas.
const OUTLIER_SIGMAS: f64 = 5.0;
/// What the shape of a star, trailed ones among them, may differ from a Gaussian, of its peak.
const MAX_MISFIT: f64 = 0.25;
/// Standard deviations of the star that are fitted, and the band around for the sky, px.
const REACH_SIGMAS: f64 = 3.0;
const MARGIN_PX: f64 = 2.0;
/// A neighbor of this share of the light within two widths makes a fit of one star wrong.
const MAX_NEIGHBOR_SHARE: f64 = 0.2;

/// x, y, and the inverse second moments a, b, c of `exp(−(a dx² + 2 b dx dy + c dy²) / 2)`.
const SHAPE: usize = 5;
type Vector = SVector<f64, SHAPE>;
type Matrix = SMatrix<f64, SHAPE, SHAPE>;

/// Moves stars to where a Gaussian of free shape, with an amplitude and a level of its own
/// for every color, fits the photosites best.
///
/// - `stars`: as [`detect`](crate::detect()) found them on the luminance of this mosaic.
/// - `mosaic`: DN above black, sky included; NaN is masked.
/// - `cfa`: its filters, phased to the first pixel.
///
/// Least squares weighed by the noise of the sky and that of the star's own photons; the
/// gain that this takes is the sky's level over its variance, which is right where the sky
/// makes the noise and too cautious elsewhere. The amplitudes and levels are linear and
/// solved for within (variable projection: Golub & Pereyra 1973, from memory).
///
/// Stars that are saturated, fainter than 7 sigmas (of their aperture), at the edge, or have a neighbor within
/// two widths of a fifth of their light stay where they are, and so does what a fit would move by more than
/// 0.7 px. On simulated Bayer frames the places that come of it scatter by 1.0 to 1.3 times the
/// Cramér-Rao bound; see `tests/stars.rs`.
pub fn refine_places(stars: &mut [Star], mosaic: ArrayView2<f32>, cfa: &Cfa) {
    let places: Vec<[f64; 2]> = stars.iter().map(|star| [star.x, star.y]).collect();
    let fluxes: Vec<f64> = stars.iter().map(|star| star.flux_dn).collect();
    let neighbors = Neighbors::new(&places);
    let skies = [0, 1, 2].map(|color| Sky::measure(mosaic, cfa, color));
    for (i, star) in stars.iter_mut().enumerate() {
        let fits = !star.saturated && star.snr >= MIN_SNR && star.fwhm_px > 0.0;
        if !fits {
            continue;
        }
        let near = neighbors.within(&places[i], 4.0 * star.fwhm_px + 2.0 * MARGIN_PX);
        let near: Vec<usize> = near.into_iter().filter(|&j| j != i).collect();
        let distance_px =
            |j: usize| (places[j][0] - places[i][0]).hypot(places[j][1] - places[i][1]);
        let disturbed = near.iter().any(|&j| {
            distance_px(j) < 2.0 * star.fwhm_px && fluxes[j] > MAX_NEIGHBOR_SHARE * fluxes[i]
        });
        if disturbed {
            continue;
        }
        let others: Vec<[f64; 2]> = near.iter().map(|&j| places[j]).collect();
        let sites = Site::around(star, &others, mosaic, cfa, &skies);
        if let Some((x, y)) = sites.and_then(|sites| fit(star, sites, &skies)) {
            (star.x, star.y) = (x, y);
        }
    }
}

/// Level and noise of one color over the frame.
#[derive(Clone, Copy)]
struct Sky {
    noise_dn2: f64,
    /// Photon noise variance of a DN of light, DN.
    photon_dn: f64,
}

impl Sky {
    fn measure(mosaic: ArrayView2<f32>, cfa: &Cfa, color: usize) -> Self {
        const SAMPLES: usize = 40_000;
        // An odd step meets all phases of an even pattern.
        let step = ((mosaic.len() as f64 / (3 * SAMPLES) as f64).sqrt() as usize) | 1;
        let (height, width) = mosaic.dim();
        let mut values: Vec<f32> = Vec::new();
        for row in (0..height).step_by(step) {
            let columns = (row / step % 2..width).step_by(step);
            let own = columns.filter(|&col| color_of(cfa, row, col) == color);
            values.extend(own.map(|col| mosaic[(row, col)]).filter(|v| v.is_finite()));
        }
        let level = median(&mut values).unwrap_or(0.0);
        let mut off: Vec<f32> = values.iter().map(|v| (v - level).abs()).collect();
        let noise = f64::from(median(&mut off).unwrap_or(0.0)) * SIGMA_PER_MAD;
        let noise_dn2 = noise * noise;
        let photon_dn = noise_dn2 / f64::from(level);
        Self {
            noise_dn2,
            photon_dn: if photon_dn.is_finite() {
                photon_dn.max(0.0)
            } else {
                0.0
            },
        }
    }
}

fn color_of(cfa: &Cfa, row: usize, col: usize) -> usize {
    match cfa.at(row, col) {
        Channel::R => 0,
        Channel::G | Channel::Mono => 1,
        Channel::B => 2,
    }
}

/// A photosite of a star.
#[derive(Clone, Copy)]
struct Site {
    x: f64,
    y: f64,
    color: usize,
    value: f64,
    weight: f64,
}

impl Site {
    /// The sites of a star that no other is nearer to; `None` at the edge, and without noise.
    fn around(
        star: &Star,
        others: &[[f64; 2]],
        mosaic: ArrayView2<f32>,
        cfa: &Cfa,
        skies: &[Sky; 3],
    ) -> Option<Vec<Self>> {
        let (height, width) = mosaic.dim();
        let [xx, xy, yy] = covariance(star);
        let reach = |variance: f64| REACH_SIGMAS * variance.sqrt() + MARGIN_PX;
        let (rx, ry) = (reach(xx), reach(yy));
        let (x0, y0) = ((star.x - rx).ceil(), (star.y - ry).ceil());
        let (x1, y1) = ((star.x + rx).floor(), (star.y + ry).floor());
        if x0 < 0.0 || y0 < 0.0 || x1 >= width as f64 || y1 >= height as f64 {
            return None;
        }
        let determinant = xx * yy - xy * xy;
        let mut sites = Vec::new();
        for row in y0 as usize..=y1 as usize {
            for col in x0 as usize..=x1 as usize {
                let (x, y) = (col as f64, row as f64);
                let (dx, dy) = (x - star.x, y - star.y);
                let squared = (yy * dx * dx - 2.0 * xy * dx * dy + xx * dy * dy) / determinant;
                let along = dx.hypot(dy) / squared.sqrt().max(f64::EPSILON);
                let own = others
                    .iter()
                    .all(|other| (x - other[0]).hypot(y - other[1]) > dx.hypot(dy));
                let value = mosaic[(row, col)];
                if !own || value.is_nan() || squared.sqrt() > REACH_SIGMAS + MARGIN_PX / along {
                    continue;
                }
                let color = color_of(cfa, row, col);
                sites.push(Self {
                    x,
                    y,
                    color,
                    value: f64::from(value),
                    weight: 1.0 / skies[color].noise_dn2,
                });
            }
        }
        sites
            .iter()
            .all(|site| site.weight.is_finite())
            .then_some(sites)
    }
}

/// Second moments of a star, the pixel's 1/12 included: xx, xy, yy, px².
fn covariance(star: &Star) -> [f64; 3] {
    const FWHM_PER_SIGMA: f64 = 2.354_820_045_030_949;
    const MIN_PX2: f64 = 0.15;
    let round = (star.fwhm_px / FWHM_PER_SIGMA).powi(2);
    let ratio = (1.0 - star.ellipticity).clamp(0.1, 1.0);
    let (major, minor) = ((round / ratio).max(MIN_PX2), (round * ratio).max(MIN_PX2));
    let (sin, cos) = star.position_angle_rad.sin_cos();
    [
        major * cos * cos + minor * sin * sin,
        (major - minor) * sin * cos,
        major * sin * sin + minor * cos * cos,
    ]
}

/// The place that fits best; `None` when nothing does.
fn fit(star: &Star, mut sites: Vec<Site>, skies: &[Sky; 3]) -> Option<(f64, f64)> {
    const ROUNDS: usize = 25;
    const CONVERGED_PX: f64 = 1e-4;
    const MIN_SITES: usize = 16;
    let [xx, xy, yy] = covariance(star);
    let determinant = xx * yy - xy * xy;
    let mut shape = Vector::from([
        star.x,
        star.y,
        yy / determinant,
        -xy / determinant,
        xx / determinant,
    ]);
    let mut damping = 1e-3;
    let mut state = State::at(&shape, &sites)?;
    let mut reweighed = 0;
    for _ in 0..ROUNDS {
        let mut normal = state.normal;
        (0..SHAPE).for_each(|k| normal[(k, k)] *= 1.0 + damping);
        let step = normal.cholesky()?.solve(&state.gradient);
        let next = shape + step;
        match State::at(&next, &sites) {
            Some(better) if better.squares <= state.squares => {
                (shape, state) = (next, better);
                damping *= 0.2;
            }
            _ => {
                damping *= 8.0;
                if damping > 1e6 {
                    return None;
                }
                continue;
            }
        }
        if step[0].hypot(step[1]) > CONVERGED_PX && reweighed > 0 {
            continue;
        }
        if reweighed == 2 {
            let moved = (shape[0] - star.x).hypot(shape[1] - star.y);
            return (moved <= MAX_MOVE_PX).then_some((shape[0], shape[1]));
        }
        // Weights of the star's own photons follow the model, never the noise itself.
        reweighed += 1;
        for site in &mut sites {
            let light = state.light(&shape, site);
            let sky = skies[site.color];
            let variance = sky.noise_dn2 + sky.photon_dn * light.max(0.0);
            let off = site.value - state.levels[site.color] - light;
            let tolerance =
                OUTLIER_SIGMAS * variance.sqrt() + MAX_MISFIT * state.amplitudes[site.color].abs();
            let outlier = reweighed == 2 && off.abs() > tolerance;
            site.weight = if outlier { 0.0 } else { 1.0 / variance };
        }
        if sites.iter().filter(|site| site.weight > 0.0).count() < MIN_SITES {
            return None;
        }
        state = State::at(&shape, &sites)?;
    }
    None
}

/// The fit at one shape, amplitudes and levels solved for.
struct State {
    squares: f64,
    normal: Matrix,
    gradient: Vector,
    amplitudes: [f64; 3],
    levels: [f64; 3],
}

impl State {
    fn at(shape: &Vector, sites: &[Site]) -> Option<Self> {
        let [_, _, a, b, c] = shape.data.0[0];
        if a <= 0.0 || a * c <= b * b {
            return None;
        }
        let mut state = Self {
            squares: 0.0,
            normal: Matrix::zeros(),
            gradient: Vector::zeros(),
            amplitudes: [0.0; 3],
            levels: [0.0; 3],
        };
        let profile: Vec<(f64, Vector)> = sites.iter().map(|site| gaussian(shape, site)).collect();
        for color in 0..3 {
            state.add_color(&profile, sites, color)?;
        }
        Some(state)
    }

    /// Solves for amplitude and level of a color and adds its share of the equations, the
    /// slopes made orthogonal to both.
    ///
    /// - `profile`: the Gaussian at every site.
    fn add_color(&mut self, profile: &[(f64, Vector)], sites: &[Site], color: usize) -> Option<()> {
        let own = || {
            let sites = sites.iter().zip(profile);
            sites.filter(|(site, _)| site.color == color && site.weight > 0.0)
        };
        let (mut w, mut wg, mut wgg, mut wv, mut wgv) = (0.0, 0.0, 0.0, 0.0, 0.0);
        let (mut w_slope, mut wg_slope) = (Vector::zeros(), Vector::zeros());
        for (site, &(g, slope)) in own() {
            w += site.weight;
            wg += site.weight * g;
            wgg += site.weight * g * g;
            wv += site.weight * site.value;
            wgv += site.weight * g * site.value;
            w_slope += slope * site.weight;
            wg_slope += slope * (site.weight * g);
        }
        if w == 0.0 {
            return Some(());
        }
        let determinant = w * wgg - wg * wg;
        if determinant <= 1e-9 * w * wgg {
            return None;
        }
        let solve = |of_1: f64, of_g: f64| {
            (
                (w * of_g - wg * of_1) / determinant,
                (wgg * of_1 - wg * of_g) / determinant,
            )
        };
        let (amplitude, level) = solve(wv, wgv);
        (self.amplitudes[color], self.levels[color]) = (amplitude, level);
        let amplitude_slope = (wg_slope * w - w_slope * wg) / determinant;
        let level_slope = (w_slope * wgg - wg_slope * wg) / determinant;
        for (site, &(g, slope)) in own() {
            let off = site.value - amplitude * g - level;
            let column = (slope - amplitude_slope * g - level_slope) * amplitude;
            self.squares += site.weight * off * off;
            self.normal += column * column.transpose() * site.weight;
            self.gradient += column * (site.weight * off);
        }
        Some(())
    }

    fn light(&self, shape: &Vector, site: &Site) -> f64 {
        self.amplitudes[site.color] * gaussian(shape, site).0
    }
}

/// The Gaussian at a site and its slopes by x, y, a, b, c.
fn gaussian(shape: &Vector, site: &Site) -> (f64, Vector) {
    let [x, y, a, b, c] = shape.data.0[0];
    let (dx, dy) = (site.x - x, site.y - y);
    let g = (-0.5 * (a * dx * dx + 2.0 * b * dx * dy + c * dy * dy)).exp();
    let slope = Vector::from([
        a * dx + b * dy,
        b * dx + c * dy,
        -0.5 * dx * dx,
        -dx * dy,
        -0.5 * dy * dy,
    ]);
    (g, slope * g)
}
