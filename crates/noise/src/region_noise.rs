//! One channel of one region: tiles joined, splits compared, gain and budget.

use stack::{HalfSplit, median_price};

use crate::budget::Budget;
use crate::difference::DifferenceNoise;
use crate::estimator::{
    Estimator, MOST_CLIPPED_MEASURED, clip_doubt, clip_half_correction, uneven_clip_price,
};
use crate::layers::TileLayers;
use crate::lights::Lights;
use crate::observer::{MeasuredTile, TileNoise};
use crate::pattern::PatternModel;
use crate::report::{ChannelNoise, Evidence, ReportContext};
use crate::robust::{Average, Scattered, average, median};
use crate::scales::{Reach, SingleNoise, StackNoise, deviation};
use crate::sensor_layer::SensorLayer;
use crate::subtracted::SubtractedHere;

/// Which split shows more noise than chance allows, over the whole picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Excess {
    /// Neither: both measure the same noise.
    None,
    /// Halves taken in time: something changes slowly, or a pattern moves slowly.
    FirstLast,
    /// Halves taken in turn: something alternates, or lights come in equal pairs.
    OddEven,
}

/// Differences of the splits beyond this many standard errors are real.
const SIGNIFICANT_OVERALL: f64 = 3.0;
/// The same for one region: there are many, and one of them by chance must not count.
const SIGNIFICANT_IN_REGION: f64 = 4.0;
/// Noise below this share of the level is f32 rounding, not noise.
const ROUNDING: f64 = 2e-6;
/// Up to this many lights every difference is the same difference.
const MOST_LIGHTS_ASSUMED: usize = 3;

/// What is known of the fixed pattern in a channel of the picture.
#[derive(Clone, Copy)]
pub(crate) struct PatternEvidence<'a> {
    /// The split that shows more.
    pub excess: Excess,
    /// What halves show of a pattern.
    pub model: Option<PatternModel>,
    /// The sensor's own layer, where the track tells it and halves do not.
    pub layer: Option<&'a SensorLayer>,
    /// What was estimated from the lights and taken off them.
    pub subtracted: Option<SubtractedHere<'a>>,
}

/// Share of the model's correction of a gain that is held for its standard error: real
/// patterns are not quite white nor lights of quite equal weight. A judgment, no source.
const DOUBT: f64 = 1.0 / 3.0;

/// Compares the splits over all tiles of a channel.
pub(crate) fn pooled_excess<'a>(tiles: impl Iterator<Item = &'a TileNoise>) -> Excess {
    let measured: Vec<&MeasuredTile> = tiles.filter_map(|tile| tile.measured.as_ref()).collect();
    // Tiles that only one split reaches would compare different places.
    let both: Vec<&MeasuredTile> = measured
        .into_iter()
        .filter(|tile| tile.halves.iter().all(Option::is_some))
        .collect();
    let [odd_even, first_last] = [0, 1].map(|split| split_average(&both, split, area));
    match (odd_even, first_last) {
        (Some(odd_even), Some(first_last)) => excess(
            odd_even,
            first_last,
            correlation(&both),
            SIGNIFICANT_OVERALL,
        ),
        _ => Excess::None,
    }
}

fn excess(odd_even: Average, first_last: Average, correlation: f64, limit: f64) -> Excess {
    let (a, b) = (odd_even.error, first_last.error);
    // Squares of differences correlated by r are correlated by r^2.
    let variance = a * a + b * b - 2.0 * correlation.powi(2) * a * b;
    let distance = first_last.mean - odd_even.mean;
    let sigma = variance.max(0.0).sqrt();
    // Equal splits (two lights) differ by rounding alone.
    let least = 1e-6 * odd_even.mean.abs().max(first_last.mean.abs());
    if distance > limit * sigma + least {
        Excess::FirstLast
    } else if -distance > limit * sigma + least {
        Excess::OddEven
    } else {
        Excess::None
    }
}

/// The stack's area variance, DN^2, with its error, and how it divides.
struct StackVariance {
    total: Average,
    random: f64,
    pattern: f64,
    /// Variance of the pattern in a single light, and the part of it that light minus rest
    /// does not show.
    in_single: f64,
    unseen_in_singles: f64,
    /// Part of `total` that no half shows and the model adds.
    added: f64,
    /// Most that a pattern may do to the gain: nothing good, unless it was taken off the stack.
    most_of_pattern: f64,
    /// The split it rests on; `None` for both alike.
    excess: Excess,
}

impl StackVariance {
    fn of_one_split(total: Average, excess: Excess) -> Self {
        Self {
            total,
            random: total.mean,
            pattern: 0.0,
            in_single: 0.0,
            unseen_in_singles: 0.0,
            added: 0.0,
            most_of_pattern: 1.0,
            excess,
        }
    }
}

impl StackVariance {
    /// Factor of the gain that the pattern costs, where a light's area variance is `single`:
    /// it stands in the stack, and in the light that the stack is held against.
    fn price_of_pattern(&self, single: f64) -> f64 {
        let random_of_single = single - self.in_single;
        if self.random <= 0.0 || random_of_single <= 0.0 {
            return 1.0;
        }
        (self.random / self.total.mean * single / random_of_single)
            .min(self.most_of_pattern)
            .sqrt()
    }
}

fn join_splits(
    odd_even: Average,
    first_last: Average,
    correlation: f64,
    overall: Excess,
    model: Option<PatternModel>,
) -> StackVariance {
    let found = match overall {
        Excess::None => excess(odd_even, first_last, correlation, SIGNIFICANT_IN_REGION),
        found => found,
    };
    match found {
        // The split that the whole picture points to, not the larger one: choosing by
        // region would add the scatter as a bias.
        Excess::FirstLast => {
            let model = model.filter(|model| model.corrects(HalfSplit::FirstLast));
            with_pattern(first_last, odd_even, HalfSplit::FirstLast, model)
        }
        Excess::OddEven => match model.filter(|model| model.corrects(HalfSplit::OddEven)) {
            Some(model) => with_pattern(odd_even, first_last, HalfSplit::OddEven, Some(model)),
            None => StackVariance::of_one_split(odd_even, found),
        },
        Excess::None => {
            let total = both(odd_even, first_last, correlation);
            StackVariance {
                total,
                random: total.mean,
                pattern: 0.0,
                in_single: 0.0,
                unseen_in_singles: 0.0,
                added: 0.0,
                most_of_pattern: 1.0,
                excess: found,
            }
        }
    }
}

/// The mean of both splits, whose differences are correlated.
fn both(odd_even: Average, first_last: Average, correlation: f64) -> Average {
    let (a, b) = (odd_even.error, first_last.error);
    Average {
        mean: 0.5 * (odd_even.mean + first_last.mean),
        error: 0.5 * (a * a + b * b + 2.0 * correlation.powi(2) * a * b).sqrt(),
    }
}

/// The stack where `split` shows more of a pattern than the other one; by as much as it
/// does without a model.
fn with_pattern(
    more: Average,
    less: Average,
    split: HalfSplit,
    model: Option<PatternModel>,
) -> StackVariance {
    let shown = more.mean - less.mean;
    let hidden = model.and_then(|model| model.hidden(split)).unwrap_or(1.0);
    let in_light = model.map(|model| (model, model.pattern(split, shown)));
    let pattern = in_light.map_or(shown, |(model, pattern)| pattern * model.stack);
    let total = less.mean + hidden * shown;
    StackVariance {
        total: Average {
            mean: total,
            error: (hidden * more.error).hypot((1.0 - hidden) * less.error),
        },
        random: (total - pattern).min(total),
        pattern: pattern.max(0.0),
        added: total - more.mean,
        most_of_pattern: 1.0,
        in_single: in_light.map_or(0.0, |(_, pattern)| pattern.max(0.0)),
        unseen_in_singles: in_light.map_or(0.0, |(model, pattern)| pattern * (1.0 - model.single)),
        excess: match split {
            HalfSplit::OddEven => Excess::OddEven,
            HalfSplit::FirstLast => Excess::FirstLast,
        },
    }
}

/// The figures of one channel in one region; `None` without enough pixels.
pub(crate) fn channel_noise(
    tiles: &[&TileNoise],
    channel: usize,
    n_lights: usize,
    context: &ReportContext,
    evidence: PatternEvidence<'_>,
) -> Option<ChannelNoise> {
    let measured: Vec<&MeasuredTile> = tiles
        .iter()
        .filter_map(|tile| tile.measured.as_ref())
        .collect();
    let mut lights = Lights::of(&measured, n_lights, &context.transparency)?;
    let clipped = match context.estimator {
        Estimator::SigmaClip => lights.clipped,
        Estimator::Mean | Estimator::Median => 0.0,
    };
    if clipped > MOST_CLIPPED_MEASURED {
        return None;
    }
    let coverage = RegionCoverage::of(&measured)?;
    let sky_dn = median(measured.iter().map(|tile| tile.sky_dn).collect());
    let expected = coverage.inverse_kish.sqrt().recip();

    if let Some(subtracted) = &evidence.subtracted {
        lights.area *= subtracted.single();
        lights.area_error *= subtracted.single();
    }
    let of_stack = |split: usize, scale| {
        let unit = split_average(&measured, split, scale)?;
        Some(Average {
            mean: coverage.inverse_weight * unit.mean,
            error: coverage.inverse_weight * unit.error,
        })
    };
    let of_area = |split: HalfSplit| {
        let shown = of_stack(usize::from(split == HalfSplit::FirstLast), area)?;
        Some(match &evidence.subtracted {
            Some(subtracted) => subtracted.noise_of(shown, split),
            None => shown,
        })
    };
    let [in_turn, in_time] = [HalfSplit::OddEven, HalfSplit::FirstLast].map(of_area);
    let mut stack = match (in_turn, in_time) {
        (Some(in_turn), Some(in_time)) => {
            // Where the layer is known, halves do not have to tell it.
            let model = evidence.model.filter(|_| evidence.layer.is_none());
            join_splits(
                in_turn,
                in_time,
                correlation(&measured),
                evidence.excess,
                model,
            )
        }
        // Lights that do not reach here leave one of the halves empty.
        (Some(only), None) => StackVariance::of_one_split(only, Excess::OddEven),
        (None, Some(only)) => StackVariance::of_one_split(only, Excess::FirstLast),
        (None, None) => return None,
    };
    let of_pixels = {
        let [a, b] = [0, 1].map(|split| of_stack(split, pixel));
        match stack.excess {
            Excess::None => both(a?, b?, correlation(&measured)),
            Excess::FirstLast => b?,
            Excess::OddEven => a?,
        }
    };
    lights.area += stack.unseen_in_singles;
    let unpriced_total = stack.total.mean;
    let mut price = Price::of(context.estimator, &coverage, &lights);
    let weights = lights.half_correction(stack.excess);
    price.half_correction_area *= weights;
    price.half_correction_pixel *= weights;
    stack.total.mean *= price.half_correction_area;
    stack.total.error *= price.half_correction_area;
    stack.random *= price.half_correction_area;
    stack.pattern *= price.half_correction_area;
    let layered = evidence.layer.map(|layer| {
        let tiles: Vec<&TileLayers> = measured.iter().filter_map(|t| t.layers.as_ref()).collect();
        layer.apply(&tiles, stack.excess, lights.area, stack.total.mean)
    });
    if let Some(layered) = &layered {
        lights.area += layered.unseen_in_singles;
        stack.total.mean += layered.added;
        stack.pattern = layered.pattern.max(0.0);
        stack.in_single = layered.in_single.max(0.0);
        stack.random = (stack.total.mean - stack.pattern).max(0.0);
    }
    let left = evidence
        .subtracted
        .map_or(0.0, |subtracted| subtracted.left());
    if left > 0.0 {
        stack.total.mean += left;
        stack.pattern = left;
    }
    if let Some(recorded) = evidence.subtracted.and_then(|of| of.recorded()) {
        stack.in_single = (recorded.area.powi(2) - lights.area).max(0.0);
        stack.most_of_pattern = f64::INFINITY;
        lights.area_error *= recorded.area.powi(2) / lights.area;
        lights.pixel_error *= recorded.pixel.powi(2) / lights.pixel;
        (lights.area, lights.pixel) = (recorded.area.powi(2), recorded.pixel.powi(2));
    }
    let stack_pixel = of_pixels.mean * price.half_correction_pixel;

    let floor = (ROUNDING * sky_dn).powi(2);
    let copies = lights.pixel <= floor && stack_pixel <= floor;
    if !copies && (lights.area <= 0.0 || stack.total.mean <= 0.0 || stack_pixel <= 0.0) {
        return None;
    }
    let (gain_area, gain_pixel) = if copies {
        (1.0, 1.0)
    } else {
        (
            (lights.area / stack.total.mean).sqrt(),
            (lights.pixel / stack_pixel).sqrt(),
        )
    };
    // The price of the estimator is the same with and without the correction.
    let shown = (1.0 - stack.added / unpriced_total).max(f64::MIN_POSITIVE);
    let seen_in_singles = (1.0 - stack.unseen_in_singles / lights.area).max(0.0);
    let layer_error = layered.as_ref().map_or(0.0, |layered| layered.gain_error);
    let correction_error = if copies {
        0.0
    } else {
        let doubt = DOUBT * ((seen_in_singles / shown).sqrt() - 1.0).abs();
        // What is left of a pattern is known as well as the pattern was.
        let of_left = DOUBT * 0.5 * left / stack.total.mean;
        gain_area
            * layered
                .as_ref()
                .map_or(doubt, |layered| layered.gain_doubt)
                .hypot(of_left)
                .hypot(clip_doubt(clipped))
    };
    let halves = stack.total.error / stack.total.mean;
    let halves_pixel = of_pixels.error / of_pixels.mean;
    // Relative, of a gain.
    let of_ratio = |single: f64, halves: f64| {
        // A variance's relative error is twice the gain's. Every half difference is made of
        // the differences that the single lights are measured by: what they share,
        // 1 / N of its variance, cancels in the ratio.
        let (single, halves) = (single.powi(2), halves.powi(2));
        let splits = if stack.excess == Excess::None {
            2.0
        } else {
            1.0
        };
        let shared = splits * halves * coverage.inverse_kish;
        let variance = (single + halves - 2.0 * shared).max(0.5 * halves);
        0.5 * variance.sqrt()
    };
    let (evidence, error) = if copies {
        (Evidence::Copies, 0.0)
    } else if n_lights <= MOST_LIGHTS_ASSUMED {
        (Evidence::Assumed, (gain_area - 1.0).abs())
    } else {
        let random = of_ratio(lights.area_error / lights.area, halves).hypot(layer_error);
        (
            Evidence::Measured,
            (gain_area * random).hypot(correction_error),
        )
    };
    let pixels: usize = measured.iter().map(|tile| tile.coverage.pixels).sum();
    let block_px = tiles.first().map_or(1, |tile| tile.block_px);
    let blocks = pixels as f64 / (block_px * block_px) as f64;
    // What a noise realized in so many blocks or pixels, a quarter of which is independent,
    // happens to be.
    let (luck, luck_pixel) = ((2.0 * blocks).sqrt().recip(), (2.0 / pixels as f64).sqrt());
    // An error that reaches down to no gain covers the rest.
    let (realized_error, gain_pixel_error) = match evidence {
        Evidence::Measured => {
            let own = of_ratio(lights.pixel_error / lights.pixel, halves_pixel);
            (
                error.hypot(gain_area * luck),
                gain_pixel * own.hypot(luck_pixel),
            )
        }
        Evidence::Assumed => (error, (gain_pixel - 1.0).abs()),
        Evidence::Copies => (error, 0.0),
    };
    let reach = Reach::of(lights.area, lights.pixel, block_px);
    let own = reach.excess * lights.area_error / lights.area;
    let (single_area, single_area_error) = deviation(lights.area, own.hypot(reach.area));
    let own = lights.pixel_error / lights.pixel;
    let (single_pixel, single_pixel_error) = deviation(lights.pixel, own.hypot(reach.pixel));
    let reach = Reach::of(stack.total.mean, stack_pixel, block_px);
    let doubts = luck.hypot(layer_error).hypot(correction_error / gain_area);
    let own = halves.hypot(2.0 * doubts);
    let (stack_area, stack_area_error) = deviation(stack.total.mean, own.hypot(reach.area));
    let own = halves_pixel.hypot(2.0 * luck_pixel);
    let (stack_pixel_dn, stack_pixel_error) = deviation(stack_pixel, own.hypot(reach.pixel));
    let n = n_lights as f64;
    let mut budget = Budget {
        coverage: (1.0 / (coverage.inverse_lights * n)).sqrt(),
        unequal_weights: (coverage.inverse_lights / coverage.inverse_kish).sqrt()
            / lights.cloud.by_weights,
        unequal_lights: lights.typical_over_mean * lights.cloud.by_weights / lights.cloud.price,
        transparency: lights.cloud.price,
        rejected_samples: (1.0 - coverage.rejected).sqrt(),
        estimator: price.estimator,
        pattern: if copies {
            1.0
        } else {
            stack.price_of_pattern(lights.area)
        },
        unexplained: 1.0,
        borrowed: if copies {
            1.0
        } else {
            (stack_pixel / stack.total.mean).sqrt()
        },
    };
    budget.unexplained = gain_area / (n.sqrt() * budget.explained());
    Some(ChannelNoise {
        channel,
        single: SingleNoise {
            area: single_area,
            area_error: single_area_error,
            pixel: single_pixel,
            pixel_error: single_pixel_error,
        },
        stack: StackNoise {
            area: stack_area,
            area_error: stack_area_error,
            pixel: stack_pixel_dn,
            pixel_error: stack_pixel_error,
            random: stack.random.max(0.0).sqrt(),
            pattern: stack.pattern.sqrt(),
        },
        sky_dn,
        gain_area,
        gain_pixel,
        gain_pixel_error,
        expected,
        effective_frames: gain_area * gain_area,
        error,
        correction_error,
        realized_error,
        efficiency: gain_area * gain_area / n,
        budget,
        evidence,
        pixels,
    })
}

pub(crate) fn area(noise: &DifferenceNoise) -> Scattered {
    Scattered {
        value: noise.area,
        relative_variance: noise.area_scatter,
    }
}

pub(crate) fn pixel(noise: &DifferenceNoise) -> Scattered {
    Scattered {
        value: noise.pixel,
        // Resampled neighbors are alike: about a quarter of the pixels are independent.
        relative_variance: 8.0 / noise.pixels as f64,
    }
}

fn split_average(
    tiles: &[&MeasuredTile],
    split: usize,
    scale: fn(&DifferenceNoise) -> Scattered,
) -> Option<Average> {
    let values: Vec<Scattered> = tiles
        .iter()
        .filter_map(|tile| tile.halves[split].as_ref().map(scale))
        .collect();
    average(&values)
}

fn correlation(tiles: &[&MeasuredTile]) -> f64 {
    tiles.first().map_or(1.0, |tile| tile.split_correlation)
}

/// Coverage of a region: that of its tiles, by pixels.
struct RegionCoverage {
    inverse_lights: f64,
    inverse_kish: f64,
    inverse_weight: f64,
    rejected: f64,
}

impl RegionCoverage {
    fn of(tiles: &[&MeasuredTile]) -> Option<Self> {
        let pixels: f64 = tiles.iter().map(|tile| tile.coverage.pixels as f64).sum();
        if pixels <= 0.0 {
            return None;
        }
        let mean = |of: fn(&MeasuredTile) -> f64| {
            tiles
                .iter()
                .map(|tile| tile.coverage.pixels as f64 * of(tile))
                .sum::<f64>()
                / pixels
        };
        Some(Self {
            inverse_lights: mean(|tile| tile.coverage.inverse_lights),
            inverse_kish: mean(|tile| tile.coverage.inverse_kish),
            inverse_weight: mean(|tile| tile.coverage.inverse_weight),
            rejected: mean(|tile| tile.coverage.rejected),
        })
    }
}

/// What the estimator costs, and how its halves differ from it.
struct Price {
    /// Factor of the gain that the estimator costs beyond the samples it rejected.
    estimator: f64,
    /// Variance of the stack over the one that half differences show.
    half_correction_area: f64,
    half_correction_pixel: f64,
}

impl Price {
    fn of(estimator: Estimator, coverage: &RegionCoverage, lights: &Lights) -> Self {
        // Of an estimator's variance one part is linear in the samples and correlated as
        // they are; the extra part follows the cube of the correlation and so is a
        // smaller share of the area variance.
        let at_area = |price: f64| 1.0 + (price - 1.0) * lights.nonlinear_share;
        match estimator {
            Estimator::Mean => Self {
                estimator: 1.0,
                half_correction_area: 1.0,
                half_correction_pixel: 1.0,
            },
            Estimator::SigmaClip => {
                let clipped = lights.clipped;
                let own = lights.clipped_own_variance;
                let correction = clip_half_correction(clipped, own);
                let price = at_area(uneven_clip_price(lights.clipped_variance, own));
                Self {
                    estimator: (price * (1.0 - clipped)).sqrt().recip(),
                    half_correction_area: correction,
                    half_correction_pixel: correction,
                }
            }
            Estimator::Median => {
                let n = (1.0 / coverage.inverse_lights).round().max(1.0) as usize;
                Self {
                    estimator: at_area(median_price(n)).sqrt().recip(),
                    half_correction_area: median_half_correction(n, at_area),
                    half_correction_pixel: median_half_correction(n, |price| price),
                }
            }
        }
    }
}

/// Variance of a median of n over the one that its half medians' scaled difference shows.
fn median_half_correction(n: usize, at_scale: impl Fn(f64) -> f64) -> f64 {
    let (first, second) = (n.div_ceil(2).max(1), (n / 2).max(1));
    let total = (first + second) as f64;
    let price = |n: usize| at_scale(median_price(n));
    let (a, b) = (first as f64, second as f64);
    let shown = (price(first) / a + price(second) / b) * a * b / (total * total);
    price(n) / total / shown
}
