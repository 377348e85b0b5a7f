//! What the camera stands on: how sky and ground turn in front of it.

use crate::random::{Purpose, stream};
use crate::rotation::{self, Matrix};
use crate::{Pointing, Site};
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::f64::consts::TAU;

/// The rate at which the sky turns, arcsec/s: a full turn in a sidereal day of
/// 86,164.0905 s.
///
/// Source: IERS Conventions (2010), rotation rate 7.292115e-5 rad/s (from memory).
pub const SIDEREAL_RATE_ARCSEC_PER_S: f64 = 360.0 * 3600.0 / 86_164.090_5;

/// What the camera stands on.
///
/// Axes are in the camera's own at the middle of the first light (X right, Y down, Z into
/// the picture); all turns are right-handed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mount {
    /// The axis about which the sky turns over the ground, the south celestial pole; need
    /// not be of length 1.
    pub axis: [f64; 3],
    /// The rate at which it does, arcsec/s.
    pub rate_arcsec_per_s: f64,
    /// What turns the camera after the sky.
    pub tracker: Option<Tracker>,
    /// Radius within which every light but the first is offset at random, arcsec.
    pub dither_arcsec: f64,
    /// Hands, or wind.
    pub sway: Option<Sway>,
    /// How the sensor is moved from light to light.
    pub sensor_shift: SensorShift,
}

/// A drive that turns the camera.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tracker {
    /// Its axis; that of the sky when it is well aligned.
    pub axis: [f64; 3],
    /// Its rate, arcsec/s.
    pub rate_arcsec_per_s: f64,
    /// Amplitude of the periodic error about the axis, arcsec.
    pub periodic_error_arcsec: f64,
    /// Period of that error, s.
    pub period_s: f64,
    /// Where in its period the error is at the reference moment, turns.
    pub phase_turns: f64,
}

/// Unsteadiness: a place of its own for every light but the first, and tremor during each.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sway {
    /// Standard deviation of the lights' offsets to the right and down, arcsec.
    pub wander_arcsec: f64,
    /// Standard deviation of their turns about the optical axis, arcsec.
    pub roll_arcsec: f64,
    /// Standard deviation of the tremor to the right and down, arcsec.
    pub tremor_arcsec: f64,
}

/// Shots between which the sensor is moved by parts of a photosite.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum SensorShift {
    /// It stays.
    #[default]
    None,
    /// Four shots, a square of one photosite: every place is seen through all filters.
    Four,
    /// Those four, and four more half a photosite to the right and down of them.
    Eight,
}

impl SensorShift {
    /// Shots of one picture.
    pub fn shots(self) -> usize {
        match self {
            Self::None => 1,
            Self::Four => 4,
            Self::Eight => 8,
        }
    }

    /// Where the sensor is in light `index`, px to the right and down of its place in the first.
    pub fn offset_px(self, index: usize) -> [f64; 2] {
        const SQUARE: [[f64; 2]; 4] = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]];
        let shot = index % self.shots();
        let half = if shot < 4 { 0.0 } else { 0.5 };
        SQUARE[shot % 4].map(|step| step + half)
    }
}

impl Mount {
    /// A fixed tripod. The sky turns right-handed about the **south** celestial pole;
    /// see [`Pointing::south_pole`].
    pub fn tripod(south_pole: [f64; 3]) -> Self {
        Self {
            axis: south_pole,
            rate_arcsec_per_s: SIDEREAL_RATE_ARCSEC_PER_S,
            tracker: None,
            dither_arcsec: 0.0,
            sway: None,
            sensor_shift: SensorShift::None,
        }
    }

    /// A tracker that follows the sky but for a slow turn about `axis`.
    pub fn tracked(axis: [f64; 3], lag_arcsec_per_s: f64) -> Self {
        Self {
            tracker: Some(Tracker {
                axis,
                rate_arcsec_per_s: SIDEREAL_RATE_ARCSEC_PER_S - lag_arcsec_per_s,
                periodic_error_arcsec: 0.0,
                period_s: 600.0,
                phase_turns: 0.0,
            }),
            ..Self::tripod(axis)
        }
    }

    /// The same with the tracker's axis off the pole: too high by `altitude_arcmin`, too far
    /// east by `azimuth_arcmin` (as an angle about the zenith). Without a tracker nothing changes.
    pub fn misaligned(
        mut self,
        pointing: &Pointing,
        altitude_arcmin: f64,
        azimuth_arcmin: f64,
    ) -> Self {
        let to_camera = pointing.from_horizon();
        let east = rotation::apply(&to_camera, [1.0, 0.0, 0.0]);
        if let Some(tracker) = &mut self.tracker {
            let up = arcsec_turn(east, 60.0 * altitude_arcmin);
            let around = arcsec_turn(pointing.zenith(), -60.0 * azimuth_arcmin);
            tracker.axis = rotation::apply(&around, rotation::apply(&up, tracker.axis));
        }
        self
    }

    /// The turn of the camera's view of the sky since the reference moment.
    pub(crate) fn sky(&self, moment: &Moment) -> Matrix {
        let turn = arcsec_turn(self.axis, self.rate_arcsec_per_s * moment.elapsed_s);
        let Some(tracker) = self.tracker else {
            return rotation::multiply(&self.unsteadiness(moment), &turn);
        };
        // A tracker about the sky's own axis: one small turn instead of two large ones.
        let seen = if tracker.axis == self.axis {
            let angle = self.rate_arcsec_per_s * moment.elapsed_s - tracker.angle_arcsec(moment);
            arcsec_turn(self.axis, angle)
        } else {
            rotation::multiply(&tracker.follow(moment), &turn)
        };
        rotation::multiply(&self.unsteadiness(moment), &seen)
    }

    /// The turn of the camera's view of the ground since the reference moment.
    pub(crate) fn ground(&self, moment: &Moment) -> Matrix {
        let unsteadiness = self.unsteadiness(moment);
        self.tracker.map_or(unsteadiness, |tracker| {
            rotation::multiply(&unsteadiness, &tracker.follow(moment))
        })
    }

    /// Whether the ground stands still in the picture.
    pub(crate) fn is_still(&self) -> bool {
        self.tracker.is_none()
            && self.sway.is_none()
            && self.dither_arcsec == 0.0
            && self.sensor_shift == SensorShift::None
    }

    fn unsteadiness(&self, moment: &Moment) -> Matrix {
        let sway = match (self.sway, moment.knock_arcsec) {
            (Some(sway), _) => sway.turn(moment),
            (None, knock) if knock > 0.0 => Sway::still().turn(moment),
            _ => return self.dither(moment),
        };
        rotation::multiply(&sway, &self.dither(moment))
    }

    /// A small turn about an axis across the line of sight, uniform over a disk.
    fn dither(&self, moment: &Moment) -> Matrix {
        if moment.index == 0 || self.dither_arcsec == 0.0 {
            return rotation::IDENTITY;
        }
        let mut rng = stream(moment.seed, Purpose::Dither, moment.index, 0);
        let position_angle = TAU * rng.random::<f64>();
        let radius_arcsec = self.dither_arcsec * rng.random::<f64>().sqrt();
        let axis = [libm::cos(position_angle), libm::sin(position_angle), 0.0];
        arcsec_turn(axis, radius_arcsec)
    }
}

/// A moment of a light.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Moment {
    /// Seed of the scene.
    pub seed: u64,
    /// The light.
    pub index: usize,
    /// Since the middle of the first light, s.
    pub elapsed_s: f64,
    /// Since the middle of this one, s.
    pub since_middle_s: f64,
    /// Standard deviation of what shakes this light alone, arcsec.
    pub knock_arcsec: f64,
}

impl Tracker {
    /// How far it has turned since the reference moment, arcsec.
    fn angle_arcsec(&self, moment: &Moment) -> f64 {
        let error = |elapsed_s: f64| {
            let turns = elapsed_s / self.period_s + self.phase_turns;
            self.periodic_error_arcsec * libm::sin(TAU * turns)
        };
        self.rate_arcsec_per_s * moment.elapsed_s + error(moment.elapsed_s) - error(0.0)
    }

    /// What the turning camera sees of a standing world.
    fn follow(&self, moment: &Moment) -> Matrix {
        arcsec_turn(self.axis, -self.angle_arcsec(moment))
    }
}

impl Sway {
    fn still() -> Self {
        Self {
            wander_arcsec: 0.0,
            roll_arcsec: 0.0,
            tremor_arcsec: 0.0,
        }
    }

    /// The small turn at a moment; none in the middle of the first light.
    fn turn(&self, moment: &Moment) -> Matrix {
        let mut rng = stream(moment.seed, Purpose::Sway, moment.index, 0);
        let mut angles = [self.wander_arcsec, self.wander_arcsec, self.roll_arcsec].map(|sigma| {
            let normal: f64 = StandardNormal.sample(&mut rng);
            if moment.index == 0 {
                0.0
            } else {
                sigma * normal
            }
        });
        let sigma = self.tremor_arcsec.hypot(moment.knock_arcsec);
        for angle in &mut angles[..2] {
            *angle += sigma * tremor(&mut rng, moment.since_middle_s);
        }
        let norm = angles.iter().map(|angle| angle * angle).sum::<f64>().sqrt();
        arcsec_turn(angles, norm)
    }
}

/// Frequencies of the tremor, Hz, and their shares of its variance: mostly slow swaying,
/// a little of the 8 to 12 Hz that hands have by nature (Elble & Randall 1976, from memory).
const TREMOR: [(f64, f64); 4] = [(0.9, 0.5), (2.3, 0.3), (4.7, 0.15), (9.6, 0.05)];

/// A smooth random movement of unit variance, less where it is in the middle of the light.
fn tremor(rng: &mut ChaCha8Rng, since_middle_s: f64) -> f64 {
    let waves = TREMOR.map(|(hertz, variance)| {
        let phase = TAU * rng.random::<f64>();
        let at = |t: f64| libm::sin(TAU * hertz * t + phase);
        (2.0 * variance).sqrt() * (at(since_middle_s) - at(0.0))
    });
    waves.iter().sum()
}

fn arcsec_turn(axis: [f64; 3], angle_arcsec: f64) -> Matrix {
    rotation::rotation_about(axis, (angle_arcsec / 3600.0).to_radians())
}

/// The south celestial pole in the axes of an upright camera.
///
/// - `latitude_deg`: of the place, north positive.
/// - `altitude_deg`, `azimuth_deg`: where the camera points; azimuth from north by east.
pub fn south_pole_in_camera(latitude_deg: f64, altitude_deg: f64, azimuth_deg: f64) -> [f64; 3] {
    let pointing = Pointing {
        altitude_deg,
        azimuth_deg,
        roll_deg: 0.0,
    };
    pointing.south_pole(&Site {
        latitude_deg,
        longitude_deg: 0.0,
    })
}
