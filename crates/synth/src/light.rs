//! The light on the sensor in one exposure: stars, glow, what crosses the picture.

use crate::lattice::Lattice;
use crate::lens::FWHM_PER_SIGMA;
use crate::noise_field::NoiseField;
use crate::random::{Purpose, salt};
use crate::rotation::{self, Matrix};
use crate::sky::surface_electrons_per_s;
use crate::star_image::{REACH_SIGMAS, Scratch, Strip, add_star, path_moments};
use crate::{Simulator, Weather};
use ndarray::Array2;
use rayon::prelude::*;

/// Rows that one task renders; fixed, so that sums do not depend on the threads.
pub(crate) const STRIP_ROWS: usize = 32;

/// One light as it is being rendered: what its strips share.
pub(crate) struct View<'a> {
    simulator: &'a Simulator,
    index: usize,
    weather: Weather,
    /// Homographies from the reference, and the share of the exposure each stands for.
    moments: Vec<(Matrix, f64)>,
    /// Positions of the stars in the reference light.
    positions: Vec<Option<(f64, f64)>>,
    /// Thickness of the cloud.
    cloud: Option<Lattice<1>>,
    /// The band over its own brightness, in R, G, B.
    band: Option<Lattice<3>>,
    /// Stars that fall on each strip.
    strips: Vec<Vec<usize>>,
}

impl<'a> View<'a> {
    pub(crate) fn new(simulator: &'a Simulator, index: usize, weather: Weather) -> Self {
        let projection = simulator.projection();
        let height = simulator.scene().height;
        let mut view = Self {
            simulator,
            index,
            weather,
            moments: simulator.moments(index),
            positions: simulator
                .stars()
                .iter()
                .map(|star| projection.project(star.direction))
                .collect(),
            cloud: match weather {
                Weather::AsItIs => simulator.cloud_thickness(index),
                Weather::Clear => None,
            },
            band: simulator.band_brightness(index),
            strips: vec![Vec::new(); height.div_ceil(STRIP_ROWS)],
        };
        view.assign_stars();
        view
    }

    /// Expected electrons in R, G and B at every pixel.
    pub(crate) fn planes(&self) -> [Array2<f32>; 3] {
        let (width, height) = (self.simulator.scene().width, self.simulator.scene().height);
        let mut planes = [0, 1, 2].map(|_| Array2::<f32>::zeros((height, width)));
        let [red, green, blue] = planes.each_mut().map(|plane| {
            let values = plane.as_slice_mut().expect("made here, in standard layout");
            values.par_chunks_mut(STRIP_ROWS * width)
        });
        let strips = red.zip(green).zip(blue).enumerate();
        strips.for_each(|(number, ((red, green), blue))| {
            let mut strip = Strip {
                first_row: number * STRIP_ROWS,
                width,
                planes: [red, green, blue],
            };
            self.add_glow(&mut strip);
            self.add_stars(&mut strip, number);
            self.add_satellites(&mut strip);
        });
        planes
    }

    /// Notes which strips every star's light reaches.
    fn assign_stars(&mut self) {
        let strip = |y: f64| (y / STRIP_ROWS as f64).floor();
        for (star, position) in self.positions.iter().enumerate() {
            let Some(position) = *position else { continue };
            let (mut top, mut bottom) = (f64::INFINITY, f64::NEG_INFINITY);
            for (matrix, _) in &self.moments {
                let (_, y) = rotation::apply_homography(matrix, position.0, position.1);
                (top, bottom) = (top.min(y), bottom.max(y));
            }
            let reach = REACH_SIGMAS * self.sigma_px(position) + 1.0;
            let first = strip(top - reach).max(0.0);
            let last = strip(bottom + reach).min(self.strips.len() as f64 - 1.0);
            if first <= last {
                for strip in &mut self.strips[first as usize..=last as usize] {
                    strip.push(star);
                }
            }
        }
    }

    /// Width of a star's image, taken in the middle of the exposure.
    fn sigma_px(&self, position: (f64, f64)) -> f64 {
        let (x, y) = self.middle(position);
        self.simulator
            .scene()
            .lens
            .sigma_px(self.simulator.projection(), x, y)
    }

    fn middle(&self, position: (f64, f64)) -> (f64, f64) {
        let (matrix, _) = &self.moments[self.moments.len() / 2];
        rotation::apply_homography(matrix, position.0, position.1)
    }

    /// Thickness of the cloud, 0 to 1.
    fn thickness_at(&self, x: f64, y: f64) -> f64 {
        self.cloud
            .as_ref()
            .map_or(0.0, |cloud| f64::from(cloud.at(x, y)[0]))
    }

    /// Share of the starlight that comes through the cloud.
    fn transparency_at(&self, x: f64, y: f64) -> f64 {
        let opacity = self
            .simulator
            .scene()
            .cloud
            .map_or(0.0, |cloud| cloud.opacity);
        1.0 - opacity * self.thickness_at(x, y)
    }

    fn add_glow(&self, strip: &mut Strip<'_>) {
        let scene = self.simulator.scene();
        let (width, height) = (scene.width as f64, scene.height as f64);
        let surface_e = |mag: f64| {
            let per_s = surface_electrons_per_s(mag, &scene.lens, &scene.sensor);
            scene
                .sensor
                .efficiency
                .map(|efficiency| per_s * efficiency * scene.exposure_s)
        };
        let glow_e = scene.sky.glow.mag_arcsec2.map_or([0.0; 3], surface_e);
        let band_e = scene
            .sky
            .band
            .map_or([0.0; 3], |band| surface_e(band.mag_arcsec2));
        let added_glow = scene.cloud.map_or(0.0, |cloud| cloud.added_glow);
        let n_rows = strip.planes[0].len() / strip.width;
        for row in 0..n_rows {
            let y = (strip.first_row + row) as f64;
            let v = (2.0 * y + 1.0) / height - 1.0;
            let dome = scene.sky.glow.dome_at(v);
            for col in 0..strip.width {
                let x = col as f64;
                let u = (2.0 * x + 1.0) / width - 1.0;
                let illumination = scene.lens.illumination(self.simulator.projection(), x, y);
                let cloud = added_glow * self.thickness_at(x, y);
                let transparency = self.transparency_at(x, y);
                let glow = scene.sky.glow.relative(u, v, dome);
                let band = self.band.as_ref().map_or([0.0; 3], |band| band.at(x, y));
                for channel in 0..3 {
                    let sky = glow_e[channel] * (glow[channel] + cloud);
                    let stars = band_e[channel] * f64::from(band[channel]) * transparency;
                    strip.planes[channel][row * strip.width + col] =
                        (illumination * (sky + stars)) as f32;
                }
            }
        }
    }

    fn add_stars(&self, strip: &mut Strip<'_>, number: usize) {
        let scene = self.simulator.scene();
        let mut scratch = Scratch::default();
        let mut path = Vec::new();
        for &star in &self.strips[number] {
            let Some(position) = self.positions[star] else {
                continue;
            };
            path.clear();
            path.extend(self.moments.iter().map(|(matrix, weight)| {
                let (x, y) = rotation::apply_homography(matrix, position.0, position.1);
                (x, y, *weight)
            }));
            let (x, y) = self.middle(position);
            let light = scene.exposure_s
                * scene.lens.illumination(self.simulator.projection(), x, y)
                * self.transparency_at(x, y);
            let electrons = self.simulator.stars()[star]
                .electrons_per_s(&scene.lens, &scene.sensor)
                .map(|rate| rate * light);
            add_star(
                strip,
                &path,
                self.sigma_px(position),
                electrons,
                &mut scratch,
            );
        }
    }

    fn add_satellites(&self, strip: &mut Strip<'_>) {
        let scene = self.simulator.scene();
        if self.weather == Weather::Clear {
            return;
        }
        for satellite in scene.satellites.iter().filter(|s| s.light == self.index) {
            let ends = satellite.ends_px(scene.width, scene.height);
            let sigma = scene.lens.fwhm_px / FWHM_PER_SIGMA;
            let electrons = scene
                .sensor
                .efficiency
                .map(|efficiency| efficiency * satellite.electrons_per_px);
            crate::weather::add_line(strip, ends, sigma, electrons);
        }
    }
}

impl Simulator {
    /// Thickness of the cloud over light `index`; `None` where there is none.
    pub(crate) fn cloud_thickness(&self, index: usize) -> Option<Lattice<1>> {
        let scene = self.scene();
        let cloud = scene.cloud.filter(|cloud| cloud.covers(index))?;
        let field = NoiseField::new(salt(scene.seed, Purpose::CloudNoise));
        let elapsed_s = scene.elapsed_s(index, 0.0);
        Some(Lattice::new(scene.width, scene.height, |x, y| {
            [cloud.thickness(&field, index, elapsed_s, x, y)]
        }))
    }

    /// Brightness of the band in light `index` over its own, in R, G, B.
    fn band_brightness(&self, index: usize) -> Option<Lattice<3>> {
        let scene = self.scene();
        let band = scene.sky.band?;
        let field = NoiseField::new(salt(scene.seed, Purpose::BandNoise));
        let to_reference = rotation::transpose(&self.rotation(index, 0.0));
        Some(Lattice::new(scene.width, scene.height, |x, y| {
            let direction = self.projection().direction(x, y);
            band.relative(&field, rotation::apply(&to_reference, direction))
        }))
    }

    /// The exposure of light `index` as moments, so many that no star moves more than
    /// about a sigma between two segments.
    fn moments(&self, index: usize) -> Vec<(Matrix, f64)> {
        let matrix =
            |fraction| rotation::homography(self.projection(), &self.rotation(index, fraction));
        let (open, close) = (matrix(-0.5), matrix(0.5));
        let (right, bottom) = (self.scene().width as f64, self.scene().height as f64);
        let trail_px = [(0.0, 0.0), (right, 0.0), (0.0, bottom), (right, bottom)]
            .map(|(x, y)| {
                let from = rotation::apply_homography(&open, x, y);
                let to = rotation::apply_homography(&close, x, y);
                (to.0 - from.0).hypot(to.1 - from.1)
            })
            .into_iter()
            .fold(0.0, f64::max);
        let sigma_px = self.scene().lens.fwhm_px / FWHM_PER_SIGMA;
        path_moments((trail_px / sigma_px).ceil() as usize)
            .into_iter()
            .map(|(fraction, weight)| (matrix(fraction), weight))
            .collect()
    }
}
