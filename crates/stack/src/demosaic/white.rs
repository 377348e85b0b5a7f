//! What white light is to a sensor: the balance in which its colors are compared.

use raw::Channel;

/// What photosites of R, G and B record of white light, in proportion to each other.
///
/// The gradient-corrected kernels add the curvature of one color to another, which is right
/// where both are of one brightness. Recorded numbers are not: red and blue photosites see a
/// third to two thirds of what green ones see of daylight. By default all are alike.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RecordedWhite([f32; 3]);

/// Colors of daylight further apart than this are no property of filters, but of a light, or
/// of numbers that are not what they seem.
const MOST_RATIO: f64 = 8.0;

impl RecordedWhite {
    /// Of what R, G and B record of something white, above black, in any unit.
    ///
    /// `None` when they are not positive, or further than eight times apart.
    pub fn new(levels: [f64; 3]) -> Option<Self> {
        let green = levels[1];
        let usable = |level: &f64| {
            let ratio = level / green;
            *level > 0.0 && (1.0 / MOST_RATIO..=MOST_RATIO).contains(&ratio)
        };
        levels
            .iter()
            .all(usable)
            .then(|| Self(levels.map(|level| (level / green) as f32)))
    }

    /// R, G and B, over G.
    pub fn over_green(&self) -> [f32; 3] {
        self.0
    }

    /// That of one channel.
    pub(super) fn of(&self, channel: Channel) -> f32 {
        match channel {
            Channel::R => self.0[0],
            Channel::G | Channel::Mono => self.0[1],
            Channel::B => self.0[2],
        }
    }
}

impl Default for RecordedWhite {
    fn default() -> Self {
        Self([1.0; 3])
    }
}
