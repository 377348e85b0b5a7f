//! Picture and frames to numbers: noise and SNR gain, by region and channel.
//!
//! While the stack is made, a [`NoiseObserver`] looks at every tile and measures, off the
//! stars of a [`StarMask`], how much a light differs from the others and one half of the
//! lights from the other half. [`GainReport::from_tiles`] turns what it saw into the
//! figures: noise of a single light and of the stack, gain, effective frames, their
//! errors, and a [`Budget`] of where frames were lost.
//!
//! Nothing here reads a picture's spatial scatter: the scene is not noise, and it cancels
//! only in differences. Noise is given at two scales. `pixel` is what the eye sees at
//! 100 %; resampling lowers it with nothing gained. `area` is the noise of means over
//! 8 x 8 pixels, times 8, and is the true one.
//!
//! [`measure_sensor`] tells the gain in electrons and where the noise of a light comes
//! from, by photon transfer; [`StarShapes`] how wide the stars are over the field, and
//! whether trails, the lens or the alignment make them so.
//!
//! What no difference can show is what all lights have in common: a fixed pattern that
//! did not move. [`Summary::pattern`] says whether it could have been seen.
//!
//! ```
//! use noise::{ChannelInfo, Estimator, GainReport, NoiseError, NoiseObserver, NoiseOptions};
//! use noise::{PatternBasis, PatternPrior, ReportContext, StarMask, regions};
//!
//! let observer = NoiseObserver::new(StarMask::empty(1200, 900), NoiseOptions::default());
//! // let tiles = ...: the stack engine shows the observer every tile
//! # let _ = &observer;
//! # let tiles = [];
//! let pattern = PatternPrior { response: 0.008, offset_dn: 2.0, basis: PatternBasis::Assumed };
//! let context = ReportContext {
//!     regions: regions(1200, 900, 6, 4),
//!     channels: vec![ChannelInfo { name: "L".into(), photosite_share: 1.0, pattern }],
//!     estimator: Estimator::SigmaClip,
//!     positions_px: None,
//!     transparency: Vec::new(),
//!     track: None,
//!     subtracted: None,
//! };
//! let report = GainReport::from_tiles(&tiles, &context);
//! assert_eq!(report, Err(NoiseError::TooFewLights { found: 0 }));
//! ```

pub use budget::Budget;
pub use ccd_equation::ApertureLight;
pub use compare::{
    CompareError, CompareOptions, Compared, ComparedChannel, Comparison, Contender, Estimate,
    Foreign, ForeignChannel, Linearity, OwnStack, PairNoise, compare, detect_on, measure_foreign,
    resample,
};
pub use drop_correlation::{drop_correlation, drop_correlation_at};
pub use error::NoiseError;
pub use estimator::{Estimator, clip_price};
pub use growth::{GrowthCurve, GrowthPoint};
pub use half_noise::{HalfNoise, HalfNoiseObserver, HalfNoiseTile};
pub use mask::{StarMask, StarMaskOptions};
pub use measured::Measured;
pub use observer::{LightsPerTile, NoiseObserver, NoiseOptions, TileNoise};
pub use pattern::{
    FEWEST_LIGHTS_FOR_PATTERN, Headline, PatternBasis, PatternSummary, VISIBLE_DRIFT_PX,
};
pub use pattern_prior::{Calibrated, PatternPrior};
pub use photon_transfer::{
    ChannelSensor, Exposure, LightNoise, SensorFrames, SensorNote, TransferSource,
    frames_looked_at, measure_sensor,
};
pub use region::{Part, Region, TILE_PX, regions};
pub use report::{
    ChannelInfo, ChannelNoise, Evidence, GainReport, RegionNoise, ReportContext, Summary,
};
pub use scales::{SingleNoise, StackNoise};
pub use series::{SeriesCurve, SeriesPoint, noise_against_n};
pub use star_shape::{
    Effect, RadialPattern, Second, StarField, StarFinding, StarPair, StarShapeObserver,
    StarShapeOptions, StarShapes, StarZone, ZonePlace, ZoneShape, bayer_green_variance_px2,
};
pub use subtracted::SubtractedPattern;
pub use track::SensorTrack;

mod budget;
mod ccd_equation;
mod channel_layers;
mod compare;
mod covariance;
mod difference;
mod drop_correlation;
mod error;
mod estimator;
mod growth;
mod half_noise;
mod layer_fit;
mod layers;
mod lights;
mod mask;
mod measured;
mod motion;
mod observer;
mod pattern;
mod pattern_prior;
mod photon_transfer;
mod region;
mod region_noise;
mod report;
mod robust;
mod scales;
mod sensor_layer;
mod series;
mod shares;
mod spectra;
mod star_shape;
mod subtracted;
mod track;
mod trend;
