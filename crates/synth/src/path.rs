//! Where sky and ground are during an exposure.

use crate::lens::FWHM_PER_SIGMA;
use crate::mount::Moment;
use crate::rotation::{self, Matrix};
use crate::star_image::path_moments;
use crate::{Pointing, Simulator};

/// A moment of a light: how sky and ground have turned since the reference moment.
#[derive(Clone, Debug)]
pub(crate) struct Turn {
    /// From directions in the reference camera's axes to the camera's, for the sky.
    pub sky: Matrix,
    /// The same for the ground.
    pub ground: Matrix,
    /// Straight up, in the camera's axes.
    pub zenith: [f64; 3],
    /// Share of the exposure.
    pub weight: f64,
    /// From the camera's axes to those of its azimuth: right, ahead, up.
    to_horizon: Matrix,
}

impl Turn {
    /// Altitude of a direction in the camera's axes, and azimuth from that of the pointing
    /// (-180 to 180), degrees.
    pub(crate) fn altitude_azimuth_deg(&self, direction: [f64; 3]) -> (f64, f64) {
        let [right, ahead, up] = rotation::apply(&self.to_horizon, direction);
        let altitude = libm::asin(up.clamp(-1.0, 1.0));
        (
            altitude.to_degrees(),
            libm::atan2(right, ahead).to_degrees(),
        )
    }

    /// Sine of the altitude of a direction in the camera's axes.
    pub(crate) fn sin_altitude(&self, direction: [f64; 3]) -> f64 {
        rotation::dot(self.to_horizon[2], direction)
    }
}

/// Samples by which the length of a path is judged.
const PROBES: usize = 32;
/// Longest path that is followed, in segments.
const MOST_SEGMENTS: usize = 2000;

impl Simulator {
    /// Sky and ground at a moment of light `index`; `fraction` of the exposure runs from
    /// -0.5 to 0.5.
    pub(crate) fn turn(&self, index: usize, fraction: f64) -> Turn {
        let scene = self.scene();
        let moment = Moment {
            seed: scene.seed,
            index,
            elapsed_s: scene.elapsed_s(index, fraction),
            since_middle_s: fraction * scene.exposure_of(index),
            knock_arcsec: scene.knock_arcsec(index),
        };
        let ground = scene.mount.ground(&moment);
        let level = Pointing {
            azimuth_deg: 0.0,
            ..scene.pointing
        };
        let camera_from_horizon = rotation::multiply(&ground, &level.from_horizon());
        Turn {
            sky: scene.mount.sky(&moment),
            zenith: rotation::apply(&ground, scene.pointing.zenith()),
            ground,
            weight: 1.0,
            to_horizon: rotation::transpose(&camera_from_horizon),
        }
    }

    /// The exposure of light `index` as moments, so many that no star moves more than
    /// about `segment_sigmas` of its image's sigma in a segment.
    pub(crate) fn sky_turns(&self, index: usize, segment_sigmas: f64) -> Vec<Turn> {
        let sigma_px = self.scene().lens.fwhm_px / FWHM_PER_SIGMA;
        let length_px = self.sky_path_px(index);
        let segments =
            ((length_px / (segment_sigmas * sigma_px)).ceil() as usize).min(MOST_SEGMENTS);
        path_moments(segments)
            .into_iter()
            .map(|(fraction, weight)| Turn {
                weight,
                ..self.turn(index, fraction)
            })
            .collect()
    }

    /// The longest way of a star in light `index`, px; at least that.
    pub(crate) fn sky_path_px(&self, index: usize) -> f64 {
        self.path_px(index, |turn| turn.sky)
    }

    /// The exposure of light `index` as evenly spaced moments between which the ground
    /// moves by at most a pixel.
    pub(crate) fn ground_turns(&self, index: usize) -> Vec<Turn> {
        let length_px = self.path_px(index, |turn| turn.ground);
        let n = (length_px.ceil() as usize).clamp(1, MOST_SEGMENTS);
        (0..n)
            .map(|i| Turn {
                weight: 1.0 / n as f64,
                ..self.turn(index, (i as f64 + 0.5) / n as f64 - 0.5)
            })
            .collect()
    }

    /// How far the corners or the center move in the exposure, were it all as fast as at
    /// its fastest, px.
    fn path_px(&self, index: usize, matrix: impl Fn(&Turn) -> Matrix) -> f64 {
        let scene = self.scene();
        let (right, bottom) = (scene.width as f64, scene.height as f64);
        let corners = [
            (0.0, 0.0),
            (right, 0.0),
            (0.0, bottom),
            (right, bottom),
            (right / 2.0, bottom / 2.0),
        ];
        let open = rotation::transpose(&matrix(&self.turn(index, -0.5)));
        let starts =
            corners.map(|(x, y)| rotation::apply(&open, self.projection().direction(x, y)));
        let mut before = corners;
        let mut fastest_px: f64 = 0.0;
        for probe in 1..=PROBES {
            let turn = matrix(&self.turn(index, probe as f64 / PROBES as f64 - 0.5));
            for (start, before) in starts.iter().zip(&mut before) {
                let place = self.projection().project(rotation::apply(&turn, *start));
                let Some((x, y)) = place else { continue };
                fastest_px = fastest_px.max((x - before.0).hypot(y - before.1));
                *before = (x, y);
            }
        }
        fastest_px * PROBES as f64
    }
}
