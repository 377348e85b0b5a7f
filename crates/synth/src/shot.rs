//! The shots of a scene: which file holds what, in the order they were taken.

use crate::scene::{BIAS_EXPOSURE_S, Damage, Layout};
use crate::{RenderedFrame, Scene, Simulator, SynthError};
use jiff::SignedDuration;
use jiff::civil::DateTime;
use raw::FrameKind;
use std::path::PathBuf;

/// One file of a scene.
#[derive(Clone, Debug, PartialEq)]
pub struct Shot {
    /// The file, from the scene's folder.
    pub path: PathBuf,
    /// Number of the shot, from 0; names its noise.
    pub number: usize,
    /// What it is for.
    pub kind: FrameKind,
    /// Shutter-open time, s.
    pub exposure_s: f64,
    /// When the shutter opened, on the camera's clock.
    pub start: DateTime,
    /// What is wrong with the file.
    pub damage: Option<Damage>,
}

impl Scene {
    /// The shots: first the lights, then darks, flats and bias frames.
    pub fn shots(&self) -> Vec<Shot> {
        let plan = &self.calibration;
        let kinds = [
            (FrameKind::Light, self.frames, self.exposure_s),
            (FrameKind::Dark, plan.darks, self.exposure_s),
            (FrameKind::Flat, plan.flats, plan.flat_exposure_s),
            (FrameKind::Bias, plan.bias, BIAS_EXPOSURE_S),
        ];
        let mut shots = Vec::new();
        let mut next_s = 0.0;
        for (kind, n, exposure_s) in kinds {
            for index in 0..n {
                let number = shots.len();
                let light = kind == FrameKind::Light;
                shots.push(Shot {
                    path: self
                        .folder(kind)
                        .join(format!("shot_{:04}.dng", number + 1)),
                    number,
                    kind,
                    exposure_s: if light {
                        self.exposure_of(index)
                    } else {
                        exposure_s
                    },
                    start: self.start + milliseconds(next_s),
                    damage: self.faults.damage(index, n).filter(|_| light),
                });
                next_s += exposure_s + self.gap_s;
            }
        }
        shots
    }

    /// Folder of a kind of frame.
    fn folder(&self, kind: FrameKind) -> PathBuf {
        match (self.calibration.layout, kind) {
            (Layout::OneFolder, _) | (_, FrameKind::Light) => "lights",
            (_, FrameKind::Dark) => "darks",
            (_, FrameKind::Flat) => "flats",
            (_, FrameKind::Bias) => "bias",
        }
        .into()
    }
}

impl Simulator {
    /// The frame of a shot, as it would be without damage.
    ///
    /// # Errors
    ///
    /// When the scene has no such light.
    pub fn render(&self, shot: &Shot) -> Result<RenderedFrame, SynthError> {
        match shot.kind {
            FrameKind::Light => self.light(shot.number),
            FrameKind::Flat => Ok(self.flat(shot.number)),
            kind => Ok(self.dark(kind, shot.exposure_s, shot.number)),
        }
    }
}

/// A span of time to the nearest ms.
pub(crate) fn milliseconds(seconds: f64) -> SignedDuration {
    SignedDuration::from_millis((seconds * 1000.0).round() as i64)
}
