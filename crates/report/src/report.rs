//! The whole file, written and read.

use crate::frame::FrameEntry;
use crate::from_mosaic::FromMosaic;
use crate::geometry::Geometry;
use crate::ground::Ground;
use crate::layout;
use crate::noise::Noise;
use crate::run::Run;
use crate::sensor_pattern::SensorPattern;
use crate::stars::Stars;
use crate::warning::WarningEntry;
use serde::{Deserialize, Serialize};

/// Version of the file's structure. A field that is added leaves it as it is; one that
/// changes its meaning or goes raises it.
pub const SCHEMA_VERSION: u32 = 1;

/// `report.json`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Report {
    /// [`SCHEMA_VERSION`] of the program that wrote it.
    pub schema_version: u32,
    /// Every input file, by name.
    pub frames: Vec<FrameEntry>,
    /// How they lie on each other; nothing in reports of versions that did not say.
    #[serde(default)]
    pub geometry: Geometry,
    /// What was measured.
    pub noise: Noise,
    /// The ground, where there is one.
    pub ground: Option<Ground>,
    /// How photosites became the picture, where nothing was interpolated.
    #[serde(default)]
    pub from_mosaic: Option<FromMosaic>,
    /// The pattern of the sensor that was looked for in the lights, where that was asked for.
    #[serde(default)]
    pub sensor_pattern: Option<SensorPattern>,
    /// Star shape over the field.
    #[serde(default)]
    pub stars: Stars,
    /// How it was made.
    pub run: Run,
    /// What the reader should know before trusting the figures.
    pub warnings: Vec<WarningEntry>,
}

/// A report that cannot be read. The file's fault.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReportError {
    /// Not JSON, or not a report.
    #[error("not a report")]
    Malformed(#[from] serde_json::Error),
    /// Written by a version that gives the fields another meaning.
    #[error("report has schema version {found}, needed {SCHEMA_VERSION}")]
    Version {
        /// The version stated.
        found: u32,
    },
}

impl Default for Report {
    fn default() -> Self {
        Self {
            schema_version: SCHEMA_VERSION,
            frames: Vec::new(),
            geometry: Geometry::default(),
            noise: Noise::default(),
            ground: None,
            from_mosaic: None,
            sensor_pattern: None,
            stars: Stars::default(),
            run: Run::default(),
            warnings: Vec::new(),
        }
    }
}

impl Report {
    /// The same without what differs from run to run: times and memory.
    pub fn without_times(mut self) -> Self {
        self.run.seconds.clear();
        self.run.peak_memory_bytes = None;
        self
    }

    /// The bytes of the file: UTF-8, fields in the order of the types, a line each.
    ///
    /// Equal reports give equal bytes. Numbers that are not finite become `null`.
    pub fn to_json(&self) -> Vec<u8> {
        layout::to_json(self)
    }

    /// The report that `bytes` hold; fields that this version does not know are skipped.
    ///
    /// # Errors
    ///
    /// [`Malformed`](ReportError::Malformed) with line and column as its source;
    /// [`Version`](ReportError::Version).
    pub fn from_json(bytes: &[u8]) -> Result<Self, ReportError> {
        #[derive(Deserialize)]
        struct Version {
            schema_version: u32,
        }
        let Version {
            schema_version: found,
        } = serde_json::from_slice(bytes)?;
        if found != SCHEMA_VERSION {
            return Err(ReportError::Version { found });
        }
        Ok(serde_json::from_slice(bytes)?)
    }
}
