//! How far stars move over the sensor of a camera that stands still, place by place.

use crate::camera::Camera;
use crate::rules::SIDEREAL_RAD_PER_S;
use crate::vector::{Vector, cross, dot, turned};

/// Half a turn of the sky, s: no place of it is ever farther from where it was.
const HALF_TURN_S: f64 = 43_082.045_25;

/// Places looked at across and down the field, for the worst of them.
const LATTICE: [u32; 2] = [13, 9];

/// Where a camera points, its upper edge level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pointing {
    /// At the meridian, at this declination.
    Declination {
        /// Declination of the center, degrees.
        deg: f64,
    },
    /// At a place of the horizon's coordinates.
    Horizon {
        /// From north through east, degrees.
        azimuth_deg: f64,
        /// Above the horizon, degrees.
        altitude_deg: f64,
        /// Of the observer, north positive, degrees.
        latitude_deg: f64,
    },
}

impl Pointing {
    /// The north celestial pole along the camera's right, down and forward.
    fn pole(self) -> Vector {
        match self {
            Self::Declination { deg } => {
                let (sin, cos) = deg.to_radians().sin_cos();
                [0.0, -cos, sin]
            }
            Self::Horizon {
                azimuth_deg,
                altitude_deg,
                latitude_deg,
            } => {
                // Along east, north and up.
                let (sin_az, cos_az) = azimuth_deg.to_radians().sin_cos();
                let (sin_alt, cos_alt) = altitude_deg.to_radians().sin_cos();
                let (sin_lat, cos_lat) = latitude_deg.to_radians().sin_cos();
                let forward = [cos_alt * sin_az, cos_alt * cos_az, sin_alt];
                let right = [cos_az, -sin_az, 0.0];
                let down = cross(forward, right);
                [right, down, forward].map(|axis| dot(axis, [0.0, cos_lat, sin_lat]))
            }
        }
    }
}

/// A place of the picture, px.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// To the right.
    pub x: f64,
    /// Down.
    pub y: f64,
}

/// A camera that stands still under the turning sky. Refraction is left out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Field {
    camera: Camera,
    pole: Vector,
}

impl Field {
    /// What a camera sees where it points.
    pub fn new(camera: Camera, pointing: Pointing) -> Self {
        Self {
            camera,
            pole: pointing.pole(),
        }
    }

    /// The middle of the picture.
    pub fn center(&self) -> Place {
        let [x, y] = self.camera.center_px();
        Place { x, y }
    }

    /// The corners of the picture: top left, top right, bottom left, bottom right.
    pub fn corners(&self) -> [Place; 4] {
        let right = f64::from(self.camera.width_px) - 1.0;
        let bottom = f64::from(self.camera.height_px) - 1.0;
        [(0.0, 0.0), (right, 0.0), (0.0, bottom), (right, bottom)].map(|(x, y)| Place { x, y })
    }

    /// Declination of a place, degrees; NaN where the lens casts no light.
    pub fn declination_deg(&self, place: Place) -> f64 {
        let sine = dot(self.pole, self.camera.direction(place.x, place.y));
        sine.clamp(-1.0, 1.0).asin().to_degrees()
    }

    /// How far a star is from `place` after `seconds`, px: the distance of the ends of its
    /// trail. NaN where the lens casts no light, not finite where the star leaves its field.
    ///
    /// The exact turn about the celestial pole, drawn by the lens.
    pub fn drift_px(&self, place: Place, seconds: f64) -> f64 {
        let start = self.camera.direction(place.x, place.y);
        // The sky turns from east over south to west: left-handed about the north pole.
        let end = turned(start, self.pole, -SIDEREAL_RAD_PER_S * seconds);
        let [x, y] = self.camera.project(end);
        (x - place.x).hypot(y - place.y)
    }

    /// How fast stars move at a place, px/s.
    pub fn rate_px_per_s(&self, place: Place) -> f64 {
        // So short that the trail is straight, so long that rounding does not matter.
        const STEP_S: f64 = 0.01;
        self.drift_px(place, STEP_S) / STEP_S
    }

    /// Longest exposure that keeps stars at a place within `tolerated_px`, s; infinite where
    /// they never go so far, NaN where the lens casts no light.
    pub fn longest_s(&self, place: Place, tolerated_px: f64) -> f64 {
        if self.drift_px(place, 0.0).is_nan() {
            return f64::NAN;
        }
        // Outside of the lens, NaN, is farther than any tolerance.
        let within = |seconds| self.drift_px(place, seconds) <= tolerated_px;
        let (mut low, mut high) = (0.0, 1.0);
        while within(high) {
            if high >= HALF_TURN_S {
                return f64::INFINITY;
            }
            (low, high) = (high, (2.0 * high).min(HALF_TURN_S));
        }
        while high - low > 1e-9 * high {
            let middle = 0.5 * (low + high);
            if within(middle) {
                low = middle;
            } else {
                high = middle;
            }
        }
        low
    }

    /// Longest exposure that keeps all stars of the picture within `tolerated_px`, s.
    pub fn longest_anywhere_s(&self, tolerated_px: f64) -> f64 {
        self.lattice()
            .map(|place| self.longest_s(place, tolerated_px))
            .filter(|seconds| !seconds.is_nan())
            .fold(f64::INFINITY, f64::min)
    }

    /// Longest trail in the picture after `seconds`, px.
    pub fn largest_drift_px(&self, seconds: f64) -> f64 {
        self.lattice()
            .map(|place| self.drift_px(place, seconds))
            .filter(|drift| !drift.is_nan())
            .fold(0.0, f64::max)
    }

    /// Cosine of the declination nearest to the celestial equator, which a mount's error in
    /// right ascension moves most.
    pub fn largest_cos_declination(&self) -> f64 {
        self.lattice()
            .map(|place| self.declination_deg(place).to_radians().cos())
            .filter(|cosine| !cosine.is_nan())
            .fold(0.0, f64::max)
    }

    /// Places all over the picture, its edges and corners among them.
    fn lattice(&self) -> impl Iterator<Item = Place> {
        let [columns, rows] = LATTICE;
        let Place { x, y } = self.center();
        let at = |i: u32, n: u32, half: f64| 2.0 * half * f64::from(i) / f64::from(n - 1);
        (0..rows).flat_map(move |row| {
            (0..columns).map(move |column| Place {
                x: at(column, columns, x),
                y: at(row, rows, y),
            })
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Projection;

    fn camera() -> Camera {
        Camera {
            width_px: 6001,
            height_px: 4001,
            pitch_um: 5.98,
            focal_length_mm: 24.0,
            aperture: 1.4,
            projection: Projection::Rectilinear,
        }
    }

    #[test]
    fn nothing_moves_at_the_pole_and_nothing_limits_it() {
        let field = Field::new(camera(), Pointing::Declination { deg: 90.0 });
        assert!(field.drift_px(field.center(), 3600.0) < 1e-6);
        assert_eq!(field.longest_s(field.center(), 1.0), f64::INFINITY);
        assert!(field.longest_anywhere_s(1.0).is_finite());
        assert!((field.declination_deg(field.center()) - 90.0).abs() < 1e-6);
    }

    #[test]
    fn the_longest_exposure_trails_as_far_as_tolerated() {
        let field = Field::new(camera(), Pointing::Declination { deg: -20.0 });
        for place in field.corners().into_iter().chain([field.center()]) {
            let longest = field.longest_s(place, 2.5);
            let drift = field.drift_px(place, longest);
            assert!((drift - 2.5).abs() < 1e-6, "{place:?}: {drift}");
        }
        let worst = field.longest_anywhere_s(2.5);
        assert!((field.largest_drift_px(worst) - 2.5).abs() < 1e-6);
    }

    /// North and south of the equator the sky is the same, mirrored.
    #[test]
    fn north_and_south_mirror_each_other() {
        let drift = |azimuth_deg: f64, latitude_deg: f64, corner: usize| {
            let pointing = Pointing::Horizon {
                azimuth_deg,
                altitude_deg: 35.0,
                latitude_deg,
            };
            let field = Field::new(camera(), pointing);
            field.drift_px(field.corners()[corner], 20.0)
        };
        for (corner, mirrored) in [(0, 1), (2, 3)] {
            let north = drift(150.0, 50.0, corner);
            let south = drift(30.0, -50.0, mirrored);
            assert!((north - south).abs() < 1e-6, "{north} {south}");
        }
    }

    #[test]
    fn what_the_lens_does_not_light_has_no_limit_of_its_own() {
        let tiny = Camera {
            focal_length_mm: 8.0,
            projection: Projection::Equisolid,
            ..camera()
        };
        let field = Field::new(tiny, Pointing::Declination { deg: 0.0 });
        assert!(field.longest_s(field.corners()[0], 2.0).is_nan());
        assert!(field.longest_anywhere_s(2.0).is_finite());
    }
}
