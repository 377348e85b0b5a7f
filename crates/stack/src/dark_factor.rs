//! How much stronger the dark signal of the lights is than that of the darks, by the warm
//! sites that both show.

use crate::evidence::robust_sigma;
use crate::{MasterDark, SensorLayout, StackError, StoredMosaic};
use raw::Rect;
use rayon::prelude::*;

/// Dark signal from which a site counts as warm, in noise of the master dark and in noise of a
/// single dark.
const WARM_SIGMAS: f32 = 10.0;
const WARM_OF_FRAME_SIGMAS: f32 = 1.5;
/// Most sites that are looked at: the warmest tell nearly all.
const MOST_SITES: usize = 2000;
/// Fewest sites that tell a factor.
const FEWEST_SITES: usize = 20;
/// Share of the range from black to white above which a site is taken for saturated.
const SATURATED: f32 = 0.8;
/// Residuals further out than so many robust sigmas are no dark signal: a star stood there, or
/// a site whose current does not keep step.
const OUTLIER_SIGMAS: f64 = 4.0;
/// Rounds of leaving them out.
const ROUNDS: usize = 10;

/// The dark signal of lights over that of darks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DarkFactor {
    /// The factor.
    pub value: f64,
    /// One standard error.
    pub error: f64,
    /// Warm sites that tell it.
    pub sites: usize,
}

/// What a warm site has more than its neighbors: in the darks, and in the lights.
#[derive(Clone, Copy)]
struct Warm {
    dark_dn: f64,
    light_dn: f64,
}

impl DarkFactor {
    /// Least squares of what warm sites have in the lights (median over them) beyond the median
    /// of their four neighbors of the same color, on what they have in the darks, bias taken
    /// off both. Nothing is assumed of exposures or temperatures.
    ///
    /// `None` where fewer than 20 sites are warm.
    ///
    /// # Errors
    ///
    /// When samples cannot be read back from the scratch file.
    pub fn measure(
        lights: &[&StoredMosaic],
        dark: &MasterDark,
        bias: &MasterDark,
        layout: &SensorLayout,
    ) -> Result<Option<Self>, StackError> {
        let sites = warm_sites(dark, bias, layout);
        if sites.len() < FEWEST_SITES || lights.is_empty() {
            return Ok(None);
        }
        let step = period(layout);
        let excess =
            |&(row, col, dark_dn): &(usize, usize, f32)| -> Result<Option<Warm>, StackError> {
                let window = Rect {
                    x0: col - step,
                    y0: row - step,
                    x1: col + step + 1,
                    y1: row + step + 1,
                };
                let mut values = Vec::with_capacity(lights.len());
                let mut recorded = Vec::new();
                for light in lights {
                    light.read_window(&window, &mut recorded)?;
                    let at = |r: usize, c: usize| {
                        let sample = recorded[(r - window.y0) * window.width() + c - window.x0];
                        f32::from(sample) - bias.level_dn[(r, c)] - light.black_offset_dn(r, c)
                    };
                    let own = at(row, col);
                    if own < SATURATED * layout.full_scale_dn(row, col) {
                        values.push(own - around(row, col, step, at));
                    }
                }
                let light_dn = align::median(&mut values);
                Ok(light_dn.map(|light_dn| Warm {
                    dark_dn: f64::from(dark_dn),
                    light_dn: f64::from(light_dn),
                }))
            };
        let warm: Result<Vec<Option<Warm>>, StackError> = sites.par_iter().map(excess).collect();
        Ok(fit(warm?.into_iter().flatten().collect()))
    }
}

/// Sites of the same color are apart by this, px.
fn period(layout: &SensorLayout) -> usize {
    match layout.cfa.channels().len() {
        1 => 1,
        _ => layout.cfa.width().max(layout.cfa.height()),
    }
}

/// Median of the four neighbors of the same color.
fn around(row: usize, col: usize, step: usize, at: impl Fn(usize, usize) -> f32) -> f32 {
    let mut four = [
        at(row - step, col),
        at(row + step, col),
        at(row, col - step),
        at(row, col + step),
    ];
    align::median(&mut four).expect("four")
}

/// The warmest sites, and their dark signal beyond their neighbors', DN.
fn warm_sites(
    dark: &MasterDark,
    bias: &MasterDark,
    layout: &SensorLayout,
) -> Vec<(usize, usize, f32)> {
    let step = period(layout);
    if layout.width <= 2 * step || layout.height <= 2 * step {
        return Vec::new();
    }
    let signal = |row: usize, col: usize| dark.level_dn[(row, col)] - bias.level_dn[(row, col)];
    let excess = |row: usize, col: usize| signal(row, col) - around(row, col, step, signal);
    let columns = || step..layout.width - step;
    let of_row = |row: usize| -> Vec<(usize, usize, f32)> {
        columns().map(|col| (row, col, excess(row, col))).collect()
    };
    let all: Vec<(usize, usize, f32)> = (step..layout.height - step)
        .into_par_iter()
        .flat_map_iter(of_row)
        .collect();
    let sigma_dn = robust_sigma(all.iter().map(|site| site.2));
    let least_dn = (WARM_SIGMAS * sigma_dn).max(WARM_OF_FRAME_SIGMAS * dark.noise_dn);
    let mut warm: Vec<_> = all
        .into_iter()
        .filter(|&(row, col, excess)| {
            let full_dn = SATURATED * layout.full_scale_dn(row, col);
            excess > least_dn && signal(row, col) < full_dn
        })
        .collect();
    warm.sort_by(|a, b| b.2.total_cmp(&a.2).then((a.0, a.1).cmp(&(b.0, b.1))));
    warm.truncate(MOST_SITES);
    warm
}

fn fit(mut sites: Vec<Warm>) -> Option<DarkFactor> {
    let slope = |sites: &[Warm]| {
        let (both, own) = sites.iter().fold((0.0, 0.0), |(both, own), site| {
            let weight = weight(site);
            let dark = weight * site.dark_dn;
            (both + dark * site.light_dn, own + dark * site.dark_dn)
        });
        (both / own, own)
    };
    // From the median of the ratios, which no star moves.
    let mut ratios: Vec<f64> = sites.iter().map(|s| s.light_dn / s.dark_dn).collect();
    let mut value = align::median(&mut ratios)?;
    for _ in 0..ROUNDS {
        let residual = |site: &Warm| (site.light_dn - value * site.dark_dn) * weight(site).sqrt();
        let mut sizes: Vec<f64> = sites.iter().map(|site| residual(site).abs()).collect();
        let limit = OUTLIER_SIGMAS * 1.4826 * align::median(&mut sizes)?;
        let near: Vec<Warm> = sites
            .iter()
            .filter(|s| residual(s).abs() <= limit)
            .copied()
            .collect();
        if near.len() < FEWEST_SITES {
            return None;
        }
        let done = near.len() == sites.len();
        sites = near;
        value = slope(&sites).0;
        if done {
            break;
        }
    }
    let (value, own) = slope(&sites);
    let squares: f64 = sites
        .iter()
        .map(|site| weight(site) * (site.light_dn - value * site.dark_dn).powi(2))
        .sum();
    let n = sites.len();
    Some(DarkFactor {
        value,
        error: (squares / (n as f64 - 1.0) / own).sqrt(),
        sites: n,
    })
}

/// Shot noise grows with the signal, so that every site tells as its signal.
fn weight(site: &Warm) -> f64 {
    1.0 / site.dark_dn.max(f64::MIN_POSITIVE)
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;
    use raw::{Cfa, SitePattern};

    const SIDE: usize = 100;

    fn layout() -> SensorLayout {
        SensorLayout {
            cfa: Cfa::bayer("RGGB").expect("a Bayer array"),
            black_level_dn: SitePattern::uniform(100.0),
            white_level_dn: SitePattern::uniform(16_000.0),
            width: SIDE,
            height: SIDE,
        }
    }

    /// Dark signal: one site in 25 is warm, by 50 to 500 DN; the rest has 3 to 5 DN.
    fn signal(row: usize, col: usize) -> f32 {
        let any = ((row * 7919 + col * 104_729) % 451) as f32;
        match (row % 5, col % 5) {
            (2, 2) => 50.0 + any,
            _ => 3.0 + any / 225.0,
        }
    }

    fn master(of: impl Fn(usize, usize) -> f32) -> MasterDark {
        MasterDark::given(Array2::from_shape_fn((SIDE, SIDE), |(row, col)| {
            of(row, col)
        }))
    }

    #[test]
    fn warm_sites_tell_the_factor_under_sky_and_stars() {
        let (bias, dark) = (
            master(|_, _| 100.0),
            master(|row, col| 100.0 + signal(row, col)),
        );
        let lights: Vec<StoredMosaic> = (0..5)
            .map(|i| {
                StoredMosaic::in_memory(Array2::from_shape_fn((SIDE, SIDE), |(row, col)| {
                    let star = match (row / 3 + i, col / 3) {
                        (9, 4) | (20, 17) | (26, 30) => 900.0,
                        _ => 0.0,
                    };
                    (100.0 + 400.0 + row as f32 + star + 1.7 * signal(row, col)).round() as u16
                }))
            })
            .collect();
        let lights: Vec<&StoredMosaic> = lights.iter().collect();
        let found = DarkFactor::measure(&lights, &dark, &bias, &layout());
        let found = found.expect("in memory").expect("warm sites");
        // Of some 390 sites rounded to a DN, of 275 DN: 1e-4.
        assert!((found.value - 1.7).abs() < 0.002, "{found:?}");
        assert!(found.error < 0.002 && found.sites > 300, "{found:?}");
    }

    #[test]
    fn a_cold_sensor_tells_none() {
        let (bias, dark) = (
            master(|_, _| 100.0),
            master(|row, col| 103.0 + (row * col % 3) as f32),
        );
        let light = StoredMosaic::in_memory(Array2::from_elem((SIDE, SIDE), 500));
        let found = DarkFactor::measure(&[&light], &dark, &bias, &layout());
        assert_eq!(found.expect("in memory"), None);
    }
}
