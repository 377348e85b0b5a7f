//! A scene: everything that decides what the files of a night will hold.

use crate::{
    Aircraft, Cloud, Compression, Dew, Ground, Lens, Meteor, Mount, Pointing, Satellite, Sensor,
    Site, Sky, Stars, SynthError,
};
use jiff::civil::DateTime;

/// A night's worth of frames, as parameters. Start from [`Scene::named`] and change
/// what should differ.
#[derive(Clone, Debug, PartialEq)]
pub struct Scene {
    /// Short name.
    pub name: String,
    /// The invented place.
    pub place: String,
    /// Where that is.
    pub site: Site,
    /// Where the camera looks at the middle of the first light.
    pub pointing: Pointing,
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
    /// The ground.
    pub ground: Option<Ground>,
    /// The lens.
    pub lens: Lens,
    /// The sensor.
    pub sensor: Sensor,
    /// What the camera stands on.
    pub mount: Mount,
    /// Satellites.
    pub satellites: Vec<Satellite>,
    /// Meteors.
    pub meteors: Vec<Meteor>,
    /// Aircraft.
    pub aircraft: Vec<Aircraft>,
    /// Thin cloud.
    pub cloud: Option<Cloud>,
    /// Dew on the lens.
    pub dew: Option<Dew>,
    /// Calibration frames to match.
    pub calibration: Calibration,
    /// What is wrong with the folder.
    pub faults: Faults,
    /// How the files are packed.
    pub compression: Compression,
    /// Further folders of frames of the same night or another one; empty for a scene
    /// that is one folder.
    pub sessions: Vec<Session>,
}

/// A folder of frames of its own within a scene that is otherwise the same.
#[derive(Clone, Debug, PartialEq)]
pub struct Session {
    /// The folder, from the scene's.
    pub folder: String,
    /// When its first light begins, on the camera's clock.
    pub start: DateTime,
    /// Where the camera looks.
    pub pointing: Pointing,
    /// What it stands on; its axis is that of the pointing.
    pub mount: Mount,
    /// Number of lights, at most the scene's.
    pub frames: usize,
    /// Shutter-open time of a light, s.
    pub exposure_s: f64,
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
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Faults {
    /// Lights whose file ends early.
    pub truncated: usize,
    /// Lights whose file holds a JPEG under a raw's name.
    pub jpeg: usize,
    /// Lights whose file holds nothing.
    pub empty: usize,
    /// Text files among the lights.
    pub foreign_text: usize,
    /// A light of the wrong exposure.
    pub wrong_exposure: Option<WrongExposure>,
    /// A light that was shaken.
    pub shaken: Option<Shaken>,
}

/// A light whose shutter was open for too short or too long.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WrongExposure {
    /// The light, counted from 0.
    pub light: usize,
    /// Its exposure over that of the others.
    pub factor: f64,
}

/// A light during which someone touched the tripod.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shaken {
    /// The light, counted from 0.
    pub light: usize,
    /// Standard deviation of the movement, arcsec.
    pub arcsec: f64,
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
    /// `fraction` of the exposure runs from -0.5 to 0.5. Lights begin at even intervals.
    pub fn elapsed_s(&self, index: usize, fraction: f64) -> f64 {
        let since_start = (fraction + 0.5) * self.exposure_of(index);
        self.start_s(index) + since_start - 0.5 * self.exposure_of(0)
    }

    /// When light `index` begins, s after the first.
    pub(crate) fn start_s(&self, index: usize) -> f64 {
        index as f64 * (self.exposure_s + self.gap_s)
    }

    /// Shutter-open time of light `index`, s.
    pub fn exposure_of(&self, index: usize) -> f64 {
        let wrong = self.faults.wrong_exposure;
        let factor = wrong.filter(|wrong| wrong.light == index);
        factor.map_or(self.exposure_s, |wrong| self.exposure_s * wrong.factor)
    }

    /// How much wider stars are in light `index` than the lens makes them.
    pub fn fwhm_factor(&self, index: usize) -> f64 {
        self.dew.map_or(1.0, |dew| {
            1.0 + dew.fwhm_growth * dew.amount(index, self.frames)
        })
    }

    /// Share of the light that comes through the dew in light `index`.
    pub fn transmission(&self, index: usize) -> f64 {
        self.dew
            .map_or(1.0, |dew| 1.0 - dew.loss * dew.amount(index, self.frames))
    }

    /// Whether anything crosses the picture in light `index`.
    pub(crate) fn is_crossed(&self, index: usize) -> bool {
        self.satellites.iter().any(|s| s.light == index)
            || self.meteors.iter().any(|m| m.light == index)
            || self.aircraft.iter().any(|a| a.light == index)
    }

    pub(crate) fn knock_arcsec(&self, index: usize) -> f64 {
        let shaken = self.faults.shaken.filter(|shaken| shaken.light == index);
        shaken.map_or(0.0, |shaken| shaken.arcsec)
    }

    /// Points the camera, on a tripod, so that the sky turns about the pole of its site.
    pub fn look(&mut self, site: Site, pointing: Pointing) {
        let tracker_axis = pointing.south_pole(&site);
        (self.site, self.pointing, self.mount.axis) = (site, pointing, tracker_axis);
    }

    /// The middle of the first light in UTC.
    pub fn reference_utc(&self) -> DateTime {
        let local_s = 0.5 * self.exposure_of(0) - 3600.0 * f64::from(self.utc_offset_h);
        self.start + crate::shot::milliseconds(local_s)
    }

    /// The scenes of the folders that [`Self::sessions`] adds, the scene's own first.
    pub fn each_session(&self) -> Vec<(Option<&str>, Self)> {
        let own = Self {
            sessions: Vec::new(),
            ..self.clone()
        };
        let mut scenes = vec![(None, own.clone())];
        for (number, session) in self.sessions.iter().enumerate() {
            let mut scene = Self {
                seed: self.seed + 1 + number as u64,
                start: session.start,
                frames: session.frames.min(self.frames),
                exposure_s: session.exposure_s,
                mount: session.mount,
                // Another moment, but the same hills.
                ground: self.ground.map(|ground| Ground {
                    seed: ground.seed.or(Some(self.seed)),
                    ..ground
                }),
                ..own.clone()
            };
            scene.look(self.site, session.pointing);
            scenes.push((Some(session.folder.as_str()), scene));
        }
        scenes
    }

    /// Checks that the parameters make sense together.
    pub fn validate(&self) -> Result<(), SynthError> {
        let sensor = &self.sensor;
        let positive = [
            ("exposure_s", self.exposure_s),
            ("lens.focal_length_mm", self.lens.focal_length_mm),
            ("lens.f_number", self.lens.f_number),
            ("lens.widest_f_number", self.lens.widest_f_number),
            ("lens.fwhm_px", self.lens.fwhm_px),
            ("sensor.pitch_um", sensor.pitch_um),
            ("sensor.gain_e_per_dn", sensor.gain_e_per_dn),
            ("sensor.full_well_e", sensor.full_well_e),
            ("sensor.dark_doubling_k", sensor.dark_doubling_k),
            (
                "calibration.flat_exposure_s",
                self.calibration.flat_exposure_s,
            ),
        ];
        let not_negative = [
            ("gap_s", self.gap_s),
            ("lens.fwhm_growth", self.lens.fwhm_growth),
            ("lens.coma_px", self.lens.coma_px),
            ("sensor.read_noise_e", sensor.read_noise_e),
            ("sensor.column_noise_e", sensor.column_noise_e),
            ("sensor.amp_glow_e_per_s", sensor.amp_glow_e_per_s),
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
        self.validate_sky()?;
        let damaged = self.faults.damaged();
        self.require(
            2 * damaged <= self.frames,
            "faults",
            damaged,
            "at most half as many damaged lights as lights",
        )
    }

    /// Stars of the real sky need the sky's real axis.
    fn validate_sky(&self) -> Result<(), SynthError> {
        if let Some(wrong) = self.faults.wrong_exposure {
            let longest = 1.0 + self.gap_s / self.exposure_s;
            self.require(
                wrong.factor > 0.0 && wrong.factor <= longest,
                "faults.wrong_exposure.factor",
                wrong.factor,
                "more than 0, and an end before the next light",
            )?;
        }
        if !matches!(self.sky.stars, Stars::Catalog(_)) {
            return Ok(());
        }
        const SAME: f64 = 1e-9;
        let pole = self.pointing.south_pole(&self.site);
        let off = (0..3).map(|i| (pole[i] - self.mount.axis[i]).abs());
        self.require(
            off.fold(0.0, f64::max) < SAME,
            "mount.axis",
            format!("{:?}", self.mount.axis),
            "the south pole of the site as the camera points (see Scene::look)",
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
