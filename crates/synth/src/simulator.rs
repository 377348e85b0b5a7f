//! The camera at work: from a scene to expected light, and from there to frames.

use crate::catalog::{CATALOG_FAINTEST_MAG, catalog};
use crate::ground::Panorama;
use crate::ground_view::GroundView;
use crate::horizon::years_since_j2000;
use crate::lens::Projection;
use crate::light::{STRIP_ROWS, View};
use crate::rotation::{self, Matrix};
use crate::sensor::rows_of;
use crate::sky::REAL_SKY_SEED;
use crate::star_image::REACH_SIGMAS;
use crate::{CountLaw, Scene, SensorMaps, Star, Stars, SynthError};
use ndarray::Array2;
use raw::{FrameKind, Mosaic};
use rayon::prelude::*;

/// A scene made ready: its stars are drawn, its sensor is built.
#[derive(Clone, Debug)]
pub struct Simulator {
    scene: Scene,
    projection: Projection,
    stars: Vec<Star>,
    /// Electrons per second of each in R, G and B, without air.
    rates: Vec<[f64; 3]>,
    maps: SensorMaps,
    illumination: Array2<f32>,
    panorama: Option<Panorama>,
    still_ground: Option<GroundView>,
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
    /// From the reference light's picture of the sky to this one's, px to px, at
    /// mid-exposure; lights of rectilinear lenses without distortion only.
    pub homography: Option<Matrix>,
}

/// Which parts of the sky are to be seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Weather {
    /// As the scene has it.
    AsItIs,
    /// No cloud, and nothing that crosses the picture.
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
const WIDEST_DEG: f64 = 168.0;

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
            rates: Vec::new(),
            maps: scene.sensor.maps(scene.seed, width, height),
            illumination: Array2::zeros((height, width)),
            panorama: None,
            still_ground: None,
        };
        simulator.illumination = simulator.draw_illumination();
        simulator.stars = simulator.draw_stars();
        let rate = |star: &Star| star.electrons_per_s(&scene.lens, &scene.sensor);
        simulator.rates = simulator.stars.par_iter().map(rate).collect();
        simulator.panorama = simulator.draw_ground();
        simulator.still_ground = simulator.draw_still_ground();
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

    /// The lens over the sensor where it is in light `index`.
    pub fn projection_of(&self, index: usize) -> Projection {
        let [dx, dy] = self.scene.mount.sensor_shift.offset_px(index);
        self.projection.shifted(dx, dy)
    }

    /// From directions of the sky in the reference camera's axes to those of light `index`
    /// at mid-exposure.
    pub fn sky_rotation(&self, index: usize) -> Matrix {
        self.turn(index, 0.0).sky
    }

    /// The same for the ground.
    pub fn ground_rotation(&self, index: usize) -> Matrix {
        self.turn(index, 0.0).ground
    }

    /// From the reference light's picture of the sky to that of light `index` at
    /// mid-exposure, px to px; refraction is left out.
    ///
    /// `None` where no homography is exact: a lens that is not rectilinear, or distorts.
    pub fn homography(&self, index: usize) -> Option<Matrix> {
        let plane = self.projection.is_plane();
        let (from, to) = (self.projection_of(0), self.projection_of(index));
        plane.then(|| rotation::homography(&from, &to, &self.sky_rotation(index)))
    }

    /// Where a star of the list is seen in light `index` at mid-exposure, px, refraction
    /// included; `None` where the lens does not see it.
    pub fn star_px(&self, star: usize, index: usize) -> Option<(f64, f64)> {
        self.place(&self.turn(index, 0.0), &self.projection_of(index), star)
    }

    /// Where the middle of a star's light falls in light `index`, px: the mean of its places
    /// over the exposure. A hand that trembles, or a tracker's error that bends the path, takes
    /// it away from [`star_px`](Self::star_px).
    pub fn star_center_px(&self, star: usize, index: usize) -> Option<(f64, f64)> {
        let projection = self.projection_of(index);
        let (mut x, mut y, mut all) = (0.0, 0.0, 0.0);
        for turn in self.sky_turns(index, 1.0) {
            let place = self.place(&turn, &projection, star)?;
            x += turn.weight * place.0;
            y += turn.weight * place.1;
            all += turn.weight;
        }
        Some((x / all, y / all))
    }

    /// From the reference camera's axes to those in which the sky is kept: the equator of
    /// J2000 for the real sky, the camera's own for invented ones.
    pub fn sky_axes(&self) -> Matrix {
        match self.scene.sky.stars {
            Stars::Catalog(_) => rotation::transpose(&self.camera_from_j2000()),
            _ => rotation::IDENTITY,
        }
    }

    fn camera_from_j2000(&self) -> Matrix {
        let horizon = self
            .scene
            .site
            .horizon_from_j2000(self.scene.reference_utc());
        rotation::multiply(&self.scene.pointing.from_horizon(), &horizon)
    }

    /// Electrons per second of a star in R, G and B, without air.
    pub(crate) fn rates(&self, star: usize) -> [f64; 3] {
        self.rates[star]
    }

    pub(crate) fn panorama(&self) -> Option<&Panorama> {
        self.panorama.as_ref()
    }

    pub(crate) fn still_ground(&self) -> Option<&GroundView> {
        self.still_ground.as_ref()
    }

    /// Illumination from a row on, as many rows as a strip has.
    pub(crate) fn illumination_rows(&self, first_row: usize) -> &[f32] {
        let width = self.scene.width;
        let values = self.illumination.as_slice();
        let values = values.expect("made here, in standard layout");
        let end = ((first_row + STRIP_ROWS) * width).min(values.len());
        &values[first_row * width..end]
    }

    /// The light `index`, counted from 0; its noise is that of shot `index`.
    ///
    /// # Errors
    ///
    /// When there is no such light.
    pub fn light(&self, index: usize) -> Result<RenderedFrame, SynthError> {
        let view = self.view(index, Weather::AsItIs)?;
        let (sensor, exposure_s) = (&self.scene.sensor, self.scene.exposure_of(index));
        let exposure = sensor.exposure(&self.maps, exposure_s, self.scene.seed, index);
        Ok(RenderedFrame {
            mosaic: sensor.mosaic(view.exposed(&exposure)),
            kind: FrameKind::Light,
            exposure_s: self.scene.exposure_of(index),
            homography: self.homography(index),
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
        sensor.efficiency.map(|efficiency| {
            self.illumination
                .mapv(|value| value * (level_e * efficiency / best) as f32)
        })
    }

    /// Light at every pixel over that at the center, as the lens gives it.
    pub fn illumination(&self) -> &Array2<f32> {
        &self.illumination
    }

    fn draw_illumination(&self) -> Array2<f32> {
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
        Ok(self.view(index, weather)?.planes())
    }

    /// The part of [`Self::expected_light`] that satellites, aircraft and meteors bring;
    /// `None` where nothing crosses the picture.
    ///
    /// # Errors
    ///
    /// When there is no such light.
    pub fn crossing_light(&self, index: usize) -> Result<Option<[Array2<f32>; 3]>, SynthError> {
        let view = self.view(index, Weather::AsItIs)?;
        Ok(self.scene.is_crossed(index).then(|| view.crossing_planes()))
    }

    fn view(&self, index: usize, weather: Weather) -> Result<View<'_>, SynthError> {
        if index >= self.scene.frames {
            return Err(SynthError::NoSuchLight {
                scene: self.scene.name.clone(),
                index,
                lights: self.scene.frames,
            });
        }
        Ok(View::new(self, index, weather))
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

    /// The stars of the scene, brightest first.
    fn draw_stars(&self) -> Vec<Star> {
        let band = self.scene.sky.band;
        let most = band.map_or(1.0, |band| band.crowding.max(1.0));
        let field = self.band_field();
        // In the axes that the band is fixed to.
        let crowding = |direction| band.map_or(1.0, |band| band.crowding(&field, direction));
        let radius_rad = self.field_radius_rad();
        let ahead = [0.0, 0.0, 1.0];
        let seed = self.scene.seed;
        let mut stars = match &self.scene.sky.stars {
            Stars::Listed(stars) => stars.clone(),
            Stars::Counted(law) => law.draw(seed, ahead, radius_rad, most, crowding),
            Stars::Catalog(faintest_mag) => {
                let to_camera = self.camera_from_j2000();
                let axis = rotation::apply(&rotation::transpose(&to_camera), ahead);
                let fainter = CountLaw {
                    brightest_mag: CATALOG_FAINTEST_MAG,
                    faintest_mag: *faintest_mag,
                    density: 1.0,
                };
                let mut stars = self.catalog_stars(*faintest_mag);
                let cells = (REAL_SKY_SEED, axis, radius_rad);
                stars.extend(fainter.draw_fixed(cells.0, cells.1, cells.2, most, crowding));
                for star in &mut stars {
                    star.direction = rotation::apply(&to_camera, star.direction);
                }
                let cos_edge = libm::cos(radius_rad);
                stars.retain(|star| star.direction[2] >= cos_edge);
                stars
            }
        };
        stars.sort_by(|a, b| a.magnitude.total_cmp(&b.magnitude));
        stars
    }

    /// The stars of the catalogue at the scene's date, in the axes of J2000.
    fn catalog_stars(&self, faintest_mag: f64) -> Vec<Star> {
        let years = years_since_j2000(self.scene.reference_utc());
        catalog()
            .filter(|star| star.magnitude <= faintest_mag)
            .map(|star| Star {
                direction: star.direction(years),
                magnitude: star.magnitude,
                color_bv: star.color_bv,
            })
            .collect()
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
        // Refraction lifts by up to half a degree.
        let lift: f64 = if self.scene.sky.air.is_some() {
            0.7
        } else {
            0.0
        };
        let margin = margin_px / self.projection.focal_length_px + lift.to_radians();
        let mut radius: f64 = 0.0;
        for index in 0..self.scene.frames {
            for fraction in [-0.5, 0.5] {
                let back = rotation::transpose(&self.turn(index, fraction).sky);
                for (x, y) in corners {
                    let direction = rotation::apply(&back, self.projection.direction(x, y));
                    radius = radius.max(libm::acos(direction[2].clamp(-1.0, 1.0)));
                }
            }
        }
        (radius + margin).min(WIDEST_DEG.to_radians())
    }
}
