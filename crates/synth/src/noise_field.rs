//! Smooth random fields: the texture of clouds and of dust.

use crate::random::mix;
use crate::rotation::{self, Matrix};

/// A smooth field in space with values between 0 and 1 and features about one unit wide.
///
/// Value noise on the integer lattice, five octaves, each half as wide and half as
/// strong as the one before. A function of position alone, so it needs no storage.
#[derive(Clone, Copy, Debug)]
pub(crate) struct NoiseField {
    salt: u64,
}

const OCTAVES: u32 = 5;
/// A rotation that maps no axis near another.
const TURN: Matrix = [
    [2.0 / 3.0, -1.0 / 3.0, 2.0 / 3.0],
    [2.0 / 3.0, 2.0 / 3.0, -1.0 / 3.0],
    [-1.0 / 3.0, 2.0 / 3.0, 2.0 / 3.0],
];

impl NoiseField {
    pub(crate) fn new(salt: u64) -> Self {
        Self { salt }
    }

    /// The field at a point.
    pub(crate) fn at(&self, point: [f64; 3]) -> f64 {
        let (mut sum, mut weight_sum, mut weight, mut place) = (0.0, 0.0, 1.0, point);
        for octave in 0..OCTAVES {
            // Turned from octave to octave, so that no lattice direction shows.
            place = rotation::apply(&TURN, place);
            sum += weight * self.octave(place, octave);
            weight_sum += weight;
            weight *= 0.5;
            place = place.map(|coordinate| 2.0 * coordinate);
        }
        sum / weight_sum
    }

    /// One octave: the eight corners of a lattice cell, blended smoothly.
    fn octave(&self, point: [f64; 3], octave: u32) -> f64 {
        let cell = point.map(f64::floor);
        let blend = [0, 1, 2].map(|axis| smoothstep(point[axis] - cell[axis]));
        // Corners share the hashes of the coordinates they share.
        let hash =
            |hash: u64, axis: usize, step: i64| mix(hash ^ (cell[axis] as i64 + step) as u64);
        let start = self.salt ^ u64::from(octave);
        let mut value = 0.0;
        for (dx, wx) in [(0, 1.0 - blend[0]), (1, blend[0])] {
            let along_x = hash(start, 0, dx);
            for (dy, wy) in [(0, 1.0 - blend[1]), (1, blend[1])] {
                let along_y = hash(along_x, 1, dy);
                for (dz, wz) in [(0, 1.0 - blend[2]), (1, blend[2])] {
                    let corner = hash(along_y, 2, dz);
                    value += wx * wy * wz * ((corner >> 11) as f64 / (1u64 << 53) as f64);
                }
            }
        }
        value
    }
}

/// From 0 at 0 to 1 at 1 without a kink at either end; constant beyond.
pub(crate) fn smoothstep(t: f64) -> f64 {
    let t = t.clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_field_is_bounded_and_has_no_jumps() {
        const STEP: f64 = 1e-3;
        // Per octave 1.5 along each of three axes; five octaves of equal slope; their
        // weights add up to 31/16.
        const STEEPEST: f64 = 1.5 * 1.7321 * 5.0 * 16.0 / 31.0;
        let field = NoiseField::new(3);
        let (mut low, mut high) = (f64::MAX, f64::MIN);
        let mut before = field.at([-7.0, 0.3, 2.0]);
        for i in 1..14_000 {
            let value = field.at([-7.0 + STEP * f64::from(i), 0.3, 2.0]);
            assert!((0.0..=1.0).contains(&value));
            assert!((value - before).abs() <= STEEPEST * STEP);
            (low, high) = (low.min(value), high.max(value));
            before = value;
        }
        assert!(high - low > 0.3, "texture from {low} to {high}");
    }
}
