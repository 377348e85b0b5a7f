//! Detections that stand still while the sky turns: lamps on the ground, and defects.

use crate::neighbors::Neighbors;
use crate::{Attitude, Lens, Star};

/// Of every frame's detections, whether they stand still.
///
/// One does that has company on the same pixels of half of those frames, three at least,
/// whose sky has moved on from there. Stars about the pole, which hardly move, never do.
pub(crate) fn standing(
    frames: &[&[Star]],
    lens: &Lens,
    attitudes: &[Option<Attitude>],
) -> Vec<Vec<bool>> {
    /// What a lamp's place is uncertain by at most, px: by chance another star is as near
    /// once in thousands.
    const ALIKE_PX: f64 = 0.3;
    /// What the sky has to move by, px.
    const MOVED_PX: f64 = 1.0;
    const FEWEST: usize = 3;
    let indexes: Vec<Neighbors<2>> = frames
        .iter()
        .map(|stars| {
            let places: Vec<[f64; 2]> = stars.iter().map(|star| [star.x, star.y]).collect();
            Neighbors::new(&places)
        })
        .collect();
    let stands = |frame: usize, star: &Star| {
        let (Some(own), Some(direction)) = (attitudes[frame], lens.unproject(star.x, star.y))
        else {
            return false;
        };
        let (mut passed, mut alike) = (0, 0);
        for (other, attitude) in attitudes.iter().enumerate() {
            let Some(attitude) = attitude.filter(|_| other != frame) else {
                continue;
            };
            let there = own.inverse().then(&attitude).rotate(direction);
            let moved_px = lens
                .project(there)
                .map_or(f64::INFINITY, |[x, y]| (x - star.x).hypot(y - star.y));
            if moved_px > MOVED_PX {
                passed += 1;
                let near = indexes[other].nearest(&[star.x, star.y], ALIKE_PX);
                alike += usize::from(near.is_some());
            }
        }
        alike >= FEWEST && 2 * alike >= passed
    };
    (0..frames.len())
        .map(|frame| {
            frames[frame]
                .iter()
                .map(|star| stands(frame, star))
                .collect()
        })
        .collect()
}
