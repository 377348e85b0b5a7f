//! `truth.json`: all that is known of a scene, in words a test can read.
//!
//! Pixel coordinates have the center of the first pixel at (0, 0), x right, y down.

use crate::rotation::Matrix;
use crate::scene::Damage;
use crate::{Shot, Simulator, Stars};
use ndarray::Array2;
use raw::FrameKind;
use serde::Serialize;

/// The truth of a scene.
#[derive(Clone, Debug, Serialize)]
pub struct Truth {
    /// Name of the scene.
    pub scene: String,
    /// The invented place.
    pub place: String,
    /// Seed.
    pub seed: u64,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// The light that positions refer to, counted from 0.
    pub reference_light: usize,
    /// The lens.
    pub lens: LensTruth,
    /// The sensor.
    pub sensor: SensorTruth,
    /// Axis and rate of the sky's turn in the camera's axes (X right, Y down, Z ahead).
    pub mount: MountTruth,
    /// Altitude, azimuth and roll of the camera at the middle of the first light, degrees.
    pub pointing_deg: [f64; 3],
    /// Latitude and longitude of the site, degrees.
    pub site_deg: [f64; 2],
    /// The air; `None` where there is none.
    pub air: Option<AirTruth>,
    /// From the reference camera's axes to the equator of J2000, row by row; for the real
    /// sky only.
    pub j2000_from_camera: Option<Matrix>,
    /// All files, in the order they were taken.
    pub frames: Vec<FrameTruth>,
    /// Files that are no frames.
    pub foreign_files: Vec<String>,
    /// Files with noise-free planes.
    pub planes: Vec<PlaneTruth>,
    /// Stars, brightest first.
    pub stars: Vec<StarTruth>,
    /// Hot pixels, row by row.
    pub hot_pixels: Vec<HotPixelTruth>,
}

/// The air.
#[derive(Clone, Debug, Serialize)]
pub struct AirTruth {
    /// Loss towards the zenith in R, G, B, mag.
    pub extinction_mag: [f64; 3],
    /// Pressure, hPa, and temperature, °C, of air that bends light.
    pub refraction: Option<[f64; 2]>,
}

/// The lens.
#[derive(Clone, Debug, Serialize)]
pub struct LensTruth {
    /// Name.
    pub model: String,
    /// Projection.
    pub projection: &'static str,
    /// Focal length, mm.
    pub focal_length_mm: f64,
    /// Focal length, px.
    pub focal_length_px: f64,
    /// Optical axis, px.
    pub principal_point_px: [f64; 2],
    /// Pixel scale at the center, arcsec.
    pub pixel_scale_arcsec: f64,
    /// FWHM of a star at the center before pixels and trailing widen it, px.
    pub fwhm_px: f64,
    /// Growth of the FWHM at the corner wide open, as a fraction.
    pub fwhm_growth: f64,
    /// Radial distortion `k1`, `k2`, `k3`, radii in focal lengths.
    pub distortion: [f64; 3],
    /// Magnification of red and of blue over that of green, minus 1.
    pub lateral_color: [f64; 2],
    /// Coma at the corner wide open, px.
    pub coma_px: f64,
}

/// The sensor.
#[derive(Clone, Debug, Serialize)]
#[allow(
    missing_docs,
    reason = "as in `Sensor`, where every field is described"
)]
pub struct SensorTruth {
    /// Filters in reading order, such as `RGGB`; `L` without filters.
    pub cfa: String,
    /// Gain, e⁻ per DN.
    pub gain_e_per_dn: f64,
    /// Standard deviation of one read, e⁻.
    pub read_noise_e: f64,
    /// Standard deviation of what a row shares in one read, e⁻.
    pub row_noise_e: f64,
    /// Standard deviation of what a column shares in every read, e⁻.
    pub column_noise_e: f64,
    /// Dark current of an ordinary pixel at the sensor's temperature, e⁻/s.
    pub dark_current_e_per_s: f64,
    /// Warming that doubles the dark current, K.
    pub dark_doubling_k: f64,
    /// Temperature, °C.
    pub temperature_c: f64,
    /// Extra dark current in the corner by the amplifier, e⁻/s.
    pub amp_glow_e_per_s: f64,
    /// Standard deviation of the pixels' response over its mean.
    pub prnu: f64,
    /// Standard deviation of the pixels' offsets, e⁻.
    pub dsnu_e: f64,
    /// Electrons a pixel can hold.
    pub full_well_e: f64,
    /// Number recorded without light, DN.
    pub black_level_dn: u16,
    /// Number of a saturated pixel, DN.
    pub white_level_dn: u16,
    /// Bits of the converter.
    pub bits: u8,
    /// Electrons per photon in R, G and B.
    pub efficiency: [f64; 3],
}

/// How the sky turns.
#[derive(Clone, Debug, Serialize)]
pub struct MountTruth {
    /// Axis; right-handed.
    pub axis: [f64; 3],
    /// Rate, arcsec/s.
    pub rate_arcsec_per_s: f64,
    /// Axis of the tracker.
    pub tracker_axis: Option<[f64; 3]>,
    /// Rate of the tracker, arcsec/s.
    pub tracker_rate_arcsec_per_s: Option<f64>,
}

/// One file.
#[derive(Clone, Debug, Serialize)]
pub struct FrameTruth {
    /// The file, from the scene's folder, with `/`.
    pub file: String,
    /// Light, dark, flat or bias.
    pub kind: &'static str,
    /// Shutter-open time, s.
    pub exposure_s: f64,
    /// When the shutter opened, on the camera's clock.
    pub start: String,
    /// What is wrong with the file: `truncated`, `jpeg`, `empty`, or nothing.
    pub damage: Option<&'static str>,
    /// What only lights have.
    #[serde(flatten)]
    pub light: Option<LightTruth>,
}

/// What only lights have.
#[derive(Clone, Debug, Serialize)]
pub struct LightTruth {
    /// From the reference light's pixels of the sky to this light's, at mid-exposure; where
    /// the lens is rectilinear and does not distort.
    pub homography: Option<Matrix>,
    /// From directions of the sky in the reference camera's axes to this light's.
    pub sky_rotation: Matrix,
    /// The same for the ground.
    pub ground_rotation: Matrix,
    /// Where the sensor is, px to the right and down of its place in the first light.
    pub sensor_shift_px: [f64; 2],
    /// How much wider stars are than the lens makes them.
    pub fwhm_factor: f64,
    /// Share of all light that comes through the dew.
    pub dew_transmission: f64,
    /// Whether the camera was shaken.
    pub shaken: bool,
    /// Mean share of the starlight that comes through the cloud.
    pub transparency_mean: f64,
    /// Least share.
    pub transparency_min: f64,
    /// Satellites: start and end, px.
    pub satellites: Vec<[[f64; 2]; 2]>,
    /// Aircraft: start and end, px.
    pub aircraft: Vec<[[f64; 2]; 2]>,
    /// Meteors: start and end, px.
    pub meteors: Vec<[[f64; 2]; 2]>,
}

/// A file with one noise-free plane of a light, row by row: `f32`, little-endian; those that
/// end in `.u8` a byte a pixel.
///
/// The light as it falls on the sensor: trailed and vignetted, under a clear sky. No
/// dark current, no pixel response, nothing cut at saturation. Divided by the plane
/// `illumination` it is what a flat-fielded light shows.
#[derive(Clone, Debug, Serialize)]
pub struct PlaneTruth {
    /// The file, from the scene's folder, with `/`.
    pub file: String,
    /// `R`, `G`, `B`, `illumination`, `ground`, or `crossing`.
    pub content: &'static str,
    /// Unit of the values.
    pub unit: &'static str,
    /// The light, counted from 0.
    pub light: usize,
}

/// A star in the reference light.
#[derive(Clone, Debug, Serialize)]
pub struct StarTruth {
    /// Column, px, at mid-exposure; may lie beyond the picture.
    pub x: f64,
    /// Row, px.
    pub y: f64,
    /// Visual magnitude.
    pub magnitude: f64,
    /// Color index B-V, mag.
    pub color_bv: f64,
    /// Electrons in one light in R, G and B, before vignetting, air and cloud.
    pub electrons: [f64; 3],
}

/// A hot pixel.
#[derive(Clone, Debug, Serialize)]
pub struct HotPixelTruth {
    /// Column.
    pub x: usize,
    /// Row.
    pub y: usize,
    /// Dark current above that of an ordinary pixel, e⁻/s.
    pub rate_e_per_s: f64,
}

impl Truth {
    /// The truth of a scene; `foreign_files` and `planes` are as they were written.
    pub fn of(simulator: &Simulator, foreign_files: Vec<String>, planes: Vec<PlaneTruth>) -> Self {
        let scene = simulator.scene();
        let frames = scene.shots();
        Self {
            scene: scene.name.clone(),
            place: scene.place.clone(),
            seed: scene.seed,
            width: scene.width,
            height: scene.height,
            reference_light: 0,
            lens: lens(simulator),
            sensor: sensor(simulator),
            mount: MountTruth {
                axis: scene.mount.axis,
                rate_arcsec_per_s: scene.mount.rate_arcsec_per_s,
                tracker_axis: scene.mount.tracker.map(|tracker| tracker.axis),
                tracker_rate_arcsec_per_s: scene
                    .mount
                    .tracker
                    .map(|tracker| tracker.rate_arcsec_per_s),
            },
            pointing_deg: [
                scene.pointing.altitude_deg,
                scene.pointing.azimuth_deg,
                scene.pointing.roll_deg,
            ],
            site_deg: [scene.site.latitude_deg, scene.site.longitude_deg],
            air: scene.sky.air.map(|air| AirTruth {
                extinction_mag: air.extinction_mag,
                refraction: air
                    .refraction
                    .map(|state| [state.pressure_hpa, state.temperature_c]),
            }),
            j2000_from_camera: matches!(scene.sky.stars, Stars::Catalog(_))
                .then(|| simulator.sky_axes()),
            frames: frames.iter().map(|shot| frame(simulator, shot)).collect(),
            foreign_files,
            planes,
            stars: stars(simulator),
            hot_pixels: hot_pixels(simulator),
        }
    }
}

fn lens(simulator: &Simulator) -> LensTruth {
    let (lens, projection) = (&simulator.scene().lens, simulator.projection());
    LensTruth {
        model: lens.model.clone(),
        projection: lens.mapping.name(),
        focal_length_mm: lens.focal_length_mm,
        focal_length_px: projection.focal_length_px,
        principal_point_px: projection.principal_point_px,
        pixel_scale_arcsec: projection.pixel_scale_arcsec(),
        fwhm_px: lens.fwhm_px,
        fwhm_growth: lens.fwhm_growth,
        distortion: lens.distortion,
        lateral_color: lens.lateral_color,
        coma_px: lens.coma_px,
    }
}

fn sensor(simulator: &Simulator) -> SensorTruth {
    let sensor = &simulator.scene().sensor;
    SensorTruth {
        cfa: sensor
            .cfa
            .values()
            .iter()
            .map(|site| site.letter())
            .collect(),
        gain_e_per_dn: sensor.gain_e_per_dn,
        read_noise_e: sensor.read_noise_e,
        row_noise_e: sensor.row_noise_e,
        column_noise_e: sensor.column_noise_e,
        dark_current_e_per_s: sensor.dark_current_e_per_s * sensor.warmth(),
        dark_doubling_k: sensor.dark_doubling_k,
        temperature_c: sensor.temperature_c,
        amp_glow_e_per_s: sensor.amp_glow_e_per_s,
        prnu: sensor.prnu,
        dsnu_e: sensor.dsnu_e,
        full_well_e: sensor.full_well_e,
        black_level_dn: sensor.black_level_dn,
        white_level_dn: sensor.white_level_dn(),
        bits: sensor.bits,
        efficiency: sensor.efficiency,
    }
}

fn frame(simulator: &Simulator, shot: &Shot) -> FrameTruth {
    let is_light = shot.kind == FrameKind::Light;
    FrameTruth {
        file: slashed(&shot.path),
        kind: shot.kind.name(),
        exposure_s: shot.exposure_s,
        start: shot.start.to_string(),
        damage: shot.damage.map(|damage| match damage {
            Damage::Truncated => "truncated",
            Damage::Jpeg => "jpeg",
            Damage::Empty => "empty",
        }),
        light: is_light.then(|| light(simulator, shot.number)),
    }
}

fn light(simulator: &Simulator, index: usize) -> LightTruth {
    let scene = simulator.scene();
    let (transparency_mean, transparency_min) = mean_and_min(simulator.transparency(index));
    let (width, height) = (scene.width, scene.height);
    let satellites = scene.satellites.iter().filter(|s| s.light == index);
    let aircraft = scene.aircraft.iter().filter(|a| a.light == index);
    let meteors = scene.meteors.iter().filter(|m| m.light == index);
    LightTruth {
        homography: simulator.homography(index),
        sky_rotation: simulator.sky_rotation(index),
        ground_rotation: simulator.ground_rotation(index),
        sensor_shift_px: scene.mount.sensor_shift.offset_px(index),
        fwhm_factor: scene.fwhm_factor(index),
        dew_transmission: scene.transmission(index),
        shaken: scene.knock_arcsec(index) > 0.0,
        transparency_mean,
        transparency_min,
        satellites: satellites.map(|s| s.ends_px(width, height)).collect(),
        aircraft: aircraft.map(|a| a.ends_px(width, height)).collect(),
        meteors: meteors.map(|m| m.ends_px(width, height)).collect(),
    }
}

/// Of a clear sky, 1 and 1.
fn mean_and_min(transparency: Option<Array2<f32>>) -> (f64, f64) {
    let Some(transparency) = transparency else {
        return (1.0, 1.0);
    };
    let values = transparency.iter().map(|&value| f64::from(value));
    let (sum, min) = values.fold((0.0, 1.0f64), |(sum, min), value| {
        (sum + value, min.min(value))
    });
    (sum / transparency.len() as f64, min)
}

fn stars(simulator: &Simulator) -> Vec<StarTruth> {
    let scene = simulator.scene();
    let placed = simulator.stars().iter().enumerate();
    let placed = placed.filter_map(|(number, star)| {
        let (x, y) = simulator.star_px(number, 0)?;
        let rates = star.electrons_per_s(&scene.lens, &scene.sensor);
        Some(StarTruth {
            x,
            y,
            magnitude: star.magnitude,
            color_bv: star.color_bv,
            electrons: rates.map(|rate| rate * scene.exposure_s),
        })
    });
    placed.collect()
}

fn hot_pixels(simulator: &Simulator) -> Vec<HotPixelTruth> {
    let pixels = simulator.maps().hot_pixels.iter();
    pixels
        .map(|pixel| HotPixelTruth {
            x: pixel.x,
            y: pixel.y,
            rate_e_per_s: pixel.rate_e_per_s,
        })
        .collect()
}

/// A path as it is written down, the same on every system.
pub(crate) fn slashed(path: &std::path::Path) -> String {
    let parts: Vec<_> = path.iter().map(|part| part.to_string_lossy()).collect();
    parts.join("/")
}
