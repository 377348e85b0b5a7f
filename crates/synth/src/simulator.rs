//! The camera at work: from a scene to expected light, and from there to frames.

use crate::lens::Projection;
use crate::light::View;
use crate::noise_field::NoiseField;
use crate::random::{Purpose, salt};
use crate::rotation::{self, Matrix};
use crate::sensor::rows_of;
use crate::star_image::REACH_SIGMAS;
use crate::{Scene, SensorMaps, Star, Stars, SynthError};
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
        if index >= self.scene.frames {
            return Err(SynthError::NoSuchLight {
                scene: self.scene.name.clone(),
                index,
                lights: self.scene.frames,
            });
        }
        Ok(View::new(self, index, weather).planes())
    }

    /// Share of the starlight that comes through the cloud over light `index` at every
    /// pixel; `None` where it has no cloud.
    pub fn transparency(&self, index: usize) -> Option<Array2<f32>> {
        let opacity = self.scene.cloud?.opacity as f32;
        let thickness = self.cloud_thickness(index)?;
        let mut picture = Array2::zeros((self.scene.height, self.scene.width));
        rows_of(&mut picture).for_each(|(row, values)| {
            for (col, value) in values.iter_mut().enumerate() {
                let [thickness] = thickness.at(col as f64, row as f64);
                *value = 1.0 - opacity * thickness;
            }
        });
        Some(picture)
    }

    fn expose(&self, light: Option<&[Array2<f32>; 3]>, exposure_s: f64, shot: usize) -> Mosaic {
        let scene = &self.scene;
        scene
            .sensor
            .expose(&self.maps, light, exposure_s, scene.seed, shot)
    }

    /// The turn of the sky since the reference moment; see [`Scene::elapsed_s`].
    pub(crate) fn rotation(&self, index: usize, fraction: f64) -> Matrix {
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
                let back = rotation::transpose(&self.rotation(index, fraction));
                for (x, y) in corners {
                    let direction = rotation::apply(&back, self.projection.direction(x, y));
                    radius = radius.max(libm::acos(direction[2].clamp(-1.0, 1.0)));
                }
            }
        }
        (radius + margin).min(WIDEST_DEG.to_radians())
    }
}
