//! The noise that a known camera predicts for a sample, before any sample is looked at.

use crate::demosaic::Demosaic;
use crate::resample::{PHASES, Resampler};

/// Noise of a photosite of one channel by its level: σ² = floor + level / gain (EMVA 1288
/// Release 3.1, linear camera model, in DN).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChannelNoise {
    /// Gain, e⁻ per DN.
    pub gain_e_per_dn: f32,
    /// Variance of a sample without light, DN²: read noise, rounding and dark current.
    pub floor_dn2: f32,
}

/// Noise of a camera at one sensitivity setting, for each channel of the picture in turn;
/// a monochrome sensor has the first alone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CameraNoise(pub [ChannelNoise; 3]);

/// Predicted noise of one resampled sample by the level it should have, on the stack's
/// scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct SampleNoise {
    /// Variance a DN of level adds, DN.
    pub slope_dn: f32,
    /// Level at which the light shows black, DN.
    pub black_dn: f32,
    /// Variance without light, DN².
    pub floor_dn2: f32,
}

impl SampleNoise {
    /// Of a sample that `response` has been divided out of, whose light is multiplied by
    /// `scale` and shifted by `black_dn`, and in which `left` of a photosite's variance is
    /// left.
    pub fn new(
        photosite: &ChannelNoise,
        left: Shares,
        response: f32,
        scale: f32,
        black_dn: f32,
    ) -> Self {
        Self {
            slope_dn: scale * left.light / (photosite.gain_e_per_dn * response),
            black_dn,
            floor_dn2: scale * scale * left.floor * photosite.floor_dn2 / (response * response),
        }
    }

    /// Variance at a level of the stack, DN².
    pub fn variance_dn2(&self, level_dn: f64) -> f64 {
        let light_dn = (level_dn - f64::from(self.black_dn)).max(0.0);
        f64::from(self.floor_dn2) + f64::from(self.slope_dn) * light_dn
    }
}

/// What is left of the variance of a photosite of a sample's own color.
///
/// Photosites of other colors have a part in it where demosaicing compares colors. Their
/// noise without light is the same, that of their light is larger or smaller as they see more
/// or less of it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Shares {
    /// Of what light adds; the colors are taken to be those of something white.
    pub light: f32,
    /// Of what is there without light.
    pub floor: f32,
}

impl Shares {
    /// All of it.
    #[cfg(test)]
    pub const WHOLE: Self = Self {
        light: 1.0,
        floor: 1.0,
    };

    /// Of a photosite in which a share is left already.
    pub fn times(self, share: f32) -> Self {
        Self {
            light: share * self.light,
            floor: share * self.floor,
        }
    }
}

/// The share of a photosite's variance that demosaicing and resampling leave in a sample,
/// by channel, place in the color filter array, and phase between pixels.
///
/// A sample is a weighted sum of photosites, whose noise is independent: the share is the
/// sum of the squared weights, each times what its photosite's variance is over that of the
/// sample's color. 1 where nothing is interpolated, about a quarter for red between the red
/// sites of a Bayer array.
#[derive(Clone, Debug)]
pub(crate) struct NoiseFactors {
    period: (usize, usize),
    channels: usize,
    table: Vec<Shares>,
}

/// Phases between two pixels, each way; at half a step the variance is 3 % off at most.
const STEPS: usize = 16;
/// Both ends included.
const NODES: usize = STEPS + 1;
/// Pixels of a kernel, each way, and of a demosaicing kernel around each of them.
const TAPS: usize = 6;
const HALO: usize = 2;
const SIDE: usize = TAPS + 2 * HALO;

impl NoiseFactors {
    /// The shares that a demosaicer and a kernel leave.
    pub fn new(demosaic: &Demosaic, resampler: &Resampler) -> Self {
        let period = demosaic.period();
        let (width, height) = period;
        let channels = demosaic.channels();
        let mut table = Vec::with_capacity(channels * width * height * NODES * NODES);
        for channel in 0..channels {
            for site in 0..width * height {
                for node in 0..NODES * NODES {
                    let phase = |i: usize| i * PHASES / STEPS;
                    let weights = (
                        resampler.weights(phase(node % NODES)),
                        resampler.weights(phase(node / NODES)),
                    );
                    let place = (site / width, site % width);
                    table.push(squared_weights(demosaic, channel, place, weights));
                }
            }
        }
        Self {
            period,
            channels,
            table,
        }
    }

    /// The share of a channel over all places and phases, where most noise is that of light.
    pub fn mean_of_light(&self, channel: usize) -> f32 {
        let of_channel = self.table.len() / self.channels;
        let shares = &self.table[channel * of_channel..][..of_channel];
        shares.iter().map(|shares| shares.light).sum::<f32>() / of_channel as f32
    }

    /// The shares at a position of the frame, px.
    pub fn at(&self, channel: usize, x: f64, y: f64) -> Shares {
        let (width, height) = self.period;
        let split = |position: f64, period: usize| {
            // Rounding down by way of a whole number; floor and remainder are calls.
            let toward_zero = position as isize;
            let pixel = toward_zero.wrapping_sub(isize::from(position < toward_zero as f64));
            let node = ((position - pixel as f64) * STEPS as f64 + 0.5) as usize;
            let phase = match period.is_power_of_two() {
                true => pixel as usize & (period - 1),
                false => pixel.rem_euclid(period as isize) as usize,
            };
            (phase, node.min(STEPS))
        };
        let ((col, x_node), (row, y_node)) = (split(x, width), split(y, height));
        let site = (channel * height + row) * width + col;
        self.table[(site * NODES + y_node) * NODES + x_node]
    }
}

/// Sums of the squared weights of the photosites in a sample just after a site.
fn squared_weights(
    demosaic: &Demosaic,
    channel: usize,
    (row, col): (usize, usize),
    (across, down): (&[f32], &[f32]),
) -> Shares {
    let (width, height) = demosaic.period();
    let mut sites = [0.0_f32; SIDE * SIDE];
    for (dy, &wy) in down[..TAPS].iter().enumerate() {
        for (dx, &wx) in across[..TAPS].iter().enumerate() {
            // The kernel begins two pixels before the site; whole periods keep it positive.
            let at =
                |start: usize, step: usize, period: usize| (start + step + 2 * period - 2) % period;
            let taps = demosaic.taps(channel, at(row, dy, height), at(col, dx, width));
            for tap in taps {
                let r = (dy + HALO).wrapping_add_signed(tap.dy);
                let c = (dx + HALO).wrapping_add_signed(tap.dx);
                sites[r * SIDE + c] += wy * wx * tap.weight;
            }
        }
    }
    let mut sums = Shares::default();
    for (i, weight) in sites.iter().enumerate() {
        // The first one is two pixels, and a halo, before the site.
        let at = |start: usize, step: usize, period: usize| start + step + 4 * period - 2 - HALO;
        let (r, c) = (at(row, i / SIDE, height), at(col, i % SIDE, width));
        let squared = weight * weight;
        sums.floor += squared;
        sums.light += squared * demosaic.white_ratio(r, c, channel);
    }
    sums
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{DemosaicMethod, Kernel, RecordedWhite};
    use raw::Cfa;

    /// Of bilinear demosaicing, whatever is white.
    struct Bilinear(NoiseFactors);

    impl Bilinear {
        /// The one share that both are.
        fn at(&self, channel: usize, x: f64, y: f64) -> f32 {
            let left = self.0.at(channel, x, y);
            assert_eq!(left.light, left.floor);
            left.light
        }
    }

    fn factors(cfa: &Cfa, kernel: Kernel) -> Bilinear {
        let demosaic = Demosaic::new(cfa, DemosaicMethod::Bilinear).balanced(white());
        Bilinear(NoiseFactors::new(&demosaic, &Resampler::new(kernel)))
    }

    fn white() -> RecordedWhite {
        RecordedWhite::new([0.5, 1.0, 0.75]).expect("a white")
    }

    /// Of sums of squares of weights rounded to single precision.
    const ROUNDING: f32 = 1e-5;

    #[test]
    fn interpolation_leaves_the_variance_of_its_closed_forms() {
        let mono = factors(&Cfa::mono(), Kernel::Bilinear);
        assert_eq!(mono.at(0, 7.0, 3.0), 1.0);
        // ((1 − d)² + d²) each way.
        assert!((mono.at(0, 2.5, 3.0) - 0.5).abs() < ROUNDING);
        assert!((mono.at(0, 2.25, 3.5) - 0.625 * 0.5).abs() < ROUNDING);
        // The normalized Lanczos kernel at half a pixel, by quadrature of its definition.
        let mono = factors(&Cfa::mono(), Kernel::Lanczos3);
        assert!((mono.at(0, 2.5, 3.0) - 0.78577).abs() < ROUNDING);
    }

    #[test]
    fn bilinear_demosaicing_leaves_what_its_means_leave() {
        let bayer = factors(
            &Cfa::bayer("RGGB").expect("a Bayer array"),
            Kernel::Lanczos3,
        );
        // Red at red, between two, and between four; green at red is a mean of four.
        let red = [
            (0.0, 0.0, 1.0),
            (1.0, 0.0, 0.5),
            (0.0, 5.0, 0.5),
            (3.0, 1.0, 0.25),
        ];
        for (x, y, want) in red {
            assert!((bayer.at(0, x, y) - want).abs() < ROUNDING, "{x} {y}");
        }
        assert!((bayer.at(1, 0.0, 0.0) - 0.25).abs() < ROUNDING);
        assert!((bayer.at(1, 1.0, 0.0) - 1.0).abs() < ROUNDING);
        assert_eq!(bayer.0.channels, 3);
    }

    #[test]
    fn gradients_of_colors_bring_their_noise_in_the_balance_of_white() {
        let cfa = Cfa::bayer("RGGB").expect("a Bayer array");
        let demosaic = Demosaic::new(&cfa, DemosaicMethod::GradientCorrected);
        let resampler = Resampler::new(Kernel::Lanczos3);
        let plain = NoiseFactors::new(&demosaic, &resampler).at(1, 0.0, 0.0);
        let left = NoiseFactors::new(&demosaic.balanced(white()), &resampler).at(1, 0.0, 0.0);
        // Green at red, in eighths: 2 of four greens; 4 of red here, -1 of four around. Red
        // counts twice, as it records half; its light has half the variance of green's.
        let (green, red) = (4.0 * 2.0 * 2.0 / 64.0, (4.0 * 4.0 + 4.0) / 64.0);
        for (found, want) in [
            (plain.floor, green + red),
            (plain.light, green + red),
            (left.floor, green + 2.0 * 2.0 * red),
            (left.light, green + 2.0 * red),
        ] {
            assert!((found - want).abs() < ROUNDING, "{found} {want}");
        }
    }

    #[test]
    fn variance_follows_level_gain_response_and_scale() {
        let photosite = ChannelNoise {
            gain_e_per_dn: 2.0,
            floor_dn2: 9.0,
        };
        let plain = SampleNoise::new(&photosite, Shares::WHOLE, 1.0, 1.0, 0.0);
        assert_eq!(plain.variance_dn2(100.0), 9.0 + 50.0);
        assert_eq!(plain.variance_dn2(-5.0), 9.0);
        // Behind a response of a half, 100 DN were 50 DN: (9 + 25) / 0.25.
        let vignetted = SampleNoise::new(&photosite, Shares::WHOLE, 0.5, 1.0, 0.0);
        assert_eq!(vignetted.variance_dn2(100.0), (9.0 + 25.0) / 0.25);
        // Through haze: 100 DN were 50 DN under a sky 20 DN brighter.
        let hazy = SampleNoise::new(&photosite, Shares::WHOLE, 1.0, 2.0, -40.0);
        assert_eq!(hazy.variance_dn2(100.0), 4.0 * (9.0 + 70.0 / 2.0));
    }
}
