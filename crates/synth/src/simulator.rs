//! The camera at work: from a scene to expected light, and from there to frames.

use crate::lens::Projection;
use crate::noise_field::NoiseField;
use crate::random::{Purpose, salt};
use crate::rotation::{self, Matrix};
use crate::sensor::rows_of;
use crate::sky::surface_electrons_per_s;
use crate::star_image::{REACH_SIGMAS, Scratch, Strip, add_star, path_moments};
use crate::{Scene, SensorMaps, Star, Stars, SynthError, lattice::Lattice};
use ndarray::Array2;
use raw::{FrameKind, Mosaic};
use rayon::prelude::*;

/// A scene made ready: its stars are drawn, its sensor is built.
#[derive(Clone, Debug)]
pub struct Simulator {
    scene: Scene,
    projection: Projection,
    stars: Vec<Star>,
    maps: SensorMaps,
}

/// A frame as the camera recorded it.
#[derive(Clone, Debug)]
pub struct RenderedFrame {
    /// What the sensor recorded.
    pub mosaic: Mosaic,
    /// What it is for.
    pub kind: FrameKind,
    /// Shutter-open time, s.
    pub exposure_s: f64,
    /// From the reference light's picture to this one's, px to px, at mid-exposure;
    /// lights only.
    pub homography: Option<Matrix>,
}

/// Which parts of the sky are to be seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Weather {
    /// As the scene has it.
    AsItIs,
    /// No cloud and no satellites.
    Clear,
}

/// The light `index` of a scene. Whoever needs more than one makes a [`Simulator`] once.
///
/// # Errors
///
/// When the scene makes no sense or has no such light.
pub fn render(scene: &Scene, index: usize) -> Result<RenderedFrame, SynthError> {
    Simulator::new(scene)?.light(index)
}

/// Rows that one task renders; part of the result only through the order of sums.
const STRIP_ROWS: usize = 32;
/// Widest field that is drawn, from the axis, degrees.
const WIDEST_DEG: f64 = 80.0;

impl Simulator {
    /// Draws the stars and builds the sensor.
    ///
    /// # Errors
    ///
    /// When the scene makes no sense.
    pub fn new(scene: &Scene) -> Result<Self, SynthError> {
        scene.validate()?;
        let (width, height) = (scene.width, scene.height);
        let projection = scene.lens.projection(scene.sensor.pitch_um, width, height);
        let mut simulator = Self {
            scene: scene.clone(),
            projection,
            stars: Vec::new(),
            maps: scene.sensor.maps(scene.seed, width, height),
        };
        simulator.stars = simulator.draw_stars();
        Ok(simulator)
    }

    /// The scene.
    pub fn scene(&self) -> &Scene {
        &self.scene
    }

    /// Where the lens puts a direction.
    pub fn projection(&self) -> &Projection {
        &self.projection
    }

    /// All stars that can come into a light, brightest first.
    pub fn stars(&self) -> &[Star] {
        &self.stars
    }

    /// What is fixed in the sensor.
    pub fn maps(&self) -> &SensorMaps {
        &self.maps
    }

    /// From the reference light's picture to that of light `index` at mid-exposure, px to px.
    pub fn homography(&self, index: usize) -> Matrix {
        rotation::homography(&self.projection, &self.rotation(index, 0.0))
    }

    /// The light `index`, counted from 0; its noise is that of shot `index`.
    ///
    /// # Errors
    ///
    /// When there is no such light.
    pub fn light(&self, index: usize) -> Result<RenderedFrame, SynthError> {
        let light_e = self.expected_light(index, Weather::AsItIs)?;
        Ok(RenderedFrame {
            mosaic: self.expose(Some(&light_e), self.scene.exposure_s, index),
            kind: FrameKind::Light,
            exposure_s: self.scene.exposure_s,
            homography: Some(self.homography(index)),
        })
    }

    /// A frame without light; `shot` gives it noise of its own.
    pub fn dark(&self, kind: FrameKind, exposure_s: f64, shot: usize) -> RenderedFrame {
        RenderedFrame {
            mosaic: self.expose(None, exposure_s, shot),
            kind,
            exposure_s,
            homography: None,
        }
    }

    /// A flat; `shot` gives it noise of its own.
    pub fn flat(&self, shot: usize) -> RenderedFrame {
        let exposure_s = self.scene.calibration.flat_exposure_s;
        RenderedFrame {
            mosaic: self.expose(Some(&self.expected_flat()), exposure_s, shot),
            kind: FrameKind::Flat,
            exposure_s,
            homography: None,
        }
    }

    /// Light of a flat: expected electrons in R, G and B at every pixel.
    pub fn expected_flat(&self) -> [Array2<f32>; 3] {
        let sensor = &self.scene.sensor;
        let range_dn = sensor.white_level_dn() - sensor.black_level_dn;
        let level_e =
            self.scene.calibration.flat_level * f64::from(range_dn) * sensor.gain_e_per_dn;
        let best = sensor
            .efficiency
            .iter()
            .copied()
            .fold(f64::MIN_POSITIVE, f64::max);
        let illumination = self.illumination();
        sensor.efficiency.map(|efficiency| {
            illumination.mapv(|value| value * (level_e * efficiency / best) as f32)
        })
    }

    /// Light at every pixel over that at the center, as the lens gives it.
    pub fn illumination(&self) -> Array2<f32> {
        let mut picture = Array2::zeros((self.scene.height, self.scene.width));
        rows_of(&mut picture).for_each(|(row, values)| {
            for (col, value) in values.iter_mut().enumerate() {
                let (x, y) = (col as f64, row as f64);
                *value = self.scene.lens.illumination(&self.projection, x, y) as f32;
            }
        });
        picture
    }

    /// Expected electrons of light in R, G and B at every pixel of light `index`,
    /// vignetting included, before the sensor: no dark current, no pixel response.
    ///
    /// # Errors
    ///
    /// When there is no such light.
    pub fn expected_light(
        &self,
        index: usize,
        weather: Weather,
    ) -> Result<[Array2<f32>; 3], SynthError> {
        let (width, height) = (self.scene.width, self.scene.height);
        if index >= self.scene.frames {
            return Err(SynthError::NoSuchLight {
                scene: self.scene.name.clone(),
                index,
                lights: self.scene.frames,
            });
        }
        let view = View::new(self, index, weather);
        let mut planes = [0, 1, 2].map(|_| Array2::<f32>::zeros((height, width)));
        let [red, green, blue] = planes.each_mut().map(|plane| {
            let values = plane.as_slice_mut().expect("made here, in standard layout");
            values.par_chunks_mut(STRIP_ROWS * width)
        });
        red.zip(green)
            .zip(blue)
            .enumerate()
            .for_each(|(i, ((red, green), blue))| {
                let mut strip = Strip {
                    first_row: i * STRIP_ROWS,
                    width,
                    planes: [red, green, blue],
                };
                view.add_glow(&mut strip);
                view.add_stars(&mut strip, i);
                view.add_satellites(&mut strip);
            });
        Ok(planes)
    }

    /// Share of the starlight that comes through the cloud over light `index`: mean and least.
    pub fn transparency(&self, index: usize) -> (f64, f64) {
        let Some(cloud) = &self.scene.cloud else {
            return (1.0, 1.0);
        };
        let thickness = View::new(self, index, Weather::AsItIs).cloud;
        let through = thickness
            .nodes()
            .map(|[value]| 1.0 - cloud.opacity * f64::from(*value));
        let (mut sum, mut n, mut least) = (0.0, 0.0, 1.0f64);
        for value in through {
            (sum, n, least) = (sum + value, n + 1.0, least.min(value));
        }
        (sum / n, least)
    }

    fn expose(&self, light: Option<&[Array2<f32>; 3]>, exposure_s: f64, shot: usize) -> Mosaic {
        let scene = &self.scene;
        scene
            .sensor
            .expose(&self.maps, light, exposure_s, scene.seed, shot)
    }

    fn rotation(&self, index: usize, fraction: f64) -> Matrix {
        let elapsed_s = self.scene.elapsed_s(index, fraction);
        self.scene.mount.rotation(self.scene.seed, index, elapsed_s)
    }

    /// The stars of the scene, brightest first.
    fn draw_stars(&self) -> Vec<Star> {
        let mut stars = match &self.scene.sky.stars {
            Stars::Listed(stars) => stars.clone(),
            Stars::Counted(law) => {
                let field = NoiseField::new(salt(self.scene.seed, Purpose::BandNoise));
                let band = self.scene.sky.band;
                let most = band.map_or(1.0, |band| band.crowding.max(1.0));
                let axis = [0.0, 0.0, 1.0];
                law.draw(
                    self.scene.seed,
                    axis,
                    self.field_radius_rad(),
                    most,
                    |direction| band.map_or(1.0, |band| band.crowding(&field, direction)),
                )
            }
        };
        stars.sort_by(|a, b| a.magnitude.total_cmp(&b.magnitude));
        stars
    }

    /// Angle from the reference axis that holds the corners of all lights.
    fn field_radius_rad(&self) -> f64 {
        let (right, bottom) = (
            self.scene.width as f64 - 0.5,
            self.scene.height as f64 - 0.5,
        );
        let corners = [(-0.5, -0.5), (right, -0.5), (-0.5, bottom), (right, bottom)];
        let margin_px =
            2.0 * REACH_SIGMAS * self.scene.lens.fwhm_px * (1.0 + self.scene.lens.fwhm_growth);
        let margin = margin_px / self.projection.focal_length_px;
        let mut radius: f64 = 0.0;
        for index in 0..self.scene.frames {
            for fraction in [-0.5, 0.5] {
                let back = transpose(&self.rotation(index, fraction));
                for (x, y) in corners {
                    let direction = rotation::apply(&back, self.projection.direction(x, y));
                    radius = radius.max(libm::acos(direction[2].clamp(-1.0, 1.0)));
                }
            }
        }
        (radius + margin).min(WIDEST_DEG.to_radians())
    }
}

/// One light as it is being rendered: what its strips share.
struct View<'a> {
    simulator: &'a Simulator,
    index: usize,
    weather: Weather,
    /// Homographies from the reference, and the share of the exposure each stands for.
    moments: Vec<(Matrix, f64)>,
    /// Positions of the stars in the reference light.
    positions: Vec<Option<(f64, f64)>>,
    /// Thickness of the cloud.
    cloud: Lattice<1>,
    /// The band over its own brightness, in R, G, B.
    band: Option<Lattice<3>>,
    /// Stars that fall on each strip.
    strips: Vec<Vec<usize>>,
}

impl<'a> View<'a> {
    fn new(simulator: &'a Simulator, index: usize, weather: Weather) -> Self {
        let scene = &simulator.scene;
        let projection = &simulator.projection;
        let (width, height) = (scene.width, scene.height);
        let cloud_field = NoiseField::new(salt(scene.seed, Purpose::CloudNoise));
        let cloud = Lattice::new(width, height, |x, y| {
            let elapsed_s = scene.elapsed_s(index, 0.0);
            [match (&scene.cloud, weather) {
                (Some(cloud), Weather::AsItIs) => {
                    cloud.thickness(&cloud_field, index, elapsed_s, x, y)
                }
                _ => 0.0,
            }]
        });
        let band_field = NoiseField::new(salt(scene.seed, Purpose::BandNoise));
        let to_reference = transpose(&simulator.rotation(index, 0.0));
        let band = scene.sky.band.map(|band| {
            Lattice::new(width, height, |x, y| {
                let direction = rotation::apply(&to_reference, projection.direction(x, y));
                band.relative(&band_field, direction)
            })
        });
        let mut view = Self {
            simulator,
            index,
            weather,
            moments: simulator.moments(index),
            positions: simulator
                .stars
                .iter()
                .map(|star| projection.project(star.direction))
                .collect(),
            cloud,
            band,
            strips: vec![Vec::new(); height.div_ceil(STRIP_ROWS)],
        };
        view.assign_stars();
        view
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
            .scene
            .lens
            .sigma_px(&self.simulator.projection, x, y)
    }

    fn middle(&self, position: (f64, f64)) -> (f64, f64) {
        let (matrix, _) = &self.moments[self.moments.len() / 2];
        rotation::apply_homography(matrix, position.0, position.1)
    }

    /// Share of the starlight that comes through the cloud.
    fn transparency_at(&self, x: f64, y: f64) -> f64 {
        let opacity = self
            .simulator
            .scene
            .cloud
            .map_or(0.0, |cloud| cloud.opacity);
        1.0 - opacity * f64::from(self.cloud.at(x, y)[0])
    }

    fn add_glow(&self, strip: &mut Strip<'_>) {
        let scene = &self.simulator.scene;
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
                let illumination = scene.lens.illumination(&self.simulator.projection, x, y);
                let cloud = added_glow * f64::from(self.cloud.at(x, y)[0]);
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
        let scene = &self.simulator.scene;
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
                * scene.lens.illumination(&self.simulator.projection, x, y)
                * self.transparency_at(x, y);
            let electrons = self.simulator.stars[star]
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
        let scene = &self.simulator.scene;
        if self.weather == Weather::Clear {
            return;
        }
        for satellite in scene.satellites.iter().filter(|s| s.light == self.index) {
            let ends = satellite.ends_px(scene.width, scene.height);
            let sigma = scene.lens.fwhm_px / crate::lens::FWHM_PER_SIGMA;
            let electrons = scene
                .sensor
                .efficiency
                .map(|efficiency| efficiency * satellite.electrons_per_px);
            crate::weather::add_line(strip, ends, sigma, electrons);
        }
    }
}

impl Simulator {
    /// The exposure of light `index` as moments, so many that no star moves more than
    /// about a sigma between two segments.
    fn moments(&self, index: usize) -> Vec<(Matrix, f64)> {
        let matrix =
            |fraction| rotation::homography(&self.projection, &self.rotation(index, fraction));
        let (open, close) = (matrix(-0.5), matrix(0.5));
        let (right, bottom) = (self.scene.width as f64, self.scene.height as f64);
        let trail_px = [(0.0, 0.0), (right, 0.0), (0.0, bottom), (right, bottom)]
            .map(|(x, y)| {
                let from = rotation::apply_homography(&open, x, y);
                let to = rotation::apply_homography(&close, x, y);
                (to.0 - from.0).hypot(to.1 - from.1)
            })
            .into_iter()
            .fold(0.0, f64::max);
        let sigma_px = self.scene.lens.fwhm_px / crate::lens::FWHM_PER_SIGMA;
        path_moments((trail_px / sigma_px).ceil() as usize)
            .into_iter()
            .map(|(fraction, weight)| (matrix(fraction), weight))
            .collect()
    }
}

fn transpose(matrix: &Matrix) -> Matrix {
    [0, 1, 2].map(|row| [0, 1, 2].map(|col| matrix[col][row]))
}
