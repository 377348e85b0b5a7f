//! The ground where the camera does not stand still: its place in every light.

use crate::ground_maps::GroundMaps;
use crate::light::SolvedLight;
use align::{FoundGround, PixelMap, ground_on_light, shown_by};
use ndarray::{Array2, Zip};
use stack::GroundMask;

/// Share of a light from which a ground in it has to be seen.
const MUCH: f64 = 0.05;

/// A ground that moves in the frame, since the camera follows the sky or is held by hand.
#[derive(Clone, Debug)]
pub struct MovingGround {
    /// Pixel of the reference to pixel of each light, by the ground; lights in capture order.
    pub maps: Vec<PixelMap>,
    /// Where the reference shows ground at the middle of its exposure, `[row, column]`.
    pub ground: Array2<bool>,
    /// How far it moves in the frame from the first light to the last, px.
    pub drift_px: f64,
    /// How far it moves to the right and down during a light, px; 0 where its motion is not
    /// steady.
    pub sweep_px: (f64, f64),
    /// Share of the lights' samples that is kept out of the sky, 0 to 1.
    pub masked: f64,
    /// Lights that have it in view by their stars but do not show it.
    pub guessed: Vec<usize>,
    shown: Vec<ShownGround>,
}

/// The ground as one light shows it.
#[derive(Clone, Debug)]
pub(crate) struct ShownGround {
    /// In that light's pixels.
    pub found: FoundGround,
    /// Pixel of that light to pixel of each light, by the ground.
    pub maps: Vec<PixelMap>,
}

impl ShownGround {
    /// A mask that was given for the reference.
    pub(crate) fn given(mask: &Array2<bool>, places: &GroundMaps) -> Self {
        Self {
            found: FoundGround {
                ground: mask.clone(),
                touched: mask.clone(),
            },
            maps: places.maps.clone(),
        }
    }

    /// The middle of the ground, in the pixels of every light.
    fn center_places(&self) -> Vec<(f64, f64)> {
        let (mut n, mut x, mut y) = (0.0, 0.0, 0.0);
        for ((row, col), _) in self.found.ground.indexed_iter().filter(|(_, set)| **set) {
            (n, x, y) = (n + 1.0, x + col as f64, y + row as f64);
        }
        let n = f64::max(n, 1.0);
        self.maps.iter().map(|map| map.map(x / n, y / n)).collect()
    }
}

impl MovingGround {
    /// - `maps`: pixel of the reference to pixel of each light.
    /// - `shown`: the ground as some lights show it, one at least; what the first shows holds.
    pub(crate) fn new(
        maps: Vec<PixelMap>,
        reference: usize,
        mut shown: Vec<ShownGround>,
        lights: &[SolvedLight],
    ) -> Self {
        let places = shown[0].center_places();
        let sweep_px = sweep_px(&places, lights);
        let drift_px = places
            .iter()
            .map(|place| (place.0 - places[0].0).hypot(place.1 - places[0].1))
            .fold(0.0, f64::max);
        for ShownGround { found, .. } in &mut shown {
            // What sweeps over a pixel for a short time may hide in the noise.
            let swept = ground_on_light(&found.ground, &PixelMap::identity(), sweep_px, 1);
            found
                .touched
                .zip_mut_with(&swept, |touched, swept| *touched |= swept);
        }
        let mut moving = Self {
            ground: Array2::default((0, 0)),
            maps,
            drift_px,
            sweep_px,
            masked: 0.0,
            guessed: Vec::new(),
            shown,
        };
        moving.ground = moving.on_light(reference);
        moving
    }

    /// - `unseen`: lights on which it was not found.
    pub(crate) fn guessed_on(mut self, unseen: &[usize]) -> Self {
        let in_view = |&light: &usize| {
            let ground = self.on_light(light);
            let pixels = ground.iter().filter(|&&set| set).count();
            pixels as f64 > MUCH * ground.len() as f64
        };
        self.guessed = unseen.iter().copied().filter(in_view).collect();
        self
    }

    /// Where a light shows ground at the middle of its exposure.
    pub fn on_light(&self, light: usize) -> Array2<bool> {
        self.laid_on(light, 1, |found| &found.ground)
    }

    /// Where a light shows ground at any time of its exposure.
    pub fn swept(&self, light: usize) -> GroundMask {
        // What no light shows may be as high as its highest tree.
        let beyond_px = self.ground.ncols();
        GroundMask::new(self.laid_on(light, beyond_px, |found| &found.touched))
    }

    /// Length of the way that it moves during a light, px.
    pub fn smear_px(&self) -> f64 {
        self.sweep_px.0.hypot(self.sweep_px.1)
    }

    /// A mask of the ground on a light: from the first of those that show the place.
    fn laid_on(
        &self,
        light: usize,
        beyond_px: usize,
        mask: fn(&FoundGround) -> &Array2<bool>,
    ) -> Array2<bool> {
        let laid = |shown: &ShownGround, beyond_px| {
            let (mask, map) = (mask(&shown.found), &shown.maps[light]);
            ground_on_light(mask, map, (0.0, 0.0), beyond_px)
        };
        let first = &self.shown[0];
        let mut here = laid(first, beyond_px);
        let size = (here.ncols(), here.nrows());
        let mut known = shown_by(&first.maps[light], size);
        for other in &self.shown[1..] {
            Zip::from(&mut here)
                .and(&mut known)
                .and(&laid(other, 1))
                .and(&shown_by(&other.maps[light], size))
                .for_each(|here, known, &set, &shown| {
                    if shown && !*known {
                        (*here, *known) = (set, true);
                    }
                });
        }
        here
    }
}

/// Motion during a light, from the typical motion between neighbors in time: that of a
/// tracker is steady, and a hand's has no direction.
fn sweep_px(places: &[(f64, f64)], lights: &[SolvedLight]) -> (f64, f64) {
    let time_s = |i: usize| {
        let captured = |i: usize| lights[i].frame.frame.info.captured;
        Some(captured(i)?.seconds_since(&captured(0)?))
    };
    let exposure_s = lights[0].frame.frame.info.exposure_s.unwrap_or(0.0);
    let mut rates: Vec<(f64, f64)> = Vec::new();
    for i in 1..places.len() {
        if let Some(seconds) = time_s(i).zip(time_s(i - 1)).map(|(to, from)| to - from)
            && seconds > 0.0
        {
            let (from, to) = (places[i - 1], places[i]);
            rates.push(((to.0 - from.0) / seconds, (to.1 - from.1) / seconds));
        }
    }
    let typical = |of: fn(&(f64, f64)) -> f64| crate::cull::median(rates.iter().map(of));
    let Some((x, y)) = typical(|rate| rate.0).zip(typical(|rate| rate.1)) else {
        return (0.0, 0.0);
    };
    let off = crate::cull::median(rates.iter().map(|rate| (rate.0 - x).hypot(rate.1 - y)));
    // A motion that changes as much as it moves is not steady.
    let steady = off.is_some_and(|off| off < 0.5 * x.hypot(y));
    match steady {
        true => (x * exposure_s, y * exposure_s),
        false => (0.0, 0.0),
    }
}
