//! The sensor's layer in one channel of the stack: how strong, how sure, and what it costs.

use crate::channel_layers::{ChannelLayers, Part};
use crate::layer_fit::Term;
use crate::layers::TileLayers;
use crate::observer::TileNoise;
use crate::region_noise::Excess;
use crate::spectra::TrackSpectra;
use crate::track::SensorTrack;

/// Largest standard error of the pattern's share of the stack's variance at which the
/// pattern counts as seen: then one overlooked at two standard errors costs a tenth of the
/// effective frames, about what is expected of a careful comparison by eye. A judgment, no
/// source.
const MOST_SHARE_ERROR: f64 = 0.05;
/// Standard errors from which the pattern is put into the gains; below, it is none.
const SIGNIFICANT: f64 = 3.0;
/// Doubt about a strength that fits: pixels, kernels and lights are not quite alike. A
/// judgment from simulated nights, no source.
const LEAST_DOUBT: f64 = 0.05;

/// The pattern of one channel, as its lights' track tells it.
pub(crate) struct SensorLayer {
    channel: ChannelLayers,
    /// `1 / N`: noise of the stack over that of a light.
    random: f64,
}

/// What the layer changes in a region.
pub(crate) struct Layered {
    /// Area variance that halves do not show, and that single lights do not, DN^2.
    pub added: f64,
    pub unseen_in_singles: f64,
    /// Area variance of the pattern in the stack and in a single light, DN^2.
    pub pattern: f64,
    pub in_single: f64,
    /// Relative standard error of the gain: of this region by its own strength, and of
    /// all alike by doubt and by strengths that were fitted for all.
    pub gain_error: f64,
    pub gain_doubt: f64,
}

impl SensorLayer {
    /// The layer of each channel; `None` where the track tells nothing.
    pub(crate) fn by_channel(
        tiles: &[TileNoise],
        n_channels: usize,
        track: &SensorTrack,
        block_px: usize,
    ) -> Vec<Option<Self>> {
        let spectra = TrackSpectra::of(track);
        let of_channel = |channel: usize| {
            let spectra = spectra.as_ref()?;
            let layers: Vec<&TileLayers> = tiles
                .iter()
                .filter(|tile| tile.channel == channel)
                .filter_map(|tile| tile.measured.as_ref()?.layers.as_ref())
                .collect();
            Some(Self {
                channel: ChannelLayers::of(&layers, spectra, block_px)?,
                random: 1.0 / track.lights() as f64,
            })
        };
        (0..n_channels).map(of_channel).collect()
    }

    fn parts(&self) -> &[Part] {
        &self.channel.parts
    }

    /// Standard deviation that doubt about a strength amounts to.
    fn doubt(&self, ratio: f64) -> f64 {
        (LEAST_DOUBT * ratio).hypot(self.channel.misfit)
    }

    fn in_stack(&self) -> f64 {
        let parts = self.parts().iter();
        parts
            .map(|part| part.strength.ratio.max(0.0) * part.model.stack)
            .sum()
    }

    fn is_significant(&self) -> bool {
        let of = |part: &Part| {
            let error = part.strength.error.hypot(self.channel.misfit);
            part.strength.ratio > SIGNIFICANT * error
        };
        self.parts().iter().any(of)
    }

    fn strength_error(&self) -> f64 {
        let of = |part: &Part| {
            let doubt = self.doubt(part.strength.ratio);
            (part.strength.error.hypot(doubt) * part.model.stack).powi(2)
        };
        self.parts().iter().map(of).sum::<f64>().sqrt()
    }

    /// Standard error of the pattern's share of the stack's area variance.
    pub(crate) fn share_error(&self) -> f64 {
        let total = self.random + self.in_stack();
        self.strength_error() * self.random / (total * total)
    }

    /// Share of the stack's area variance that is a pattern of one kind.
    pub(crate) fn share_of(&self, term: Term) -> f64 {
        let parts = self.parts().iter().filter(|part| part.term == term);
        let own: f64 = parts
            .map(|part| part.strength.ratio.max(0.0) * part.model.stack)
            .sum();
        own.max(0.0) / (self.random + self.in_stack())
    }

    /// The largest share that two standard errors leave possible.
    pub(crate) fn most_share(&self) -> f64 {
        let most = self.in_stack() + 2.0 * self.strength_error();
        most / (self.random + most)
    }

    /// Factor of a single light's area variance where the stack's grows by `total`.
    pub(crate) fn single_grows(&self, total: f64) -> f64 {
        let stack = self.random + self.in_stack();
        let in_single = stack * (total - 1.0) / self.parts()[0].model.stack.max(self.random);
        1.0 + in_single / (1.0 + self.in_stack())
    }

    /// Whether the pattern is known well enough to be put into the gains.
    pub(crate) fn is_seen(&self) -> bool {
        self.share_error() <= MOST_SHARE_ERROR
    }

    /// What it changes in a region where `singles` and `stack` are the area variances
    /// that differences show, DN^2.
    pub(crate) fn apply(
        &self,
        tiles: &[&TileLayers],
        excess: Excess,
        singles: f64,
        stack: f64,
    ) -> Layered {
        let mut layered = Layered {
            added: 0.0,
            unseen_in_singles: 0.0,
            pattern: 0.0,
            in_single: 0.0,
            gain_error: 0.0,
            gain_doubt: 0.0,
        };
        let significant = self.is_significant();
        let mut parts = self.parts().to_vec();
        if significant && let Some(own) = self.channel.region(tiles) {
            parts[0].strength = own;
        }
        let moving: f64 = parts
            .iter()
            .map(|part| part.strength.ratio * part.model.single)
            .sum();
        let noise = singles / (1.0 + moving).max(0.1);
        if significant {
            for part in &parts {
                let (strength, model) = (noise * part.strength.ratio, part.model);
                layered.added += strength * (model.stack - model.shown(excess));
                layered.unseen_in_singles += strength * (1.0 - model.single);
                layered.pattern += strength * model.stack;
                layered.in_single += strength;
            }
            // No strength takes more off than halves show.
            layered.added = layered.added.max(-0.5 * stack);
        }
        let (single, total) = (singles + layered.unseen_in_singles, stack + layered.added);
        for part in &parts {
            let model = part.model;
            let in_single = noise * (1.0 - model.single) / single;
            let in_stack = noise * (model.stack - model.shown(excess)) / total;
            let change = 0.5 * (in_single - in_stack).abs();
            let mut common = self.doubt(part.strength.ratio);
            if significant && part.term == Term::White {
                layered.gain_error = layered.gain_error.hypot(change * part.strength.error);
            } else {
                // One strength for all regions: its error does not average out.
                common = common.hypot(part.strength.error);
            }
            layered.gain_doubt = layered.gain_doubt.hypot(change * common);
        }
        layered
    }
}
