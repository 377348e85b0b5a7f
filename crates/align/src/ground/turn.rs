//! How a ground turns against the stars: about the pole at the sidereal rate, whatever the
//! camera does.
//!
//! So a ground that is seen in some pictures of a burst has a known place in all whose stars
//! are known, also where cloud hides it or it has not come into the frame yet.

use super::place::plane_of_turn;
use crate::clock::SIDEREAL_RAD_PER_S;
use crate::stats::median;
use crate::{Attitude, Lens, PixelMap};

/// A picture in which the ground was found, all against the one whose ground it is.
#[derive(Clone, Debug)]
pub struct SeenGround {
    /// Time since that picture, s.
    pub seconds: f64,
    /// From that picture to this by the ground.
    pub by_ground: PixelMap,
    /// The same by the stars.
    pub by_sky: PixelMap,
}

/// The turn of a ground against the stars.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GroundTurn {
    /// Axis times rate, in the axes of the picture whose ground it is, rad/s.
    rate: [f64; 3],
    lens: Lens,
}

impl GroundTurn {
    /// The turn that one picture tells; `None` where it is of the same moment.
    ///
    /// - `lens`: of all pictures, as far as it is known.
    /// - `size`: their width and height, px.
    pub fn of_one(seen: &SeenGround, lens: &Lens, size: (usize, usize)) -> Option<Self> {
        let turned = turned(seen, lens, size)?;
        let rate = turned.map(|turned| turned / seen.seconds);
        let known = seen.seconds != 0.0 && rate.iter().all(|rate| rate.is_finite());
        known.then_some(Self { rate, lens: *lens })
    }

    /// The turn that pictures agree on; `None` where fewer than two do, or it is not the
    /// sidereal one.
    pub fn fit(seen: &[SeenGround], lens: &Lens, size: (usize, usize)) -> Option<Self> {
        const FEWEST: usize = 2;
        /// What places of a smeared ridge are off by, px.
        const AGREE_PX: f64 = 2.0;
        /// What a focal length that only a ridge tells may be off by, and a rate through it.
        const FOCAL_ERROR: f64 = 0.5;
        let turned: Vec<(f64, [f64; 3])> = seen
            .iter()
            .filter(|seen| seen.seconds != 0.0)
            .filter_map(|seen| Some((seen.seconds, turned(seen, lens, size)?)))
            .collect();
        if turned.len() < FEWEST {
            return None;
        }
        // The later, the better the rate is known.
        let longest_s = turned.iter().map(|(s, _)| s.abs()).fold(0.0, f64::max);
        let along = |axis: usize| {
            let late = turned.iter().filter(|(s, _)| s.abs() >= 0.5 * longest_s);
            median(&mut late.map(|(s, turn)| turn[axis] / s).collect::<Vec<_>>())
        };
        let rate = [along(0)?, along(1)?, along(2)?];
        let found = Self { rate, lens: *lens };
        let mut off: Vec<f64> = turned
            .iter()
            .map(|&(s, turn)| found.off_px(s, turn, size))
            .collect();
        let off_rate = (length(rate) - SIDEREAL_RAD_PER_S).abs();
        let sidereal = off_rate < FOCAL_ERROR * SIDEREAL_RAD_PER_S
            || off_rate * longest_s * lens.focal_px() < AGREE_PX;
        (median(&mut off)? < AGREE_PX && sidereal).then_some(found)
    }

    /// How far a ground that was found lies from where this takes it, px; NaN where that cannot
    /// be told.
    pub fn distance_px(&self, seen: &SeenGround, size: (usize, usize)) -> f64 {
        let turned = turned(seen, &self.lens, size);
        turned.map_or(f64::NAN, |turned| self.off_px(seen.seconds, turned, size))
    }

    /// A turn about the axis moves the corners, and hardly the middle.
    fn off_px(&self, seconds: f64, turned: [f64; 3], (width, height): (usize, usize)) -> f64 {
        let corner_px = 0.5 * (width as f64).hypot(height as f64);
        let moves_px = [self.lens.focal_px(), self.lens.focal_px(), corner_px];
        length([0, 1, 2].map(|k| (turned[k] - seconds * self.rate[k]) * moves_px[k]))
    }

    /// The lens with the focal length by which the ground in a picture turns at the sidereal
    /// rate; `None` where none does. A thin ridge hardly tells it otherwise.
    ///
    /// - `lens`: as far as it is known; its focal length by a factor of four.
    pub fn sidereal_lens(seen: &SeenGround, lens: &Lens, size: (usize, usize)) -> Option<Lens> {
        const HALVINGS: usize = 30;
        let scaled = |log_factor: f64| lens.scaled(log_factor.exp());
        let too_fast = |log_factor: f64| {
            let turned = turned(seen, &scaled(log_factor), size)?;
            Some(length(turned) > SIDEREAL_RAD_PER_S * seen.seconds.abs())
        };
        let (mut short, mut long) = (-(4.0_f64.ln()), 4.0_f64.ln());
        if !too_fast(short)? || too_fast(long)? {
            return None;
        }
        for _ in 0..HALVINGS {
            let middle = 0.5 * (short + long);
            match too_fast(middle)? {
                true => short = middle,
                false => long = middle,
            }
        }
        Some(scaled(long))
    }

    /// Where the ground lies on another picture; `None` where that cannot be told.
    ///
    /// - `seconds`: its time since the picture whose ground it is.
    /// - `by_sky`: from that picture to it by the stars.
    pub fn at(&self, seconds: f64, by_sky: &PixelMap, size: (usize, usize)) -> Option<PixelMap> {
        let turn = Attitude::from_rotation_vector(self.rate.map(|rate| rate * seconds));
        let turned = match by_sky.lens() {
            Some(lens) => PixelMap::from_lens(*lens, turn, size),
            None => plane_of_turn(&self.lens, &turn),
        };
        turned.then(by_sky)
    }
}

fn length(v: [f64; 3]) -> f64 {
    v.iter().map(|x| x * x).sum::<f64>().sqrt()
}

/// How far the ground has turned against the stars, axis times angle, rad.
fn turned(seen: &SeenGround, lens: &Lens, size: (usize, usize)) -> Option<[f64; 3]> {
    let against = seen.by_ground.then(&seen.by_sky.inverse()?)?;
    Some(turn_of(&against, lens, size)?.rotation_vector())
}

/// The turn of the camera that comes closest to a map.
pub(super) fn turn_of(
    map: &PixelMap,
    lens: &Lens,
    (width, height): (usize, usize),
) -> Option<Attitude> {
    const LATTICE: (usize, usize) = (7, 5);
    let lattice = map.lattice(width, height, LATTICE.0, LATTICE.1);
    let directions: Vec<_> = lattice
        .into_iter()
        .filter_map(|[x, y, to_x, to_y]| {
            let to = to_x.is_finite() && to_y.is_finite();
            Some((
                lens.unproject(x, y)?,
                lens.unproject(to_x, to_y).filter(|_| to)?,
            ))
        })
        .collect();
    Attitude::between(directions.iter().map(|(from, to)| (from, to, 1.0)))
}

#[cfg(test)]
mod tests {
    use super::*;

    use crate::Projection;

    const FOCAL_PX: f64 = 2000.0;
    const SIZE: (usize, usize) = (900, 600);
    const POLE: [f64; 3] = [0.36, -0.8, 0.48];

    fn lens(focal_px: f64) -> Lens {
        Lens::new(Projection::Rectilinear, focal_px, [449.5, 299.5], [0.0; 3])
    }

    /// Pictures of a camera that is moved by hand, over a ground that turns at a rate.
    fn seen(seconds: &[f64], rate: f64) -> Vec<SeenGround> {
        let map = |turn: &Attitude| plane_of_turn(&lens(FOCAL_PX), turn);
        seconds
            .iter()
            .map(|&seconds| {
                let sway = [0.01 * (seconds * 0.7).sin(), 0.004 * seconds.cos(), 0.002];
                let by_sky = Attitude::from_rotation_vector(sway);
                let turn = Attitude::from_rotation_vector(POLE.map(|p| p * rate * seconds));
                SeenGround {
                    seconds,
                    by_ground: map(&turn.then(&by_sky)),
                    by_sky: map(&by_sky),
                }
            })
            .collect()
    }

    #[test]
    fn the_sidereal_rate_tells_the_focal_length() {
        let seen = seen(&[400.0], SIDEREAL_RAD_PER_S);
        for begun_px in [700.0, 2000.0, 6000.0] {
            let found = GroundTurn::sidereal_lens(&seen[0], &lens(begun_px), SIZE);
            let focal_px = found.expect("a focal length").focal_px();
            assert!((focal_px / FOCAL_PX - 1.0).abs() < 0.01, "{focal_px}");
        }
        // No ground of this planet.
        let fast = self::seen(&[400.0], 30.0 * SIDEREAL_RAD_PER_S);
        assert!(GroundTurn::sidereal_lens(&fast[0], &lens(2000.0), SIZE).is_none());
    }

    fn off_px(turn: &GroundTurn, seen: &SeenGround) -> f64 {
        let map = turn.at(seen.seconds, &seen.by_sky, SIZE).expect("a map");
        let (a, b) = (map.map(300.0, 500.0), seen.by_ground.map(300.0, 500.0));
        (a.0 - b.0).hypot(a.1 - b.1)
    }

    #[test]
    fn the_rest_of_a_burst_follows_from_a_part_of_it() {
        let mut all = seen(&[0.0, 40.0, 80.0, 120.0, 160.0, 900.0], SIDEREAL_RAD_PER_S);
        let last = all.pop().expect("the last");
        // One false place does not matter.
        all[2].by_ground = PixelMap::identity();
        let turn = GroundTurn::fit(&all, &lens(FOCAL_PX), SIZE).expect("a turn");
        assert!(off_px(&turn, &last) < 0.1, "{}", off_px(&turn, &last));
        // 130 px from there on, through a focal length that is off by a tenth.
        let turn = GroundTurn::fit(&all, &lens(1.1 * FOCAL_PX), SIZE).expect("a turn");
        assert!(off_px(&turn, &last) < 3.0, "{}", off_px(&turn, &last));
        let turn = GroundTurn::of_one(&all[1], &lens(FOCAL_PX), SIZE).expect("a turn");
        assert!(off_px(&turn, &last) < 0.1, "{}", off_px(&turn, &last));
        assert!(GroundTurn::of_one(&all[0], &lens(FOCAL_PX), SIZE).is_none());
    }

    #[test]
    fn what_does_not_turn_like_the_earth_is_not_believed() {
        let times = [0.0, 40.0, 80.0, 120.0];
        let fit = |seen: &[SeenGround]| GroundTurn::fit(seen, &lens(FOCAL_PX), SIZE);
        assert!(fit(&seen(&times, 0.0)).is_none());
        assert!(fit(&seen(&times, 2.0 * SIDEREAL_RAD_PER_S)).is_none());
        assert!(fit(&seen(&times[..2], SIDEREAL_RAD_PER_S)).is_none());
        assert!(fit(&[]).is_none());
    }
}
