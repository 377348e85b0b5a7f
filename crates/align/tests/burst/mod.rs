//! Star lists of whole bursts through the simulator's lenses, with every truth known.

#![allow(dead_code, reason = "each test file uses its part")]

use radicand_align::{
    AlignError, Alignment, MatchOptions, SkyModel, SkyModelError, SkyOptions, Star, align_stars,
    solve_sky,
};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use synth::{Mapping, Matrix, Projection, Refraction, rotation_about};

/// A burst: a lens, a sensor, and where the sky is turned to on each frame.
pub struct Burst {
    pub projection: Projection,
    pub size: (usize, usize),
    /// Sky to camera, against the first frame.
    pub rotations: Vec<Matrix>,
    /// Stars on a frame, about.
    pub stars: usize,
    pub seed: u64,
    /// Stars of given direction in the first frame's axes, brighter than all others.
    pub bright: Vec<[f64; 3]>,
    /// Lights on the ground: pixels that all frames show alike.
    pub lamps: Vec<(f64, f64)>,
    /// Air that bends, and the zenith over a camera that stands still.
    pub air: Option<(Refraction, [f64; 3])>,
}

/// Sine of the altitude up to which the ground hides stars that air bends.
const GROUND_SINE: f64 = 0.087;

/// A frame's own alignment; `None` for the reference.
pub type Place = Option<Result<Alignment, AlignError>>;

/// Flux of a star with an SNR of 1, DN.
const NOISE_DN: f64 = 50.0;

impl Burst {
    pub fn new(
        mapping: Mapping,
        focal_px: f64,
        size: (usize, usize),
        distortion: [f64; 3],
    ) -> Self {
        let center = [(size.0 as f64 - 1.0) / 2.0, (size.1 as f64 - 1.0) / 2.0];
        Self {
            projection: Projection::new(mapping, focal_px, center, distortion),
            size,
            rotations: Vec::new(),
            stars: 1000,
            seed: 1,
            bright: Vec::new(),
            lamps: Vec::new(),
            air: None,
        }
    }

    /// A tripod: frames at these times, s, the sky turning about `axis`.
    pub fn turning(mut self, axis: [f64; 3], times_s: &[f64]) -> Self {
        let rate = synth::SIDEREAL_RATE_ARCSEC_PER_S / 206_264.806_247;
        self.rotations = times_s
            .iter()
            .map(|t| rotation_about(axis, rate * t))
            .collect();
        self
    }

    /// What each frame shows: centroid errors as the fluxes make them, a tenth missed, a
    /// twentieth invented.
    pub fn lists(&self) -> Vec<Vec<Star>> {
        let mut rng = ChaCha8Rng::seed_from_u64(self.seed);
        let (width, height) = (self.size.0 as f64, self.size.1 as f64);
        // Drawn evenly on the sensor, then on the sky around it as densely: those that come in.
        let edge = (0..4)
            .map(|i| {
                let (x, y) = (width * f64::from(i % 2), height * f64::from(i / 2));
                self.projection.cos_angle(x, y)
            })
            .fold(1.0, f64::min);
        let reach = (edge.acos() + 0.2).min(2.6);
        let brightest = |direction: &[f64; 3]| (*direction, 1e6);
        let mut sky: Vec<([f64; 3], f64)> = self.bright.iter().map(brightest).collect();
        let mut inside = 0;
        while inside < self.stars {
            let z = 1.0 - rng.random::<f64>() * (1.0 - reach.cos());
            let turn = std::f64::consts::TAU * rng.random::<f64>();
            let sine = (1.0 - z * z).sqrt();
            let direction = [sine * turn.cos(), sine * turn.sin(), z];
            let flux = 500.0 * (1.0 - rng.random::<f64>()).powf(-1.2).min(1e3);
            inside += usize::from(self.seen(direction).is_some());
            sky.push((direction, flux));
        }
        let mut lists = Vec::new();
        for rotation in &self.rotations {
            let mut list = Vec::new();
            for (direction, flux) in &sky {
                let seen = self.seen(turned(rotation, *direction));
                if let Some((x, y)) = seen.filter(|_| rng.random::<f64>() > 0.1) {
                    list.push(measured(x, y, *flux, &mut rng));
                }
            }
            for _ in 0..self.stars / 20 {
                let flux = 500.0 * (1.0 - rng.random::<f64>()).powf(-1.2).min(1e3);
                let (x, y) = (width * rng.random::<f64>(), height * rng.random::<f64>());
                list.push(measured(x, y, flux, &mut rng));
            }
            for (i, (x, y)) in self.lamps.iter().enumerate() {
                let flux_dn = 40_000.0 / (1.0 + i as f64);
                list.push(measured(*x, *y, flux_dn, &mut rng));
            }
            list.sort_by(|a, b| b.flux_dn.total_cmp(&a.flux_dn));
            lists.push(list);
        }
        lists
    }

    /// Where a frame shows a direction of the first frame's axes.
    pub fn place(&self, frame: usize, direction: [f64; 3]) -> Option<(f64, f64)> {
        self.seen(turned(&self.rotations[frame], direction))
    }

    fn seen(&self, direction: [f64; 3]) -> Option<(f64, f64)> {
        let (x, y) = self.projection.project(self.bent(direction)?)?;
        let inside = (0.0..self.size.0 as f64 - 1.0).contains(&x)
            && (0.0..self.size.1 as f64 - 1.0).contains(&y);
        inside.then_some((x, y))
    }

    /// Where a pixel of the first frame lies on another.
    pub fn truth(&self, frame: usize, x: f64, y: f64) -> Option<(f64, f64)> {
        let direction = self.unbent(self.projection.direction(x, y))?;
        let seen = self.bent(turned(&self.rotations[frame], direction))?;
        self.projection.project(seen)
    }

    /// Where the air lets a direction of a frame's axes be seen; `None` behind the ground.
    fn bent(&self, direction: [f64; 3]) -> Option<[f64; 3]> {
        let Some((air, zenith)) = self.air else {
            return Some(direction);
        };
        let sine: f64 = (0..3).map(|k| direction[k] * zenith[k]).sum();
        (sine > GROUND_SINE).then(|| air.apparent(direction, zenith))
    }

    /// The direction that the air lets be seen in another.
    fn unbent(&self, apparent: [f64; 3]) -> Option<[f64; 3]> {
        const ROUNDS: usize = 10;
        let mut direction = apparent;
        for _ in 0..ROUNDS {
            let seen = self.bent(direction)?;
            direction = [0, 1, 2].map(|k| direction[k] + apparent[k] - seen[k]);
        }
        Some(direction)
    }

    /// Root mean square error of maps over the whole first frame, corners included, and the
    /// greatest; of pixels that the other frame shows, too.
    pub fn map_errors_px(
        &self,
        frame: usize,
        map: impl Fn(f64, f64) -> Option<(f64, f64)>,
    ) -> (f64, f64) {
        let (mut squares, mut worst, mut n) = (0.0, 0.0_f64, 0.0);
        for (i, j) in (0..=20).flat_map(|i| (0..=20).map(move |j| (i, j))) {
            let x = f64::from(i) / 20.0 * (self.size.0 as f64 - 1.0);
            let y = f64::from(j) / 20.0 * (self.size.1 as f64 - 1.0);
            let Some((want_x, want_y)) = self.truth(frame, x, y) else {
                continue;
            };
            let shown = (0.0..self.size.0 as f64).contains(&want_x)
                && (0.0..self.size.1 as f64).contains(&want_y);
            if !shown {
                continue;
            }
            let (got_x, got_y) = map(x, y).expect("the map reaches what the frame shows");
            let error = (got_x - want_x).hypot(got_y - want_y);
            squares += error * error;
            worst = worst.max(error);
            n += 1.0;
        }
        ((squares / n).sqrt(), worst)
    }
}

fn turned(rotation: &Matrix, direction: [f64; 3]) -> [f64; 3] {
    [0, 1, 2].map(|i| (0..3).map(|k| rotation[i][k] * direction[k]).sum())
}

fn measured(x: f64, y: f64, flux_dn: f64, rng: &mut ChaCha8Rng) -> Star {
    let star = Star {
        x,
        y,
        flux_dn,
        peak_dn: flux_dn / 12.0,
        fwhm_px: 3.0,
        ellipticity: 0.05,
        position_angle_rad: 0.0,
        snr: flux_dn / NOISE_DN,
        saturated: false,
    };
    let mut normal = || -> f64 { StandardNormal.sample(rng) };
    let error_px = star.position_error_px();
    Star {
        x: x + error_px * normal(),
        y: y + error_px * normal(),
        flux_dn: flux_dn * (1.0 + normal() / star.snr).max(0.1),
        ..star
    }
}

/// A burst's lists, each aligned to the first.
pub struct Aligned {
    size: (usize, usize),
    pub lists: Vec<Vec<Star>>,
    pub places: Vec<Place>,
}

impl Aligned {
    pub fn of(burst: &Burst) -> Self {
        let (lists, size) = (burst.lists(), burst.size);
        let align = |list| align_stars(&lists[0], list, size, &MatchOptions::default());
        let places = (0..lists.len())
            .map(|i| (i > 0).then(|| align(&lists[i])))
            .collect();
        Self {
            size,
            lists,
            places,
        }
    }

    pub fn solve(&self, options: &SkyOptions) -> Result<SkyModel, SkyModelError> {
        let known: Vec<Option<&Alignment>> = (self.places.iter())
            .map(|place| place.as_ref().and_then(|place| place.as_ref().ok()))
            .collect();
        let slices: Vec<&[Star]> = self.lists.iter().map(Vec::as_slice).collect();
        solve_sky(&slices, &known, 0, self.size, options)
    }
}
