//! What a frame looks like, in a few numbers: enough to tell what kind of frame it is.

use crate::mosaic::{Channel, Mosaic};
use ndarray::ArrayView2;

mod grid;
mod noise;
mod spots;

use grid::Grid;

/// Pairs looked at for the noise; their median is good to 0.2 %.
const N_NOISE_PAIRS: usize = 400_000;

/// Pixels whose values are counted: fractions and medians of more gain nothing.
const N_COUNTED_PIXELS: usize = 5_000_000;

/// Shortest period that is followed, px: a mosaic whose filters nobody stated shows it.
const LEAST_PERIOD_PX: usize = 2;

/// Longest period of levels and filters that is followed, px.
const MAX_PERIOD_PX: usize = 16;

/// What a mosaic looks like. Fractions are of its pixels, densities per million pixels.
#[derive(Clone, Debug, PartialEq)]
pub struct FrameStats {
    /// One entry for each of the mosaic's channels, in their order.
    pub channels: Vec<ChannelStats>,
    /// Median level above black, DN, averaged over the sites of the filter array.
    pub level_dn: f64,
    /// That level as a fraction of the range from black to white.
    pub level_fraction: f64,
    /// Robust noise of one pixel, DN, averaged over the channels in quadrature.
    pub noise_dn: f64,
    /// Fraction of pixels at or above the white level.
    pub saturated: f64,
    /// Fraction of pixels at or below the black level.
    pub at_black: f64,
    /// Star-like spots: a peak of 5 sigma or more, with raised pixels around it.
    pub stars_per_mpx: f64,
    /// How many of those the raised pixels of this frame would form by chance.
    pub chance_stars_per_mpx: f64,
    /// Single raised pixels of 5 sigma or more with nothing around them.
    pub hot_pixels_per_mpx: f64,
    /// Difference of the 90th and the 10th percentile of the local level, DN.
    pub unevenness_dn: f64,
    /// Largest difference between the levels of two sites behind equal filters, DN: the
    /// two greens of a Bayer array, or all four sites of a monochrome sensor, 2 x 2.
    pub site_difference_dn: f64,
}

/// What one channel looks like.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelStats {
    /// The channel.
    pub channel: Channel,
    /// Median level above black, DN, averaged over the channel's sites.
    pub level_dn: f64,
    /// Noise of one recorded value, DN, rounding included, from the differences of
    /// neighbors behind equal filters; stars and slopes hardly touch it.
    pub noise_dn: f64,
    /// Fraction of the channel's pixels at or above the white level.
    pub saturated: f64,
    /// Fraction of the channel's pixels at or below the black level.
    pub at_black: f64,
}

impl FrameStats {
    /// Looks at a mosaic once; on the calling thread, in about 0.1 s for 20 million pixels.
    ///
    /// A mosaic of equal values has no noise, no stars and no hot pixels.
    pub fn of(mosaic: &Mosaic) -> Self {
        let sites = Sites::of(mosaic);
        let channels: Vec<_> = mosaic
            .cfa
            .channels()
            .iter()
            .map(|&channel| sites.channel(channel, mosaic))
            .collect();
        let grid = Grid::of(mosaic, (sites.height, sites.width), &channels);
        let spots = spots::count(mosaic.data.view(), &grid);
        let n_mpx = mosaic.data.len().max(1) as f64 / 1e6;
        let mean = |of: fn(&Site) -> f64| sites.mean(of, |_| true);
        let variances = channels.iter().map(|c| c.noise_dn * c.noise_dn);
        Self {
            level_dn: mean(|site| site.level_dn),
            level_fraction: mean(|site| site.level_dn / site.range_dn),
            noise_dn: (variances.sum::<f64>() / channels.len() as f64).sqrt(),
            saturated: mean(|site| site.saturated),
            at_black: mean(|site| site.at_black),
            stars_per_mpx: spots.n_stars as f64 / n_mpx,
            chance_stars_per_mpx: spots.n_stars_by_chance / n_mpx,
            hot_pixels_per_mpx: spots.n_hot_pixels as f64 / n_mpx,
            unevenness_dn: grid.unevenness_dn(),
            site_difference_dn: sites.difference_dn(mosaic.cfa.channels()),
            channels,
        }
    }
}

/// One position in the period of filters and levels.
struct Site {
    channel: Channel,
    level_dn: f64,
    range_dn: f64,
    saturated: f64,
    at_black: f64,
}

struct Sites {
    width: usize,
    height: usize,
    /// Row by row.
    sites: Vec<Site>,
}

impl Sites {
    fn of(mosaic: &Mosaic) -> Self {
        let period = |sides: [usize; 3]| match sides.into_iter().fold(LEAST_PERIOD_PX, lcm) {
            period if period <= MAX_PERIOD_PX => period,
            _ => sides[0],
        };
        let (cfa, black, white) = (&mosaic.cfa, &mosaic.black_level_dn, &mosaic.white_level_dn);
        let width = period([cfa.width(), black.width(), white.width()]);
        let height = period([cfa.height(), black.height(), white.height()]);
        let histograms = histograms(mosaic.data.view(), width, height);
        let sites = histograms.iter().enumerate().map(|(i, histogram)| {
            let (row, col) = (i / width, i % width);
            let (black, white) = (f64::from(black.at(row, col)), f64::from(white.at(row, col)));
            let total: u64 = histogram.iter().map(|&n| u64::from(n)).sum();
            let fraction = |n: u64| n as f64 / total.max(1) as f64;
            let n_below = |dn: f64| {
                let bins = (dn.ceil().max(0.0) as usize).min(histogram.len());
                histogram[..bins].iter().map(|&n| u64::from(n)).sum::<u64>()
            };
            Site {
                channel: cfa.at(row, col),
                level_dn: median(histogram) - black,
                range_dn: (white - black).max(1.0),
                saturated: fraction(total - n_below(white)),
                at_black: fraction(n_below(black.floor() + 1.0)),
            }
        });
        Self {
            width,
            height,
            sites: sites.collect(),
        }
    }

    fn mean(&self, of: impl Fn(&Site) -> f64, wanted: impl Fn(&Site) -> bool) -> f64 {
        let values: Vec<f64> = self.sites.iter().filter(|s| wanted(s)).map(of).collect();
        values.iter().sum::<f64>() / values.len().max(1) as f64
    }

    fn difference_dn(&self, channels: &[Channel]) -> f64 {
        let difference = |channel| {
            let sites = self.sites.iter().filter(|site| site.channel == channel);
            let (low, high) = sites.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), s| {
                (low.min(s.level_dn), high.max(s.level_dn))
            });
            (high - low).max(0.0)
        };
        channels.iter().map(|&c| difference(c)).fold(0.0, f64::max)
    }

    fn channel(&self, channel: Channel, mosaic: &Mosaic) -> ChannelStats {
        let mean = |of: fn(&Site) -> f64| self.mean(of, |site| site.channel == channel);
        ChannelStats {
            channel,
            level_dn: mean(|site| site.level_dn),
            noise_dn: self.noise_dn(channel, mosaic),
            saturated: mean(|site| site.saturated),
            at_black: mean(|site| site.at_black),
        }
    }

    /// Noise from the differences of horizontal neighbors one period apart.
    fn noise_dn(&self, channel: Channel, mosaic: &Mosaic) -> f64 {
        let mut differences = vec![0_u32; 1 << 16];
        // Whole periods are skipped, so that every site keeps its turn.
        let n_pairs = mosaic.data.len() / self.cfa_share(channel);
        let skip = (n_pairs / N_NOISE_PAIRS).max(1);
        for (row, values) in mosaic.data.rows().into_iter().enumerate() {
            if !(row / self.height).is_multiple_of(skip) {
                continue;
            }
            let Some(values) = values.to_slice() else {
                continue;
            };
            for col in (0..self.width).filter(|&col| self.at(row, col).channel == channel) {
                let neighbors = values.get(col + self.width..).unwrap_or_default();
                let left = values.get(col..).unwrap_or_default();
                let pairs = left.iter().step_by(self.width);
                for (&a, &b) in pairs.zip(neighbors.iter().step_by(self.width)) {
                    differences[usize::from(a.abs_diff(b))] += 1;
                }
            }
        }
        noise::noise_of_differences(&differences)
    }

    fn at(&self, row: usize, col: usize) -> &Site {
        &self.sites[row % self.height * self.width + col % self.width]
    }

    fn cfa_share(&self, channel: Channel) -> usize {
        let n = self.sites.iter().filter(|s| s.channel == channel).count();
        self.sites.len() / n.max(1)
    }
}

/// How often each value occurs at each site, sites row by row; of large frames, in rows
/// spread evenly.
fn histograms(data: ArrayView2<u16>, width: usize, height: usize) -> Vec<Vec<u32>> {
    let mut histograms = vec![vec![0_u32; 1 << 16]; width * height];
    let skip = (data.len() / N_COUNTED_PIXELS).max(1);
    for (row, values) in data.rows().into_iter().enumerate() {
        if !(row / height).is_multiple_of(skip) {
            continue;
        }
        let Some(values) = values.to_slice() else {
            continue;
        };
        for col in 0..width.min(values.len()) {
            let histogram = &mut histograms[row % height * width + col];
            for &value in values[col..].iter().step_by(width) {
                histogram[usize::from(value)] += 1;
            }
        }
    }
    histograms
}

/// Median of a histogram of whole numbers, each spread evenly over `± 1/2`.
///
/// A bin that holds everything has its number. Without entries: 0.
fn median(histogram: &[u32]) -> f64 {
    let half = histogram.iter().map(|&n| u64::from(n)).sum::<u64>() as f64 / 2.0;
    let mut below = 0.0;
    for (value, &n) in histogram.iter().enumerate() {
        let n = f64::from(n);
        if n > 0.0 && below + n >= half {
            return value as f64 - 0.5 + (half - below) / n;
        }
        below += n;
    }
    0.0
}

fn lcm(a: usize, b: usize) -> usize {
    let gcd = |mut a: usize, mut b: usize| {
        while b != 0 {
            (a, b) = (b, a % b);
        }
        a
    };
    a / gcd(a, b).max(1) * b
}

#[cfg(test)]
mod tests;
