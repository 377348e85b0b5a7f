//! The stars that all results show: brightness scales, widths, colors.

use crate::Measured;
use crate::compare::grid::{OnGrid, Patch};
use crate::compare::linearity::Linearity;
use crate::compare::middle;
use crate::compare::moments::pairs;
use crate::compare::register::Registered;
use crate::compare::types::{CompareError, Contender};
use align::Star;
use raw::Rect;

/// Fewest stars that make a brightness scale.
const FEWEST: usize = 8;
/// Stars measured, brightest first.
const MOST: usize = 300;
/// Fainter stars have no flux of their own in a result, in sigmas.
const CLEAR_SNR: f64 = 15.0;
const SIGMA_PER_MAD: f64 = 1.482_602_218_505_602;
/// Standard error of a median over that of a mean: root of π/2.
const MEDIAN_PRICE: f64 = 1.253_314_137;

/// Fluxes and shapes of the common stars.
pub(crate) struct Photometry {
    /// `[result][channel]`: flux over that in the grid's result.
    pub(crate) flux_scale: Vec<Vec<Measured>>,
    /// Median flux by channel, DN of the grid's result.
    pub(crate) typical_flux: Vec<f64>,
    /// Width by result, px of the grid.
    pub(crate) fwhm_px: Vec<Measured>,
    /// Slope of log flux against the grid's result, less 1.
    pub(crate) tone: Vec<Measured>,
    /// Whether it is in proportion to the grid's result; by the stars, as measured here.
    pub(crate) linear: Vec<Linearity>,
    pub(crate) n_stars: usize,
    /// `[star][result][channel]`: natural logarithms of the fluxes.
    log_flux: Vec<Vec<Vec<f64>>>,
}

impl Photometry {
    /// Flux in a result over that in the first.
    pub(crate) fn relative_scale(&self, k: usize, channel: usize) -> Measured {
        if k == 0 {
            return Measured {
                value: 1.0,
                error: 0.0,
            };
        }
        ratio(&self.log_flux, k, 0, channel)
    }

    /// Scatter of the color against G in a result, mag.
    ///
    /// Of two results only their common scatter is known, of more each has its own.
    pub(crate) fn color_error(&self, k: usize, channel: usize) -> Measured {
        const GREEN: usize = 1;
        let n = self.fwhm_px.len();
        if self.typical_flux.len() != 3 || channel == GREEN {
            return Measured::NONE;
        }
        let per_mag = 2.5 / std::f64::consts::LN_10;
        let color = |star: &[Vec<f64>], k: usize| per_mag * (star[k][channel] - star[k][GREEN]);
        let scatter = |a: usize, b: usize| {
            let differences = || self.log_flux.iter().map(|s| color(s, a) - color(s, b));
            spread(differences).powi(2)
        };
        let variance = match n {
            2 => 0.5 * scatter(0, 1),
            _ => {
                let others: Vec<usize> = (0..n).filter(|&other| other != k).collect();
                let hats = pairs(others.len()).map(|(a, b)| {
                    let (a, b) = (others[a], others[b]);
                    0.5 * (scatter(k, a) + scatter(k, b) - scatter(a, b))
                });
                let hats: Vec<f64> = hats.collect();
                hats.iter().sum::<f64>() / hats.len() as f64
            }
        };
        let value = variance.max(0.0).sqrt();
        // A robust sigma of n values is known to 1 / √(2 n · 0.37) (its efficiency).
        let error = value.max(0.1 * scatter(0, 1).sqrt()) / (0.74 * self.n_stars as f64).sqrt();
        Measured { value, error }
    }
}

fn spread<I: Iterator<Item = f64>>(values: impl Fn() -> I) -> f64 {
    let center = middle(values());
    SIGMA_PER_MAD * middle(values().map(|value| (value - center).abs()))
}

fn ratio(log_flux: &[Vec<Vec<f64>>], k: usize, over: usize, channel: usize) -> Measured {
    let logs = || {
        log_flux
            .iter()
            .map(|star| star[k][channel] - star[over][channel])
    };
    let value = middle(logs()).exp();
    let error = MEDIAN_PRICE * spread(logs) / (log_flux.len() as f64).sqrt();
    Measured {
        value,
        error: value * error,
    }
}

/// Measures the stars that all results show unsaturated.
pub(crate) fn measure_stars(
    contenders: &[Contender],
    registered: &Registered,
    grids: &[OnGrid],
    patch: &Patch,
) -> Result<Photometry, CompareError> {
    let n = contenders.len();
    let common = common_stars(registered, patch.bounds);
    let widths = |k: usize| {
        let place = &registered.places[k];
        common
            .iter()
            .map(move |star| place.stars[star.own[k]].fwhm_px / place.px_per_grid)
    };
    let fwhm_px: Vec<Measured> = (0..n)
        .map(|k| Measured {
            value: middle(widths(k)),
            error: MEDIAN_PRICE * spread(|| widths(k)) / (common.len().max(1) as f64).sqrt(),
        })
        .collect();
    let widest = fwhm_px.iter().map(|w| w.value).fold(2.0, f64::max);
    let aperture = Aperture::of(widest);
    let isolated = isolated(&common, aperture.sky_px.0 + 1.0);
    let n_channels = grids.first().map_or(1, OnGrid::n_channels);
    let log_flux: Vec<Vec<Vec<f64>>> = isolated
        .into_iter()
        .take(MOST)
        .filter_map(|star| {
            (0..n)
                .map(|k| {
                    (0..n_channels)
                        .map(|channel| aperture.flux(&grids[k], channel, star.place))
                        .map(|measured| {
                            let (flux, error) = measured?;
                            (flux > CLEAR_SNR * error).then(|| flux.ln())
                        })
                        .collect::<Option<Vec<f64>>>()
                })
                .collect::<Option<Vec<_>>>()
        })
        .collect();
    if log_flux.len() < FEWEST {
        let name = (0..n).find(|&k| k != registered.grid).unwrap_or(0);
        return Err(CompareError::FewStars {
            name: contenders[name].name.clone(),
            found: log_flux.len(),
            needed: FEWEST,
        });
    }
    let grid = registered.grid;
    let flux_scale = (0..n)
        .map(|k| {
            let of = |channel| match k == grid {
                true => Measured {
                    value: 1.0,
                    error: 0.0,
                },
                false => ratio(&log_flux, k, grid, channel),
            };
            (0..n_channels).map(of).collect()
        })
        .collect();
    let typical_flux = (0..n_channels)
        .map(|channel| middle(log_flux.iter().map(|star| star[grid][channel])).exp())
        .collect();
    let tone: Vec<Measured> = (0..n)
        .map(|k| tone(&log_flux, k, grid, n_channels))
        .collect();
    Ok(Photometry {
        flux_scale,
        typical_flux,
        fwhm_px,
        linear: tone.iter().map(|&tone| Linearity::of_stars(tone)).collect(),
        tone,
        n_stars: log_flux.len(),
        log_flux,
    })
}

/// A star of the grid that all results show.
struct Common {
    place: (f64, f64),
    /// Index in each result's list.
    own: Vec<usize>,
    /// Distance of the next star of at least so much of its flux, px.
    neighbor_px: [f64; N_SHARES],
}

/// A neighbor below this share of a star's flux does not matter; the later ones where
/// few stars are alone in so strict a sense.
const NEIGHBOR_SHARES: [f64; N_SHARES] = [0.01, 0.1, 0.3];
const N_SHARES: usize = 3;
/// Stars that suffice.
const ENOUGH: usize = 40;

/// Stars with no neighbor that matters within a radius, by the strictest rule that leaves
/// enough of them.
fn isolated(common: &[Common], radius_px: f64) -> Vec<&Common> {
    let alone = |rule: usize| -> Vec<&Common> {
        let stars = common.iter();
        stars
            .filter(|star| star.neighbor_px[rule] > radius_px)
            .collect()
    };
    let mut rules = (0..N_SHARES).map(alone);
    let strict = rules.next().unwrap_or_default();
    match strict.len() >= ENOUGH {
        true => strict,
        false => rules
            .find(|stars| stars.len() >= ENOUGH)
            .unwrap_or_else(|| alone(N_SHARES - 1)),
    }
}

/// Stars matched in all results and saturated in none, brightest first.
fn common_stars(registered: &Registered, bounds: Rect) -> Vec<Common> {
    let on_grid = &registered.places[registered.grid].stars;
    let partner: Vec<Vec<Option<usize>>> = registered
        .places
        .iter()
        .map(|place| {
            let mut own = vec![None; on_grid.len()];
            for &(a, b) in &place.pairs {
                own[a] = Some(b);
            }
            own
        })
        .collect();
    let neighbor = |star: &Star| {
        NEIGHBOR_SHARES.map(|share| {
            let others = on_grid
                .iter()
                .filter(|other| other.flux_dn > share * star.flux_dn);
            let distances = others.map(|other| (other.x - star.x).hypot(other.y - star.y));
            distances
                .filter(|&distance| distance > 0.0)
                .fold(f64::INFINITY, f64::min)
        })
    };
    let sound = |star: &Star| !star.saturated && star.flux_dn > 0.0 && star.fwhm_px > 0.0;
    on_grid
        .iter()
        .enumerate()
        .filter(|(_, star)| bounds.contains(star.x.max(0.0) as usize, star.y.max(0.0) as usize))
        .filter_map(|(i, star)| {
            let own = partner.iter().map(|own| own[i]);
            let own = own.collect::<Option<Vec<usize>>>()?;
            let all_sound = own
                .iter()
                .zip(&registered.places)
                .all(|(&i, place)| sound(&place.stars[i]));
            all_sound.then(|| Common {
                place: (star.x, star.y),
                own,
                neighbor_px: neighbor(star),
            })
        })
        .take(4 * MOST)
        .collect()
}

/// A round aperture and the ring that tells the sky.
struct Aperture {
    radius_px: f64,
    sky_px: (f64, f64),
}

impl Aperture {
    /// Three quarters of a Gaussian's FWHM would do for SNR; twice that keeps all but 2 %
    /// of the widest star, so that widths do not enter the flux ratios.
    fn of(fwhm_px: f64) -> Self {
        let radius_px = (1.5 * fwhm_px).max(4.0);
        Self {
            radius_px,
            sky_px: (radius_px + 2.0, radius_px + 8.0),
        }
    }

    /// Flux and its background error, own DN; `None` at the edge.
    fn flux(&self, grid: &OnGrid, channel: usize, (x, y): (f64, f64)) -> Option<(f64, f64)> {
        let reach = self.sky_px.1.ceil();
        let (left, top) = (x.round() - reach, y.round() - reach);
        if left < 0.0 || top < 0.0 {
            return None;
        }
        let side = 2 * reach as usize + 1;
        let area = Rect {
            x0: left as usize,
            y0: top as usize,
            x1: left as usize + side,
            y1: top as usize + side,
        };
        let values = grid.window(channel, area);
        if values.iter().any(|value| !value.is_finite()) {
            return None;
        }
        let distance = |i: usize| {
            let (dx, dy) = ((i % side) as f64 + left - x, (i / side) as f64 + top - y);
            dx.hypot(dy)
        };
        let ring = || {
            values
                .iter()
                .enumerate()
                .filter(|(i, _)| (self.sky_px.0..self.sky_px.1).contains(&distance(*i)))
                .map(|(_, &value)| f64::from(value))
        };
        let sky = middle(ring());
        let noise = spread(ring);
        let (mut flux, mut pixels) = (0.0, 0.0);
        for (i, &value) in values.iter().enumerate() {
            let share = (self.radius_px + 0.5 - distance(i)).clamp(0.0, 1.0);
            flux += share * (f64::from(value) - sky);
            pixels += share;
        }
        Some((flux, noise * pixels.sqrt()))
    }
}

/// Slope of one result's log flux against the grid's, less 1: a line through the stars
/// without those that are off by more than three robust sigmas.
fn tone(log_flux: &[Vec<Vec<f64>>], k: usize, grid: usize, n_channels: usize) -> Measured {
    if k == grid {
        return Measured {
            value: 0.0,
            error: 0.0,
        };
    }
    let channel = usize::from(n_channels == 3);
    let points: Vec<(f64, f64)> = log_flux
        .iter()
        .map(|star| {
            let (own, theirs) = (star[k][channel], star[grid][channel]);
            (theirs, own - theirs)
        })
        .collect();
    let mut kept = points.clone();
    let mut fitted = Measured::NONE;
    for _ in 0..3 {
        let Some((slope, offset, error)) = line(&kept) else {
            return Measured::NONE;
        };
        fitted = Measured {
            value: slope,
            error,
        };
        let off = |&(x, y): &(f64, f64)| y - offset - slope * x;
        let sigma = SIGMA_PER_MAD * middle(kept.iter().map(|point| off(point).abs()));
        kept = points
            .iter()
            .copied()
            .filter(|point| off(point).abs() <= 3.0 * sigma)
            .collect();
    }
    fitted
}

/// Slope, offset and the slope's standard error; `None` for too few points.
fn line(points: &[(f64, f64)]) -> Option<(f64, f64, f64)> {
    let n = points.len() as f64;
    if n < 4.0 {
        return None;
    }
    let mean = |of: &dyn Fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>() / n;
    let (mx, my) = (mean(&|p| p.0), mean(&|p| p.1));
    let sxx = mean(&|p| (p.0 - mx).powi(2));
    let sxy = mean(&|p| (p.0 - mx) * (p.1 - my));
    if sxx <= 0.0 {
        return None;
    }
    let slope = sxy / sxx;
    let rest = mean(&|p| (p.1 - my - slope * (p.0 - mx)).powi(2)) * n / (n - 2.0);
    Some((slope, my - slope * mx, (rest / (n * sxx)).sqrt()))
}
