//! Tiles to figures: noise, gain and its error by region and channel, and in all.

use crate::shares::{clipped_share, saturated_share};
use stack::{HalfSplit, median_price};

use crate::budget::Budget;
use crate::error::NoiseError;
use crate::estimator::Estimator;
use crate::growth::{GrowthCurve, StackPoint};
use crate::layer_fit::Term;
use crate::motion::Motion;
use crate::observer::TileNoise;
use crate::pattern::{self, Headline, PatternBasis, PatternModel, PatternSummary};
use crate::pattern_prior::PatternPrior;
use crate::region::Region;
use crate::region_noise::{Excess, PatternEvidence, channel_noise, pooled_excess};
use crate::scales::{SingleNoise, StackNoise};
use crate::sensor_layer::SensorLayer;
use crate::subtracted::SubtractedPattern;
use crate::track::SensorTrack;

/// What the tiles do not say themselves.
#[derive(Clone, Debug, PartialEq)]
pub struct ReportContext {
    /// Regions to report by, from [`regions`](crate::regions).
    pub regions: Vec<Region>,
    /// The picture's channels, in the tiles' order.
    pub channels: Vec<ChannelInfo>,
    /// How the stack was combined.
    pub estimator: Estimator,
    /// Where the field lies on the sensor, px: `positions_px[light][place]`, lights in
    /// capture order, each at the same places of the picture (one, or a lattice: a turning
    /// field moves at its edges and not in the middle). Only differences count; NaN where
    /// not known. `None` counts as too little drift to see a pattern.
    pub positions_px: Option<Vec<Vec<(f64, f64)>>>,
    /// Brightness of the stars in every light over that in the reference, by which its
    /// samples were divided, in capture order: for the budget. Empty where not known.
    pub transparency: Vec<f64>,
    /// The track that the observer had; `None` leaves the pattern to halves.
    pub track: Option<SensorTrack>,
    /// The pattern that was estimated from these very lights and taken off them, if one was;
    /// then it tells the pattern, and `track` nothing.
    pub subtracted: Option<SubtractedPattern>,
}

/// A channel of the picture.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelInfo {
    /// Its name in the report: R, G, B, or L for a single channel.
    pub name: String,
    /// Share of the sensor's photosites that record it: 1/4 for R and B of a mosaic,
    /// 1/2 for G, 1 without one.
    pub photosite_share: f64,
    /// What is known of its fixed pattern before measuring.
    pub pattern: PatternPrior,
}

/// What a gain rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Evidence {
    /// Halves against single lights.
    Measured,
    /// 2 or 3 lights: light against rest and half against half are the same differences,
    /// so the gain follows from the lights' being independent. The error reaches down
    /// to a gain of 1.
    Assumed,
    /// All lights are the same numbers: copies of one frame. The gain is 1.
    Copies,
}

/// Noise of one channel in one region.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChannelNoise {
    /// Index into [`ReportContext::channels`].
    pub channel: usize,
    /// Noise of the typical light used, resampled like the stack: of the lights'
    /// variances in this region the median, or the information mean `N / sum of 1 / v_i`
    /// where that is less by more than its error, as when most lights are cloudy. By it
    /// no stack is worth more than N lights but for the error.
    pub single: SingleNoise,
    /// Noise of the stack.
    pub stack: StackNoise,
    /// Level of the stack, DN: median over the tiles' medians.
    pub sky_dn: f64,
    /// `single.area / stack.area`: the true gain.
    pub gain_area: f64,
    /// `single.pixel / stack.pixel`: what the eye sees at 100 %.
    pub gain_pixel: f64,
    /// One standard error of `gain_pixel`, as `realized_error` is of `gain_area`; a pattern
    /// that no half shows is not in it.
    pub gain_pixel_error: f64,
    /// Square root of the Kish number of lights that reach the region.
    pub expected: f64,
    /// `gain_area^2`.
    pub effective_frames: f64,
    /// One standard error of `gain_area`, as an estimate of the gain to be expected of
    /// such lights; with `correction_error` in quadrature.
    pub error: f64,
    /// The part of `error`, alike in all regions, that doubts the pattern added because
    /// no half shows it: a third of what that takes off `gain_area`, less where the lights'
    /// track tells how strong it is. 0 where none was.
    pub correction_error: f64,
    /// The same against the gain that this very stack happens to have in this region:
    /// `error` and the scatter `1 / sqrt(2 n)` of a noise realized in n blocks, which no
    /// difference of lights can tell. To be used when `gain_area` is held against block
    /// means of known errors.
    pub realized_error: f64,
    /// `effective_frames` over the lights in the stack.
    pub efficiency: f64,
    /// Factors from `sqrt(N)` to `gain_area`.
    pub budget: Budget,
    /// What the gain rests on.
    pub evidence: Evidence,
    /// Pixels measured.
    pub pixels: usize,
}

/// Noise of one region.
#[derive(Clone, Debug, PartialEq)]
pub struct RegionNoise {
    /// Where.
    pub region: Region,
    /// By channel; without those that have too few unmasked pixels.
    pub channels: Vec<ChannelNoise>,
}

/// Noise of the whole picture: gains are those of the typical region, the median by pixels
/// measured, so that edges that few lights reach do not speak for the picture; over
/// channels their geometric mean.
#[derive(Clone, Debug, PartialEq)]
pub struct Summary {
    /// Lights in the stack.
    pub frames_used: usize,
    /// Square root of the Kish number of lights.
    pub expected_gain: f64,
    /// Gain at the scale of blocks.
    pub gain_area: f64,
    /// Gain at the scale of pixels.
    pub gain_pixel: f64,
    /// One standard error of `gain_pixel` ([`ChannelNoise::gain_pixel_error`]).
    pub gain_pixel_error: f64,
    /// `gain_area^2`.
    pub effective_frames: f64,
    /// `effective_frames / frames_used`.
    pub efficiency: f64,
    /// One standard error of `gain_area`, as an estimate of the gain to be expected.
    pub error: f64,
    /// The same against the gain that this very stack happens to have
    /// ([`ChannelNoise::realized_error`]).
    pub realized_error: f64,
    /// What is known of the fixed pattern.
    pub pattern: PatternSummary,
    /// What may be claimed.
    pub headline: Headline,
    /// `effective_frames` if the pattern were as strong as its upper bound.
    pub effective_frames_at_upper_bound: f64,
    /// What the gain rests on.
    pub evidence: Evidence,
    /// How the gain grows with the number of lights; `None` for fewer than 4.
    pub growth: Option<GrowthCurve>,
}

/// The measured noise of a stack.
#[derive(Clone, Debug, PartialEq)]
pub struct GainReport {
    /// By region, in the order asked for.
    pub regions: Vec<RegionNoise>,
    /// In all, over the channels that could be measured.
    pub summary: Summary,
    /// By channel, the share of the picture off stars that was not measured because a
    /// light saturates there, 0 to 1.
    pub saturated: Vec<f64>,
    /// By channel, the share of good samples that rejection took off the lights, 0 to 1; half
    /// of the tiles lost less.
    pub clipped: Vec<f64>,
}

impl GainReport {
    /// Makes the report of what [`NoiseObserver`](crate::NoiseObserver) saw.
    ///
    /// # Errors
    ///
    /// [`NoiseError`]: fewer than two lights, a channel not described, positions of
    /// another number of lights, or nowhere enough pixels.
    pub fn from_tiles(tiles: &[TileNoise], context: &ReportContext) -> Result<Self, NoiseError> {
        let n_lights = tiles
            .iter()
            .map(|tile| tile.lights_in_stack)
            .max()
            .unwrap_or(0);
        if n_lights < 2 {
            return Err(NoiseError::TooFewLights { found: n_lights });
        }
        let n_channels = context.channels.len();
        if let Some(tile) = tiles.iter().find(|tile| tile.channel >= n_channels) {
            return Err(NoiseError::UnknownChannel {
                found: tile.channel,
                needed: n_channels,
            });
        }
        let excess: Vec<Excess> = (0..n_channels)
            .map(|channel| pooled_excess(tiles.iter().filter(|tile| tile.channel == channel)))
            .collect();
        let block_px = tiles.first().map_or(1, |tile| tile.block_px);
        let positions_px = context.positions_px.as_deref();
        if let Some(positions_px) = positions_px.filter(|given| given.len() != n_lights) {
            return Err(NoiseError::OtherPositions {
                found: positions_px.len(),
                needed: n_lights,
            });
        }
        let drift_px = positions_px.map(pattern::extent_px);
        let model = positions_px
            .filter(|_| drift_px.is_some_and(|px| pattern::shows_at_all(px, n_lights)))
            .map(|positions_px| PatternModel::of_positions(positions_px, block_px));
        let trusted = model.is_some_and(|model| model.is_trusted());
        let layers: Vec<Option<SensorLayer>> = match &context.track {
            Some(track) if !trusted && context.subtracted.is_none() => {
                SensorLayer::by_channel(tiles, n_channels, track, block_px)
            }
            _ => (0..n_channels).map(|_| None).collect(),
        };
        // What one channel shows and another does not may be stars as well.
        let all_seen = layers.iter().flatten().all(SensorLayer::is_seen);
        let regions: Vec<RegionNoise> = context
            .regions
            .iter()
            .map(|&region| RegionNoise {
                region,
                channels: (0..n_channels)
                    .filter_map(|channel| {
                        let inside: Vec<&TileNoise> = tiles
                            .iter()
                            .filter(|tile| tile.channel == channel && region.holds(tile.area))
                            .collect();
                        let subtracted = context.subtracted.as_ref();
                        let evidence = PatternEvidence {
                            excess: match subtracted {
                                // Each of the splits is brought back by factors of its own.
                                Some(_) => Excess::None,
                                None => excess[channel],
                            },
                            model: model.filter(|_| subtracted.is_none()),
                            layer: layers[channel].as_ref().filter(|_| all_seen),
                            subtracted: subtracted.map(|of| of.in_region(&region, channel)),
                        };
                        channel_noise(&inside, channel, n_lights, context, evidence)
                    })
                    .collect(),
            })
            .collect();
        let mut summary = summarize(&regions, n_lights, context, drift_px, model, &layers)
            .ok_or(NoiseError::NothingMeasured { tiles: tiles.len() })?;
        if let Some(motion) = positions_px.and_then(|at| Motion::of(at, block_px)) {
            let found = summary.pattern.fraction_of_variance;
            summary.pattern.direction_deg = Some(motion.direction_deg);
            summary.pattern.walking =
                motion.is_slow_drift && found.is_some_and(|share| share > LEAST_WALKING);
        }
        // How the gain grew before is not how it grows with a pattern that all lights told.
        if summary.evidence == Evidence::Measured && context.subtracted.is_none() {
            let whole = StackPoint {
                lights: n_lights,
                gain: summary.gain_area,
                error: summary.error,
                pattern: summary.pattern.fraction_of_variance,
                positions_px,
            };
            summary.growth = GrowthCurve::of(tiles, n_channels, block_px, &whole);
        }
        let saturated = (0..n_channels)
            .map(|channel| saturated_share(tiles, channel))
            .collect();
        let clipped = (0..n_channels)
            .map(|channel| clipped_share(tiles, channel))
            .collect();
        Ok(Self {
            regions,
            summary,
            saturated,
            clipped,
        })
    }
}

/// One channel of the whole picture, as variances.
struct ChannelSum {
    log_gain_area: f64,
    log_gain_pixel: f64,
    log_variance: f64,
    realized_variance: f64,
    /// The same of `gain_pixel`.
    pixel_variance: f64,
    /// Relative `correction_error`.
    doubt: f64,
    inverse_kish: f64,
    pattern: f64,
    bound: Bound,
}

/// The strongest pattern that the evidence allows.
#[derive(Clone, Copy)]
struct Bound {
    /// Share of the stack's area variance.
    share: f64,
    /// Squared gain if it were so.
    gain2: f64,
    basis: PatternBasis,
}

fn summarize(
    regions: &[RegionNoise],
    n_lights: usize,
    context: &ReportContext,
    drift_px: Option<f64>,
    model: Option<PatternModel>,
    layers: &[Option<SensorLayer>],
) -> Option<Summary> {
    let by_halves = model.is_some_and(|model| model.is_trusted());
    let subtracted = context.subtracted.as_ref();
    let measured = |channel: usize| {
        let mut cells = regions.iter().flat_map(|region| &region.channels);
        cells.any(|cell| cell.channel == channel)
    };
    let seen = |channel: usize| layers[channel].as_ref().is_some_and(SensorLayer::is_seen);
    let visible = match subtracted {
        Some(subtracted) => subtracted.summary.visible,
        None => by_halves || (0..layers.len()).all(|c| !measured(c) || seen(c)),
    };
    let sums: Vec<ChannelSum> = (0..context.channels.len())
        .filter_map(|channel| {
            let cells: Vec<&ChannelNoise> = regions
                .iter()
                .flat_map(|region| &region.channels)
                .filter(|cell| cell.channel == channel)
                .collect();
            sum_channel(&cells, model, layers[channel].as_ref(), context)
        })
        .collect();
    if sums.is_empty() {
        return None;
    }
    let n = sums.len() as f64;
    let mean = |of: &dyn Fn(&ChannelSum) -> f64| sums.iter().map(of).sum::<f64>() / n;
    let worst = sums
        .iter()
        .map(|sum| sum.bound)
        .max_by(|a, b| a.share.total_cmp(&b.share))?;
    let gain_area = mean(&|sum| sum.log_gain_area).exp();
    let gain_pixel = mean(&|sum| sum.log_gain_pixel).exp();
    let evidence = regions
        .iter()
        .flat_map(|region| &region.channels)
        .map(|cell| cell.evidence)
        .find(|&evidence| evidence != Evidence::Copies)
        .unwrap_or(Evidence::Copies);
    // The noise of the channels is independent; what they share is small against it.
    let error = match evidence {
        // The doubt about the pattern is common to all of them.
        Evidence::Measured => {
            let random = (mean(&|sum| sum.log_variance) / n).sqrt();
            gain_area * random.hypot(mean(&|sum| sum.doubt))
        }
        Evidence::Assumed => (gain_area - 1.0).abs(),
        Evidence::Copies => 0.0,
    };
    let told: Vec<&SensorLayer> = layers.iter().flatten().collect();
    let by_track = visible && !by_halves && !told.is_empty();
    let lines = |term: Term| {
        let sum: f64 = told.iter().map(|layer| layer.share_of(term)).sum();
        by_track.then(|| sum.max(0.0) / told.len() as f64)
    };
    let pattern = PatternSummary {
        visible,
        drift_px,
        fraction_of_variance: visible.then(|| mean(&|sum| sum.pattern)),
        columns: lines(Term::Columns),
        rows: lines(Term::Rows),
        direction_deg: None,
        walking: false,
        upper_bound: worst.share,
        basis: worst.basis,
    };
    let effective_frames = gain_area * gain_area;
    Some(Summary {
        frames_used: n_lights,
        expected_gain: mean(&|sum| sum.inverse_kish).sqrt().recip(),
        gain_area,
        gain_pixel,
        gain_pixel_error: match evidence {
            Evidence::Measured => gain_pixel * (mean(&|sum| sum.pixel_variance) / n).sqrt(),
            Evidence::Assumed => (gain_pixel - 1.0).abs(),
            Evidence::Copies => 0.0,
        },
        effective_frames,
        efficiency: effective_frames / n_lights as f64,
        error,
        realized_error: error.hypot(gain_area * (mean(&|sum| sum.realized_variance) / n).sqrt()),
        pattern,
        headline: if visible {
            Headline::RandomAndPattern
        } else {
            Headline::RandomNoiseOnly
        },
        effective_frames_at_upper_bound: mean(&|sum| sum.bound.gain2.ln()).exp(),
        evidence,
        growth: None,
    })
}

/// A pattern of a smaller share of the stack's variance makes no streaks worth a name.
const LEAST_WALKING: f64 = 0.02;
/// No bound says that all of the stack's variance is pattern.
const MOST_SHARE: f64 = 0.999;

/// The value that as much weight lies below as above.
fn weighted_median(mut values: Vec<(f64, f64)>) -> f64 {
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = 0.5 * values.iter().map(|(_, weight)| weight).sum::<f64>();
    let mut below = 0.0;
    for &(value, weight) in &values {
        below += weight;
        if below >= half {
            return value;
        }
    }
    f64::NAN
}

fn sum_channel(
    cells: &[&ChannelNoise],
    model: Option<PatternModel>,
    layer: Option<&SensorLayer>,
    context: &ReportContext,
) -> Option<ChannelSum> {
    let pixels: f64 = cells.iter().map(|cell| cell.pixels as f64).sum();
    if pixels <= 0.0 {
        return None;
    }
    let known = &context.channels[cells[0].channel];
    let copies = cells.iter().all(|cell| cell.evidence == Evidence::Copies);
    // Of shares, not a share of sums: a few noisy regions would make the sum.
    let typical = |of: &dyn Fn(&ChannelNoise) -> f64| {
        weighted_median(
            cells
                .iter()
                .map(|cell| (of(cell), cell.pixels as f64))
                .collect(),
        )
    };
    let inverse_kish = typical(&|cell| cell.expected.powi(-2));
    if copies {
        return Some(ChannelSum {
            log_gain_area: 0.0,
            log_gain_pixel: 0.0,
            log_variance: 0.0,
            realized_variance: 0.0,
            pixel_variance: 0.0,
            doubt: 0.0,
            inverse_kish,
            pattern: 0.0,
            bound: Bound {
                share: 1.0,
                gain2: 1.0,
                basis: known.pattern.basis,
            },
        });
    }
    // Which of the two peaks, of regions that all lights reach and of those at the edges,
    // the median of the gains falls on must not matter: held against what its lights allow,
    // a region is like the others.
    let over_expected =
        |gain: &dyn Fn(&ChannelNoise) -> f64| typical(&|cell| (gain(cell) / cell.expected).ln());
    let log_expected = -0.5 * inverse_kish.ln();
    let log_gain_area = log_expected + over_expected(&|cell| cell.gain_area);
    let gain2 = (2.0 * log_gain_area).exp();
    // Regions are independent: errors of their gains add up by their share.
    let log_variance = median_price(cells.len())
        * cells
            .iter()
            .map(|cell| {
                let random = cell.error.powi(2) - cell.correction_error.powi(2);
                (cell.pixels as f64 / pixels / cell.gain_area).powi(2) * random
            })
            .sum::<f64>();
    let doubt = typical(&|cell| cell.correction_error / cell.gain_area);
    let realized_variance = median_price(cells.len())
        * cells
            .iter()
            .map(|cell| {
                let scatter = cell.realized_error.powi(2) - cell.error.powi(2);
                (cell.pixels as f64 / pixels / cell.gain_area).powi(2) * scatter
            })
            .sum::<f64>();
    let pixel_variance = median_price(cells.len())
        * cells
            .iter()
            .map(|cell| {
                let own = cell.gain_pixel_error / cell.gain_pixel;
                (cell.pixels as f64 / pixels * own).powi(2)
            })
            .sum::<f64>();
    let pattern = typical(&|cell| (cell.stack.pattern / cell.stack.area).powi(2));
    // A share of variance scatters as the stack's variance does: twice the gain's.
    let pattern_error = 2.0 * log_variance.sqrt().hypot(doubt);
    let share = known.photosite_share;
    let unseen = |cell: &ChannelNoise| known.pattern.area_variance(cell.sky_dn, share);
    let by_drift = model.and_then(|model| {
        // A model not trusted to correct the gain still says how much may be hidden.
        let hidden = if model.is_trusted() {
            1.0
        } else {
            model.hidden(HalfSplit::FirstLast)?
        };
        // In units of the stack's variance.
        let most = hidden * (pattern + 2.0 * pattern_error).min(1.0);
        let total = (1.0 - pattern + most).max(1.0);
        Some(Bound {
            share: most / total,
            gain2: gain2 / total,
            basis: PatternBasis::Drift,
        })
    });
    // Of a pattern that moves, the stack hides but the part that its lights share.
    let (missed, standing) = model.map_or((1.0, 1.0), |model| (model.missed(), 1.0 - model.single));
    let in_stack = |cell: &ChannelNoise| missed * unseen(cell) / cell.stack.area.powi(2);
    let in_single = |cell: &ChannelNoise| standing * unseen(cell) / cell.single.area.powi(2);
    let by_prior = Bound {
        share: typical(&|cell| in_stack(cell) / (1.0 + in_stack(cell))),
        gain2: gain2 * typical(&|cell| (1.0 + in_single(cell)) / (1.0 + in_stack(cell))),
        basis: known.pattern.basis,
    };
    // The layer's own bound, over what it has already put into the gain.
    let by_layer = layer.map(|layer| {
        let more = if layer.is_seen() {
            2.0 * layer.share_error()
        } else {
            layer.most_share()
        };
        let part = if layer.is_seen() { pattern } else { 0.0 };
        let share = (part + more).clamp(0.0, MOST_SHARE);
        // Only the pattern grows: the rest of the stack's variance stays.
        let total = (1.0 - part) / (1.0 - share);
        Bound {
            share,
            gain2: gain2 * layer.single_grows(total) / total,
            basis: PatternBasis::Drift,
        }
    });
    let by_rest = context.subtracted.as_ref().map(|_| {
        let share = (pattern + 2.0 * pattern_error).min(MOST_SHARE);
        Bound {
            share,
            gain2: gain2 * (1.0 - share) / (1.0 - pattern),
            basis: PatternBasis::Drift,
        }
    });
    let bound = match (by_drift, model) {
        _ if by_rest.is_some() => by_rest?,
        (Some(by_drift), Some(model)) if model.is_trusted() => by_drift,
        _ => {
            let seen = layer.is_some_and(SensorLayer::is_seen);
            let others = [by_drift, by_layer].into_iter().flatten();
            let least = others.min_by(|a, b| a.share.total_cmp(&b.share));
            match (by_layer, least) {
                (Some(by_layer), _) if seen => by_layer,
                (_, Some(least)) if least.share < by_prior.share => least,
                _ => by_prior,
            }
        }
    };
    Some(ChannelSum {
        log_gain_area,
        log_gain_pixel: log_expected + over_expected(&|cell| cell.gain_pixel),
        log_variance,
        realized_variance,
        pixel_variance,
        doubt,
        inverse_kish,
        pattern,
        bound,
    })
}
