//! A simulated field of stars of known place and SNR, and how well a perfect reader of its
//! pixels could place them.

pub mod figures;

use super::align::{
    Background, BackgroundOptions, DetectOptions, Star, detect, luminance, refine_places,
};
use ndarray::Array2;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use raw::Channel;
use synth::{Lens, Mount, Scene, Sensor, Simulator, Stars, Weather};

/// Distance of neighboring stars, px: their light does not meet.
const PITCH_PX: f64 = 36.0;
/// How far a star may be off its place in the lattice, px: were it less, five alike would
/// stand in a line at equal steps, as the lights of an aircraft do.
const JITTER_PX: f64 = 5.0;
/// Half of the box that a star's light is looked for in, px.
const REACH_PX: f64 = 14.0;
/// Shift that the slope of a star's image is taken from, px.
const STEP_PX: f64 = 0.05;
/// Colors of the drawn stars cover what the sky has: B-V from and to.
const COLORS_BV: (f64, f64) = (-0.1, 1.5);

/// What to draw.
#[derive(Clone, Debug)]
pub struct Field {
    /// Columns and rows.
    pub size: (usize, usize),
    /// FWHM at the center, its growth to the corner, and coma there: px, share, px.
    pub blur: (f64, f64, f64),
    /// Path of the stars during the exposure, px.
    pub trail_px: f64,
    /// SNR of the stars, each as often.
    pub snrs: Vec<f64>,
    /// Share of hot photosites.
    pub hot_fraction: f64,
    /// Seed of everything.
    pub seed: u64,
}

/// A star that was drawn.
#[derive(Clone, Copy, Debug)]
pub struct Placed {
    /// Middle of its path, px.
    pub x: f64,
    pub y: f64,
    /// Flux over the error of the best estimate of it: `F √Σ P²/V` over the photosites.
    pub snr: f64,
    /// Cramér-Rao bound of the centroid along x and y, px, flux unknown.
    pub bound_px: [f64; 2],
}

/// A drawn field.
pub struct Starfield {
    simulator: Simulator,
    pub placed: Vec<Placed>,
}

impl Starfield {
    /// Draws stars on a jittered lattice and brings each to its SNR.
    pub fn new(field: &Field) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(field.seed);
        let (columns, rows) = (
            (field.size.0 as f64 / PITCH_PX) as usize - 1,
            (field.size.1 as f64 / PITCH_PX) as usize - 1,
        );
        let places: Vec<(f64, f64, f64)> = (0..columns * rows)
            .map(|i| {
                let mut jitter = || random.random_range(-JITTER_PX..JITTER_PX);
                let x = PITCH_PX * (1.0 + (i % columns) as f64) + jitter();
                let y = PITCH_PX * (1.0 + (i / columns) as f64) + jitter();
                (x, y, random.random_range(COLORS_BV.0..COLORS_BV.1))
            })
            .collect();
        // Any order but that of the places.
        let wanted = |i: usize| field.snrs[(i * 7 + i / columns * 3) % field.snrs.len()];
        const FIRST_MAG: f64 = 8.0;
        let draw = |dx: f64, dy: f64, magnitudes: &[f64]| scene(field, dx, dy, &places, magnitudes);
        let first = vec![FIRST_MAG; places.len()];
        let [here, left, right, up, down, empty] = [
            draw(0.0, 0.0, &first),
            draw(-STEP_PX, 0.0, &first),
            draw(STEP_PX, 0.0, &first),
            draw(0.0, -STEP_PX, &first),
            draw(0.0, STEP_PX, &first),
            draw(0.0, 0.0, &[]),
        ]
        .map(|scene| recorded(&scene));
        let sensor = &draw(0.0, 0.0, &[]).sensor;
        // Rounding to whole numbers adds 1/12 DN².
        let read_e2 = sensor.read_noise_e.powi(2) + sensor.gain_e_per_dn.powi(2) / 12.0;
        let mut magnitudes = Vec::new();
        let mut placed = Vec::new();
        for (i, &(x, y, _)) in places.iter().enumerate() {
            let mut sites = Vec::new();
            for row in (y - REACH_PX) as usize..=(y + REACH_PX) as usize {
                for col in (x - REACH_PX) as usize..=(x + REACH_PX) as usize {
                    let at = (row, col);
                    let slope = |a: &Array2<f32>, b: &Array2<f32>| {
                        f64::from(b[at] - a[at]) / (2.0 * STEP_PX)
                    };
                    sites.push(Site {
                        light: f64::from(here[at] - empty[at]),
                        slope: [slope(&left, &right), slope(&up, &down)],
                        empty_e2: f64::from(empty[at]) + read_e2,
                    });
                }
            }
            let factor = factor_for(wanted(i), &sites);
            magnitudes.push(FIRST_MAG - 2.5 * factor.log10());
            placed.push(Placed {
                x,
                y,
                snr: snr(factor, &sites),
                bound_px: bound_px(factor, &sites),
            });
        }
        let simulator = Simulator::new(&draw(0.0, 0.0, &magnitudes)).expect("a scene");
        Self { simulator, placed }
    }

    /// The stars found on one of the field's frames, which differ by their noise.
    pub fn found(&self, frame: usize, options: &DetectOptions) -> Vec<Star> {
        found_on(&self.simulator, frame, options)
    }

    /// Distance of a star from the middle over that of the corner.
    pub fn corner_share(&self, placed: &Placed) -> f64 {
        let scene = self.simulator.scene();
        let (cx, cy) = (0.5 * scene.width as f64, 0.5 * scene.height as f64);
        (placed.x - cx).hypot(placed.y - cy) / cx.hypot(cy)
    }
}

/// The stars found on a light, as the program finds them.
pub fn found_on(simulator: &Simulator, light: usize, options: &DetectOptions) -> Vec<Star> {
    let light = simulator.light(light).expect("a light");
    let sensor = &simulator.scene().sensor;
    let black_dn = f32::from(sensor.black_level_dn);
    let mosaic = light.mosaic.data.mapv(|value| f32::from(value) - black_dn);
    let plane = luminance(mosaic.view(), &sensor.cfa);
    let background = Background::estimate(plane.view(), &BackgroundOptions::default());
    let mut stars = detect(plane.view(), &background, options);
    refine_places(&mut stars, mosaic.view(), &sensor.cfa);
    stars
}

/// What one photosite holds of a star.
struct Site {
    light: f64,
    slope: [f64; 2],
    empty_e2: f64,
}

impl Site {
    fn variance_e2(&self, factor: f64) -> f64 {
        self.empty_e2 + factor * self.light
    }
}

fn snr(factor: f64, sites: &[Site]) -> f64 {
    let information = |site: &Site| (factor * site.light).powi(2) / site.variance_e2(factor);
    sites.iter().map(information).sum::<f64>().sqrt()
}

/// The factor of the light that brings a star to an SNR.
fn factor_for(wanted: f64, sites: &[Site]) -> f64 {
    let (mut low, mut high) = (1e-6_f64, 1e6_f64);
    for _ in 0..80 {
        let middle = (low * high).sqrt();
        if snr(middle, sites) < wanted {
            low = middle;
        } else {
            high = middle;
        }
    }
    (low * high).sqrt()
}

/// The bound of x and y from the Fisher information of x, y and the flux.
fn bound_px(factor: f64, sites: &[Site]) -> [f64; 2] {
    let mut information = [[0.0; 3]; 3];
    for site in sites {
        let [x, y] = site.slope.map(|slope| factor * slope);
        let by = [x, y, site.light];
        for (i, row) in information.iter_mut().enumerate() {
            for (j, value) in row.iter_mut().enumerate() {
                *value += by[i] * by[j] / site.variance_e2(factor);
            }
        }
    }
    let m = |i: usize, j: usize| information[i][j];
    let minor = |a: usize, b: usize| m(a, a) * m(b, b) - m(a, b) * m(b, a);
    let determinant = m(0, 0) * minor(1, 2) - m(0, 1) * (m(1, 0) * m(2, 2) - m(1, 2) * m(2, 0))
        + m(0, 2) * (m(1, 0) * m(2, 1) - m(1, 1) * m(2, 0));
    [minor(1, 2), minor(0, 2)].map(|minor| (minor / determinant).sqrt())
}

/// Expected electrons as the filters let them through.
fn recorded(scene: &Scene) -> Array2<f32> {
    let simulator = Simulator::new(scene).expect("a scene");
    let planes = simulator
        .expected_light(0, Weather::Clear)
        .expect("a light");
    Array2::from_shape_fn((scene.height, scene.width), |(row, col)| {
        let plane = match scene.sensor.cfa.at(row, col) {
            Channel::R => 0,
            Channel::B => 2,
            _ => 1,
        };
        planes[plane][(row, col)]
    })
}

/// The scene with stars at the places, moved; no more stars than magnitudes.
fn scene(field: &Field, dx: f64, dy: f64, places: &[(f64, f64, f64)], magnitudes: &[f64]) -> Scene {
    const EXPOSURE_S: f64 = 8.0;
    let mut scene = Scene::named("tripod-burst").expect("a scene");
    (scene.width, scene.height) = field.size;
    (scene.seed, scene.frames) = (field.seed, 100);
    (scene.exposure_s, scene.gap_s) = (EXPOSURE_S, 0.0);
    let (fwhm_px, fwhm_growth, coma_px) = field.blur;
    scene.lens = Lens {
        // A long lens: the field moves as one.
        focal_length_mm: 135.0,
        f_number: 2.0,
        widest_f_number: 2.0,
        fwhm_px,
        fwhm_growth,
        coma_px,
        vignetting: synth::Vignetting::None,
        ..scene.lens
    };
    scene.sensor = Sensor {
        // Room for stars of SNR 200 that fall on few pixels.
        gain_e_per_dn: 2.0,
        hot_fraction: field.hot_fraction,
        prnu: 0.0,
        dsnu_e: 0.0,
        row_noise_e: 0.0,
        dark_current_e_per_s: 0.0,
        ..scene.sensor
    };
    let projection = scene
        .lens
        .projection(scene.sensor.pitch_um, field.size.0, field.size.1);
    let per_px = projection.pixel_scale_arcsec();
    // About an axis across the view, tilted: the stars' path slants. Each frame is as the
    // first, since the camera goes back between them.
    scene.mount = Mount {
        rate_arcsec_per_s: 0.0,
        ..scene.mount
    };
    if field.trail_px > 0.0 {
        scene.mount.axis = [-0.5, 0.8, 0.0];
        scene.mount.rate_arcsec_per_s = field.trail_px * per_px / EXPOSURE_S;
        scene.frames = 1;
    }
    let stars = places
        .iter()
        .zip(magnitudes)
        .map(|(&(x, y, color_bv), &m)| synth::Star {
            direction: projection.direction(x + dx, y + dy),
            magnitude: m,
            color_bv,
        });
    scene.sky.stars = Stars::Listed(stars.collect());
    scene
}
