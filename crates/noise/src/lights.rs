//! The single lights of a region: their noise one by one, and that of the typical one.

use stack::HalfSplit;

use crate::difference::DifferenceNoise;
use crate::observer::{LightNoise, MeasuredTile};
use crate::region_noise::{Excess, area, pixel};
use crate::robust::{Average, Scattered, average, median};

/// Noise of the typical light, and what all of them allow.
pub(crate) struct Lights {
    /// Area variance of the typical light, DN^2: the median over the lights, or their
    /// information mean where that is clearly less.
    pub area: f64,
    pub area_error: f64,
    /// Pixel variance by the same rule as `area`, DN^2.
    pub pixel: f64,
    pub pixel_error: f64,
    /// What is left of a nonlinear estimator's extra noise at area scale, 0 to 1.
    pub nonlinear_share: f64,
    /// Share of good samples that the stack rejected, of their variance, and the mean share
    /// of their own variance.
    pub clipped: f64,
    pub clipped_variance: f64,
    pub clipped_own_variance: f64,
    /// Gain that the lights' noise and weights allow over the square root of the Kish
    /// number.
    pub typical_over_mean: f64,
    /// What unequal transparency costs.
    pub cloud: Cloud,
    /// All lights in order, where every one was measured.
    all: Option<Vec<Light>>,
}

#[derive(Clone, Copy)]
struct Light {
    weight: f64,
    area: f64,
}

impl Lights {
    /// `transparency` of every light, or nothing.
    pub(crate) fn of(
        tiles: &[&MeasuredTile],
        n_lights: usize,
        transparency: &[f64],
    ) -> Option<Self> {
        let mut by_light: Vec<Vec<&LightNoise>> = vec![Vec::new(); n_lights];
        for light in tiles.iter().flat_map(|tile| &tile.lights) {
            by_light[light.index].push(light);
        }
        by_light.retain(|tiles| !tiles.is_empty());
        let of = |tiles: &[&LightNoise], scale: fn(&DifferenceNoise) -> Scattered| {
            average(
                &tiles
                    .iter()
                    .map(|tile| scale(&tile.noise))
                    .collect::<Vec<_>>(),
            )
        };
        let measured: Vec<(f64, Average, Average)> = by_light
            .iter()
            .filter_map(|tiles| Some((tiles[0].weight, of(tiles, area)?, of(tiles, pixel)?)))
            .collect();
        let n = measured.len();
        if n == 0 {
            return None;
        }
        let weights: Vec<f64> = measured.iter().map(|light| light.0).collect();
        let complete = n == n_lights;
        let own = |shown: Vec<f64>| {
            if complete {
                own_variances(&weights, shown)
            } else {
                shown
            }
        };
        let areas = own(measured.iter().map(|light| light.1.mean).collect());
        let pixels = own(measured.iter().map(|light| light.2.mean).collect());
        let mean_square = |error: &dyn Fn(&(f64, Average, Average)) -> f64| {
            measured.iter().map(|l| error(l).powi(2)).sum::<f64>() / n as f64
        };
        // Two lights have one difference; a median of more pays its price.
        let independent = if n_lights == 2 {
            1.0
        } else {
            n as f64 / std::f64::consts::FRAC_PI_2
        };
        let squares: f64 = weights.iter().map(|w| w * w).sum();
        let noise: f64 = weights
            .iter()
            .zip(&areas)
            .map(|(w, area)| w * w * area)
            .sum();
        let all = weights
            .iter()
            .zip(&areas)
            .map(|(&weight, &area)| Light { weight, area });
        let all: Option<Vec<Light>> = complete.then(|| all.collect());
        let mut typical_clearness = median(transparency.to_vec());
        let mut area_error = (mean_square(&|light| light.1.error) / independent).sqrt();
        let mut pixel_error = (mean_square(&|light| light.2.error) / independent).sqrt();
        let information = information_mean(&areas, measured.iter().map(|light| light.1));
        let pixel_information = information_mean(&pixels, measured.iter().map(|light| light.2));
        let (mut area, mut pixel) = (median(areas), median(pixels));
        // Which of both is the typical light is told by areas, and not always clearly.
        if let Some(of_pixels) = pixel_information {
            pixel_error = pixel_error.hypot(0.5 * (pixel - of_pixels.mean));
        }
        // Taking the lesser of two that differ by chance alone would be a bias.
        if let (Some(mean), Some(of_pixels)) = (information, pixel_information)
            && area - mean.mean > area_error
        {
            (area, area_error) = (mean.mean, mean.error);
            pixel_error = of_pixels.error.hypot(0.5 * (pixel - of_pixels.mean));
            pixel = of_pixels.mean;
            // The same mean of equal lights behind such clouds.
            let squares: f64 = transparency.iter().map(|t| t * t).sum();
            typical_clearness = (squares / transparency.len() as f64).sqrt();
        }
        let cloud = all.as_deref().and_then(|lights| {
            let clearness: Vec<f64> = transparency.iter().map(|t| t / typical_clearness).collect();
            Cloud::of(lights, &clearness)
        });
        let cubed = tiles
            .iter()
            .flat_map(|tile| &tile.lights)
            .map(|light| light.noise.cubed);
        let share = median(cubed.collect()) * pixel / area;
        let typical = (area * squares / noise).sqrt();
        Some(Self {
            area,
            area_error,
            pixel,
            pixel_error,
            nonlinear_share: if share.is_finite() {
                share.clamp(0.0, 1.0)
            } else {
                1.0
            },
            clipped: median(tiles.iter().map(|tile| tile.clipped).collect()),
            clipped_variance: median(tiles.iter().map(|tile| tile.clipped_variance).collect()),
            clipped_own_variance: median(
                tiles.iter().map(|tile| tile.clipped_own_variance).collect(),
            ),
            typical_over_mean: if typical.is_finite() { typical } else { 1.0 },
            cloud: cloud.unwrap_or(Cloud::NONE),
            all,
        })
    }

    /// Variance of the stack over the one that half differences show, from the lights'
    /// own noise: 1 for inverse-variance weights, and for halves of equal weight whatever
    /// the noise; other weights are no reason to be wrong.
    pub(crate) fn half_correction(&self, split_used: Excess) -> f64 {
        let Some(lights) = &self.all else {
            return 1.0;
        };
        let splits: &[HalfSplit] = match split_used {
            Excess::None => &[HalfSplit::OddEven, HalfSplit::FirstLast],
            Excess::OddEven => &[HalfSplit::OddEven],
            Excess::FirstLast => &[HalfSplit::FirstLast],
        };
        let sum = |member: &dyn Fn(usize) -> bool| -> (f64, f64) {
            let chosen = lights
                .iter()
                .enumerate()
                .filter(|&(i, _)| member(i))
                .map(|(_, l)| l);
            chosen.fold((0.0, 0.0), |(weight, noise), light| {
                (
                    weight + light.weight,
                    noise + light.weight * light.weight * light.area.max(0.0),
                )
            })
        };
        let (weight, noise) = sum(&|_| true);
        let shown: f64 = splits
            .iter()
            .map(|split| {
                let [(a, noise_a), (b, noise_b)] =
                    [false, true].map(|half| sum(&|i| split.is_second(i, lights.len()) == half));
                (noise_a / (a * a) + noise_b / (b * b)) * a * b / (weight * weight)
            })
            .sum::<f64>()
            / splits.len() as f64;
        let correction = noise / (weight * weight) / shown;
        if correction.is_finite() && correction > 0.0 {
            correction
        } else {
            1.0
        }
    }
}

/// What lights dimmer than the typical one cost, as factors of the gain.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Cloud {
    /// In all.
    pub price: f64,
    /// The part that shows in the Kish number: `sqrt(Kish N / Kish N at equal
    /// transparency)`.
    pub by_weights: f64,
}

impl Cloud {
    const NONE: Self = Self {
        price: 1.0,
        by_weights: 1.0,
    };

    /// `clearness`: the lights' transparencies over the typical one, c. Brought to the
    /// brightness of the others a light's noise grew by 1 / c, and its weight fell by c^2.
    /// `None` where a figure is missing.
    fn of(lights: &[Light], clearness: &[f64]) -> Option<Self> {
        if lights.len() != clearness.len() {
            return None;
        }
        let clear: Vec<Light> = lights
            .iter()
            .zip(clearness.iter().map(|c| c * c))
            .map(|(light, c2)| Light {
                weight: light.weight / c2,
                area: light.area * c2,
            })
            .collect();
        let gain2 = |lights: &[Light], area: fn(&Light) -> f64| {
            let weight: f64 = lights.iter().map(|light| light.weight).sum();
            let noise = lights.iter().map(|l| l.weight * l.weight * area(l));
            weight * weight / noise.sum::<f64>()
        };
        let price = |area: fn(&Light) -> f64| (gain2(lights, area) / gain2(&clear, area)).sqrt();
        let found = Self {
            price: price(|light| light.area),
            by_weights: price(|_| 1.0),
        };
        (found.price.is_finite() && found.price > 0.0 && found.by_weights > 0.0).then_some(found)
    }
}

/// `N / sum of 1 / v_i`: the variance of N equal lights that tell as much together as these.
///
/// No weights make a stack of less variance than `1 / sum of 1 / v_i`, so that measured by
/// this light it is never worth more than N. Scatter of a `v_i`, by `shown`, raises its
/// inverse by its relative variance, which is taken off. `None` where a `v_i` is not
/// positive.
fn information_mean(own: &[f64], shown: impl Iterator<Item = Average>) -> Option<Average> {
    let (mut sum, mut error) = (0.0, 0.0);
    for (&own, shown) in own.iter().zip(shown) {
        let relative = (shown.error / shown.mean).powi(2);
        let information = 1.0 / (own * (1.0 + relative));
        if !(own > 0.0 && information.is_finite()) {
            return None;
        }
        sum += information;
        error += information * information * relative;
    }
    let mean = own.len() as f64 / sum;
    Some(Average {
        mean,
        error: mean * error.sqrt() / sum,
    })
}

/// Rounds of the fixed point; each gains a factor of about N.
const ROUNDS: usize = 40;

/// The lights' own variances from those that their differences show.
///
/// A difference holds the light's own noise and that of the rest,
/// `shown_i = (v_i + sum over j of w_j^2 v_j / (W - w_i)^2) (W - w_i) / W`, where the
/// factor was taken off for inverse-variance weights, for which `v_i = shown_i`. For
/// other weights the equations are solved by iteration. Two lights have one difference:
/// nothing to solve.
fn own_variances(weights: &[f64], shown: Vec<f64>) -> Vec<f64> {
    if weights.len() < 3 {
        return shown;
    }
    let total: f64 = weights.iter().sum();
    let mut own = shown.clone();
    for _ in 0..ROUNDS {
        let noise: f64 = weights.iter().zip(&own).map(|(w, v)| w * w * v).sum();
        let next: Vec<f64> = (0..own.len())
            .map(|i| {
                let rest = total - weights[i];
                let others = (noise - weights[i] * weights[i] * own[i]) / (rest * rest);
                // Half a step: one dominating light would make a full one overshoot.
                0.5 * own[i] + 0.5 * (shown[i] * total / rest - others).max(0.0)
            })
            .collect();
        own = next;
    }
    if own.iter().all(|v| v.is_finite()) {
        own
    } else {
        shown
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(weights: &[f64], own: &[f64]) -> Vec<f64> {
        let total: f64 = weights.iter().sum();
        (0..own.len())
            .map(|i| {
                let rest = total - weights[i];
                let others: f64 = (0..own.len())
                    .filter(|&j| j != i)
                    .map(|j| weights[j] * weights[j] * own[j])
                    .sum();
                (own[i] + others / (rest * rest)) * rest / total
            })
            .collect()
    }

    #[test]
    fn own_variances_are_found_whatever_the_weights() {
        for (weights, own) in [
            (vec![1.0; 5], vec![4.0, 1.0, 1.0, 2.0, 9.0]),
            (vec![1.0, 8.0, 1.0, 1.0, 1.0, 1.0], vec![1.0; 6]),
            (vec![0.25, 1.0, 0.5, 1.0], vec![4.0, 1.0, 2.0, 1.0]),
        ] {
            let found = own_variances(&weights, shown(&weights, &own));
            for (found, own) in found.iter().zip(&own) {
                assert!((found / own - 1.0).abs() < 1e-6, "{found} {own}");
            }
        }
    }

    #[test]
    fn clouds_cost_what_their_lights_lack() {
        let light = |weight, area| Light { weight, area };
        // Two of four at half brightness: noise doubled, weight a quarter.
        let lights = [1.0, 1.0, 0.25, 0.25].map(|weight| light(weight, 1.0 / weight));
        let cloud = Cloud::of(&lights, &[1.0, 1.0, 0.5, 0.5]).expect("known");
        assert!((cloud.price - (2.5f64 / 4.0).sqrt()).abs() < 1e-12);
        let kish: f64 = 2.5 * 2.5 / 2.125;
        assert!((cloud.by_weights - (kish / 4.0).sqrt()).abs() < 1e-12);
        // As noisy for another reason, they owe nothing to clouds.
        assert_eq!(Cloud::of(&lights, &[1.0; 4]), Some(Cloud::NONE));
        assert_eq!(Cloud::of(&lights, &[]), None);
        assert_eq!(Cloud::of(&lights, &[1.0, 1.0, f64::NAN, 1.0]), None);
    }

    #[test]
    fn inverse_variance_weights_need_no_correction() {
        let own = vec![4.0, 1.0, 2.0, 1.0];
        let weights: Vec<f64> = own.iter().map(|v| 1.0 / v).collect();
        for (shown, own) in shown(&weights, &own).iter().zip(&own) {
            assert!((shown / own - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn information_adds_up_over_unequal_lights() {
        let known = |own: &[f64]| {
            let shown: Vec<Average> = own
                .iter()
                .map(|&mean| Average { mean, error: 0.0 })
                .collect();
            information_mean(own, shown.into_iter()).map(|found| found.mean)
        };
        // 1/4 + 1 + 1/2 + 1/4 of four lights.
        assert_eq!(known(&[4.0, 1.0, 2.0, 4.0]), Some(2.0));
        assert_eq!(known(&[3.0, 3.0, 3.0]), Some(3.0));
        assert_eq!(known(&[3.0, 0.0]), None);
        assert_eq!(known(&[3.0, f64::NAN]), None);
    }
}
