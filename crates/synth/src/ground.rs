//! The ground: a ridge with trees against the sky, and what lies below it.
//!
//! Drawn once as a panorama over azimuth and altitude; the camera then looks at that.

use crate::horizon::sin_cos_deg;
use crate::noise_field::{NoiseField, smoothstep};
use crate::random::{Purpose, mix, salt};
use rayon::prelude::*;

/// A textured ground below a ragged silhouette. It hides stars and glow.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ground {
    /// Mean altitude of the ridge, degrees.
    pub ridge_deg: f64,
    /// How far the ridge rises and falls about that, degrees.
    pub relief_deg: f64,
    /// Height of the tallest trees on it, degrees; 0 for none.
    pub trees_deg: f64,
    /// Mean brightness, mag/arcsec²: about 24 under a dark sky, 20 in lamp light (invented).
    pub mag_arcsec2: f64,
    /// Strength in R, G, B over a white ground of that brightness.
    pub tint: [f64; 3],
    /// Lamps on it below the trees.
    pub lamps: Option<Lamps>,
    /// Seed of its shape; that of the scene when `None`.
    pub seed: Option<u64>,
}

/// Points of white light that stand on the ground (invented): a village.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lamps {
    /// How many to a degree of azimuth.
    pub per_deg: f64,
    /// Magnitude of the brightest; the faintest are three magnitudes fainter.
    pub brightest_mag: f64,
    /// How far below the ridge they reach, degrees.
    pub depth_deg: f64,
}

/// The part of the ground that the pictures of a scene show.
#[derive(Clone, Debug)]
pub(crate) struct Panorama {
    west_deg: f64,
    bottom_deg: f64,
    step_deg: f64,
    columns: usize,
    rows: usize,
    /// Altitude of the silhouette at every column, degrees.
    skyline_deg: Vec<f32>,
    /// Share of a cell that is ground, and its brightness over the mean times that share.
    cells: Vec<[f32; 2]>,
}

/// Altitudes and azimuths (from that of the camera, -180 to 180) that are in view, degrees.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Extent {
    pub west_deg: f64,
    pub east_deg: f64,
    pub lowest_deg: f64,
}

/// Most cells of a panorama along either axis; wider ones get a coarser step.
const MOST_CELLS: f64 = 12_000.0;
/// Mean distance of two trees, degrees.
const TREE_SPACING_DEG: f64 = 0.16;

impl Ground {
    /// Altitude of the ridge over an azimuth, and height of the trees on it, degrees.
    fn outline_deg(&self, seed: u64, azimuth_deg: f64) -> [f64; 2] {
        let salt = salt(seed, Purpose::Ground);
        let field = NoiseField::new(salt);
        // On a circle, so that the ridge closes; hills about 6 degrees long.
        let (sin, cos) = sin_cos_deg(azimuth_deg);
        let ridge = field.at([10.0 * sin, 10.0 * cos, 0.5]) - 0.5;
        let rough = field.at([900.0 * sin, 900.0 * cos, 7.5]) - 0.5;
        let tree = self.trees_deg * tree_height(salt, azimuth_deg) * (1.0 + 0.5 * rough);
        [
            self.ridge_deg + 2.0 * self.relief_deg * ridge,
            tree.max(0.0),
        ]
    }

    /// Brightness over the mean at `depth_deg` below the ridge; trees stand above it.
    fn brightness(&self, field: &NoiseField, azimuth_deg: f64, depth_deg: f64) -> f64 {
        // Grass and stones grow larger towards the camera: even in the logarithm.
        let near = libm::log(0.25 + depth_deg.max(0.0));
        let texture = field.at([azimuth_deg / 0.5, 6.0 * near, 3.0]);
        let patches = field.at([azimuth_deg / 3.0, 1.5 * near, 11.0]);
        // Trees are dark, and so is the foot of the wood.
        let open = smoothstep(depth_deg / (0.3 * self.trees_deg + 0.05));
        (0.2 + 0.8 * open) * (0.3 + 0.8 * texture + 0.6 * patches)
    }

    /// The panorama of what is in view, in cells of about `pixel_deg`, blurred by `sigma_deg`.
    pub(crate) fn panorama(
        &self,
        seed: u64,
        camera_azimuth_deg: f64,
        extent: &Extent,
        pixel_deg: f64,
        sigma_deg: f64,
    ) -> Panorama {
        let width_deg = (extent.east_deg - extent.west_deg).max(pixel_deg);
        let top_deg = self.ridge_deg + self.relief_deg + 1.5 * self.trees_deg + 5.0 * sigma_deg;
        let height_deg = (top_deg - extent.lowest_deg).max(pixel_deg);
        let step_deg = pixel_deg
            .max(width_deg / MOST_CELLS)
            .max(height_deg / MOST_CELLS);
        let cells = |degrees: f64| (degrees / step_deg).ceil() as usize + 2;
        let mut panorama = Panorama {
            west_deg: extent.west_deg,
            bottom_deg: extent.lowest_deg,
            step_deg,
            columns: cells(width_deg),
            rows: cells(height_deg),
            skyline_deg: Vec::new(),
            cells: Vec::new(),
        };
        let outline: Vec<[f64; 2]> = (0..panorama.columns)
            .into_par_iter()
            .map(|col| {
                let azimuth_deg = camera_azimuth_deg + extent.west_deg + col as f64 * step_deg;
                self.outline_deg(seed, azimuth_deg)
            })
            .collect();
        let tops = outline.iter().map(|[ridge, trees]| (ridge + trees) as f32);
        panorama.skyline_deg = tops.collect();
        panorama.cells = self.cells(&panorama, seed, &outline);
        if let Some(lamps) = self.lamps {
            self.light(lamps, &mut panorama, seed, camera_azimuth_deg);
        }
        panorama.blur(sigma_deg / step_deg);
        panorama
    }

    fn cells(&self, panorama: &Panorama, seed: u64, outline: &[[f64; 2]]) -> Vec<[f32; 2]> {
        let field = NoiseField::new(salt(seed, Purpose::Ground));
        let cell = |i: usize| {
            let (row, col) = (i / panorama.columns, i % panorama.columns);
            let altitude_deg = panorama.bottom_deg + row as f64 * panorama.step_deg;
            let azimuth_deg = panorama.west_deg + col as f64 * panorama.step_deg;
            let [ridge_deg, trees_deg] = outline[col];
            let below_top_deg = ridge_deg + trees_deg - altitude_deg;
            let cover = (below_top_deg / panorama.step_deg + 0.5).clamp(0.0, 1.0);
            if cover == 0.0 {
                return [0.0; 2];
            }
            let bright = self.brightness(&field, azimuth_deg, ridge_deg - altitude_deg);
            [cover as f32, (cover * bright) as f32]
        };
        let n = panorama.rows * panorama.columns;
        (0..n).into_par_iter().map(cell).collect()
    }

    /// Puts lamps on a panorama, each in the cell that holds it: the lens blurs them later.
    fn light(&self, lamps: Lamps, panorama: &mut Panorama, seed: u64, camera_azimuth_deg: f64) {
        const ARCSEC_PER_DEG: f64 = 3600.0;
        /// Range of brightness, magnitudes.
        const RANGE_MAG: f64 = 3.0;
        let cell_arcsec2 = (panorama.step_deg * ARCSEC_PER_DEG).powi(2);
        let (west, east) = (
            panorama.west_deg,
            panorama.west_deg + (panorama.columns - 1) as f64 * panorama.step_deg,
        );
        let slots = ((east - west) * lamps.per_deg).floor() as usize;
        for slot in 0..slots {
            let mut random = uniform(mix(salt(seed, Purpose::Ground) ^ 0x1a3b) ^ slot as u64);
            let azimuth_deg = west + (slot as f64 + random()) / lamps.per_deg;
            let [ridge_deg, _] = self.outline_deg(seed, camera_azimuth_deg + azimuth_deg);
            let altitude_deg = ridge_deg - lamps.depth_deg * (0.1 + 0.9 * random());
            let mag = lamps.brightest_mag + RANGE_MAG * random();
            let col = ((azimuth_deg - west) / panorama.step_deg) as usize;
            let row = ((altitude_deg - panorama.bottom_deg) / panorama.step_deg).round();
            if row < 0.0 || row as usize >= panorama.rows {
                continue;
            }
            let over_mean = libm::pow(10.0, 0.4 * (self.mag_arcsec2 - mag)) / cell_arcsec2;
            panorama.cells[row as usize * panorama.columns + col][1] += over_mean as f32;
        }
    }
}

/// Numbers from 0 to 1, the same for a seed.
fn uniform(mut hash: u64) -> impl FnMut() -> f64 {
    move || {
        hash = mix(hash);
        (hash >> 11) as f64 / (1u64 << 53) as f64
    }
}

impl Panorama {
    /// Cover and brightness in a direction; azimuth from that of the camera.
    pub(crate) fn at(&self, altitude_deg: f64, azimuth_deg: f64) -> [f32; 2] {
        let x = (azimuth_deg - self.west_deg) / self.step_deg;
        let y = (altitude_deg - self.bottom_deg) / self.step_deg;
        if y >= (self.rows - 1) as f64 {
            return [0.0; 2];
        }
        let (col, across) = whole_and_part(x, self.columns);
        let (row, up) = whole_and_part(y, self.rows);
        let cell = |row: usize, col: usize| self.cells[row * self.columns + col];
        [0, 1].map(|i| {
            let line = |row| {
                let (left, right) = (cell(row, col)[i], cell(row, col + 1)[i]);
                left + across * (right - left)
            };
            let (low, high) = (line(row), line(row + 1));
            low + up * (high - low)
        })
    }

    /// Sine of the altitude above which there is only sky.
    pub(crate) fn top_sine(&self) -> f64 {
        let top_deg = self.bottom_deg + (self.rows - 1) as f64 * self.step_deg;
        sin_cos_deg(top_deg.min(90.0)).0
    }

    /// Whether the ground hides a direction.
    pub(crate) fn hides(&self, altitude_deg: f64, azimuth_deg: f64) -> bool {
        let (col, across) =
            whole_and_part((azimuth_deg - self.west_deg) / self.step_deg, self.columns);
        let (left, right) = (self.skyline_deg[col], self.skyline_deg[col + 1]);
        altitude_deg < f64::from(left + across * (right - left))
    }

    /// Blurs the cells as the lens does; `sigma` in cells.
    fn blur(&mut self, sigma: f64) {
        let reach = (4.0 * sigma).ceil() as usize;
        let weights: Vec<f32> = (0..=2 * reach)
            .map(|i| libm::exp(-0.5 * ((i as f64 - reach as f64) / sigma).powi(2)) as f32)
            .collect();
        let total: f32 = weights.iter().sum();
        if reach == 0 {
            return;
        }
        let smooth = |cells: &[[f32; 2]], n: usize, stride: usize, start: usize, at: usize| {
            let mut sum = [0.0f32; 2];
            for (i, weight) in weights.iter().enumerate() {
                let place = (at + i).saturating_sub(reach).min(n - 1);
                let cell = cells[start + place * stride];
                sum = [sum[0] + weight * cell[0], sum[1] + weight * cell[1]];
            }
            sum.map(|value| value / total)
        };
        let (rows, columns) = (self.rows, self.columns);
        let across: Vec<_> = (0..rows * columns)
            .into_par_iter()
            .map(|i| smooth(&self.cells, columns, 1, i / columns * columns, i % columns))
            .collect();
        self.cells = (0..rows * columns)
            .into_par_iter()
            .map(|i| smooth(&across, rows, columns, i % columns, i / columns))
            .collect();
    }
}

fn whole_and_part(position: f64, n: usize) -> (usize, f32) {
    let position = position.clamp(0.0, (n - 1) as f64);
    let low = (position as usize).min(n - 2);
    (low, (position - low as f64) as f32)
}

/// Outline of the trees over an azimuth, 0 to 1: pointed crowns of many heights, in stands
/// with gaps between.
fn tree_height(salt: u64, azimuth_deg: f64) -> f64 {
    let slot = (azimuth_deg / TREE_SPACING_DEG).floor() as i64;
    let slots = (360.0 / TREE_SPACING_DEG) as i64;
    let mut tallest: f64 = 0.0;
    for near in slot - 2..=slot + 2 {
        let mut random = uniform(mix(salt ^ near.rem_euclid(slots) as u64));
        let stand = mix(salt ^ 0x77 ^ (near.rem_euclid(slots) / 14) as u64) % 3;
        let middle_deg = (near as f64 + random()) * TREE_SPACING_DEG;
        let height = if stand == 0 {
            0.0
        } else {
            0.3 + 0.7 * random()
        };
        let half_width_deg = TREE_SPACING_DEG * (0.4 + 0.6 * random());
        let slope = 1.0 - ((azimuth_deg - middle_deg) / half_width_deg).abs();
        tallest = tallest.max(height * slope);
    }
    tallest
}
