//! A scene: everything that decides what the files of a night will hold.

use crate::{Cloud, Lens, Mount, Satellite, Sensor, Sky, SynthError};
use jiff::civil::DateTime;

/// A night's worth of frames, as parameters. Start from [`Scene::named`] and change
/// what should differ.
#[derive(Clone, Debug, PartialEq)]
pub struct Scene {
    /// Short name.
    pub name: String,
    /// The invented place.
    pub place: String,
    /// Seed of everything random: the same seed makes the same files.
    pub seed: u64,
    /// Columns of the sensor.
    pub width: usize,
    /// Rows of the sensor.
    pub height: usize,
    /// Number of lights.
    pub frames: usize,
    /// Shutter-open time of a light, s.
    pub exposure_s: f64,
    /// Time between two lights, s.
    pub gap_s: f64,
    /// When the first light begins, on the camera's clock.
    pub start: DateTime,
    /// Offset of the camera's clock from UTC, hours.
    pub utc_offset_h: i8,
    /// The sky.
    pub sky: Sky,
    /// The lens.
    pub lens: Lens,
    /// The sensor.
    pub sensor: Sensor,
    /// What the camera stands on.
    pub mount: Mount,
    /// Satellites.
    pub satellites: Vec<Satellite>,
    /// Thin cloud.
    pub cloud: Option<Cloud>,
    /// Calibration frames to match.
    pub calibration: Calibration,
    /// What is wrong with the folder.
    pub faults: Faults,
}

/// Calibration frames, taken after the lights.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Calibration {
    /// Darks, of the lights' exposure.
    pub darks: usize,
    /// Flats.
    pub flats: usize,
    /// Bias frames.
    pub bias: usize,
    /// Shutter-open time of a flat, s.
    pub flat_exposure_s: f64,
    /// Mean of the best lit channel of a flat at the center, as a fraction of saturation.
    pub flat_level: f64,
    /// Where they are put.
    pub layout: Layout,
}

/// Where the frames of a scene are put.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Layout {
    /// `lights/`, `darks/`, `flats/` and `bias/`.
    FolderPerKind,
    /// All of them in `lights/`, as a card that was emptied without sorting.
    OneFolder,
}

/// Shutter-open time of a bias frame, s.
pub const BIAS_EXPOSURE_S: f64 = 1.0 / 8000.0;

/// Files that are not what they should be. Damaged ones take the place of lights,
/// evenly spread over the night; foreign ones are added.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Faults {
    /// Lights whose file ends early.
    pub truncated: usize,
    /// Lights whose file holds a JPEG under a raw's name.
    pub jpeg: usize,
    /// Lights whose file holds nothing.
    pub empty: usize,
    /// Text files among the lights.
    pub foreign_text: usize,
}

/// How a light's file is damaged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Damage {
    /// It ends early.
    Truncated,
    /// It holds a JPEG.
    Jpeg,
    /// It holds nothing.
    Empty,
}

impl Calibration {
    /// No calibration frames.
    pub const NONE: Self = Self {
        darks: 0,
        flats: 0,
        bias: 0,
        flat_exposure_s: 0.01,
        flat_level: 0.5,
        layout: Layout::FolderPerKind,
    };
}

impl Faults {
    /// How many lights are damaged.
    pub fn damaged(&self) -> usize {
        self.truncated + self.jpeg + self.empty
    }

    /// The damage of light `index` of `frames`: the damaged lights stand evenly, the
    /// first light is sound as long as half of them are.
    pub fn damage(&self, index: usize, frames: usize) -> Option<Damage> {
        let n = self.damaged();
        let nth = (0..n).find(|nth| (nth + 1) * frames / (n + 1) == index)?;
        Some(if nth < self.truncated {
            Damage::Truncated
        } else if nth < self.truncated + self.jpeg {
            Damage::Jpeg
        } else {
            Damage::Empty
        })
    }
}

impl Scene {
    /// Time from the middle of the first light to a moment of light `index`, s;
    /// `fraction` of the exposure runs from -0.5 to 0.5.
    pub fn elapsed_s(&self, index: usize, fraction: f64) -> f64 {
        index as f64 * (self.exposure_s + self.gap_s) + fraction * self.exposure_s
    }

    /// Checks that the parameters make sense together.
    pub fn validate(&self) -> Result<(), SynthError> {
        let sensor = &self.sensor;
        let positive = [
            ("exposure_s", self.exposure_s),
            ("lens.focal_length_mm", self.lens.focal_length_mm),
            ("lens.f_number", self.lens.f_number),
            ("lens.fwhm_px", self.lens.fwhm_px),
            ("sensor.pitch_um", sensor.pitch_um),
            ("sensor.gain_e_per_dn", sensor.gain_e_per_dn),
            ("sensor.full_well_e", sensor.full_well_e),
            (
                "calibration.flat_exposure_s",
                self.calibration.flat_exposure_s,
            ),
        ];
        let not_negative = [
            ("gap_s", self.gap_s),
            ("lens.fwhm_growth", self.lens.fwhm_growth),
            ("sensor.read_noise_e", sensor.read_noise_e),
            ("sensor.row_noise_e", sensor.row_noise_e),
            ("sensor.dark_current_e_per_s", sensor.dark_current_e_per_s),
            ("sensor.hot_mean_e_per_s", sensor.hot_mean_e_per_s),
            ("sensor.prnu", sensor.prnu),
            ("sensor.dsnu_e", sensor.dsnu_e),
            ("mount.dither_arcsec", self.mount.dither_arcsec),
        ];
        for (field, value) in positive {
            self.require(
                value > 0.0 && value.is_finite(),
                field,
                value,
                "more than 0",
            )?;
        }
        for (field, value) in not_negative {
            self.require(value >= 0.0 && value.is_finite(), field, value, "0 or more")?;
        }
        let flat_level = self.calibration.flat_level;
        let share = 0.0..=1.0;
        self.require(self.width > 0, "width", self.width, "1 or more")?;
        self.require(self.height > 0, "height", self.height, "1 or more")?;
        self.require(
            share.contains(&flat_level),
            "flat_level",
            flat_level,
            "0 to 1",
        )?;
        self.require(
            share.contains(&sensor.hot_fraction),
            "sensor.hot_fraction",
            sensor.hot_fraction,
            "0 to 1",
        )?;
        self.require(
            (1..=16).contains(&sensor.bits),
            "sensor.bits",
            sensor.bits,
            "1 to 16",
        )?;
        self.require(
            sensor.black_level_dn < sensor.white_level_dn(),
            "sensor.black_level_dn",
            sensor.black_level_dn,
            "less than the white level",
        )?;
        let damaged = self.faults.damaged();
        self.require(
            2 * damaged <= self.frames,
            "faults",
            damaged,
            "at most half as many damaged lights as lights",
        )
    }

    fn require(
        &self,
        holds: bool,
        field: &'static str,
        found: impl ToString,
        needed: &'static str,
    ) -> Result<(), SynthError> {
        if holds {
            return Ok(());
        }
        Err(SynthError::Scene {
            scene: self.name.clone(),
            field,
            found: found.to_string(),
            needed,
        })
    }
}
