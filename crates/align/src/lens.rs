//! Where a lens puts a direction, and from where a pixel's light comes.

use crate::Refraction;

/// How the distance from the optical axis grows with the angle from it, in focal lengths.
///
/// Source of the four: Hughes et al. (2010), "Equidistant fish-eye perspective with
/// application in distortion centre estimation", section 2 (from memory); they are the
/// definitions of the trade.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Projection {
    /// `tan θ`: straight lines stay straight.
    Rectilinear,
    /// `2 tan(θ/2)`: small shapes are kept.
    Stereographic,
    /// `θ`: angles from the axis are kept.
    Equidistant,
    /// `2 sin(θ/2)`: areas are kept.
    Equisolid,
}

impl Projection {
    /// All of them, from the one that stretches the rim most to the one that shrinks it most.
    pub const ALL: [Self; 4] = [
        Self::Rectilinear,
        Self::Stereographic,
        Self::Equidistant,
        Self::Equisolid,
    ];

    /// Name in words.
    pub fn name(self) -> &'static str {
        match self {
            Self::Rectilinear => "rectilinear",
            Self::Stereographic => "stereographic",
            Self::Equidistant => "equidistant",
            Self::Equisolid => "equisolid",
        }
    }

    /// Angle from the axis, rad, at a distance from it in focal lengths; NaN beyond what the
    /// projection has.
    fn angle_rad(self, radius: f64) -> f64 {
        match self {
            Self::Rectilinear => radius.atan(),
            Self::Stereographic => 2.0 * (radius / 2.0).atan(),
            Self::Equidistant => radius,
            Self::Equisolid => 2.0 * (radius / 2.0).asin(),
        }
    }

    /// Cosine of the widest angle from the axis that is worked with: 87° for what cannot see
    /// 90°, 168° for the others.
    fn least_cos(self) -> f64 {
        match self {
            Self::Rectilinear => 0.05,
            _ => -0.98,
        }
    }

    /// Distance from the axis over the sine of the angle, and its derivative by the cosine.
    fn stretch(self, x: f64, y: f64, z: f64) -> (f64, f64) {
        match self {
            Self::Rectilinear => (1.0 / z, -1.0 / (z * z)),
            Self::Stereographic => (2.0 / (1.0 + z), -2.0 / ((1.0 + z) * (1.0 + z))),
            Self::Equisolid => {
                let stretch = (2.0 / (1.0 + z)).sqrt();
                (stretch, -stretch / (2.0 * (1.0 + z)))
            }
            Self::Equidistant => {
                let sine = x.hypot(y);
                let angle = sine.atan2(z);
                // Below this the series 1 + θ²/6 and −1/3 − 2θ²/15 are exact to 1e-13.
                if sine < 1e-3 && z > 0.0 {
                    let square = angle * angle;
                    return (1.0 + square / 6.0, -1.0 / 3.0 - 2.0 * square / 15.0);
                }
                let slope = -(sine - angle * z) / (sine * sine * sine);
                (angle / sine, slope)
            }
        }
    }
}

/// A lens over a sensor: a [`Projection`] times a radial polynomial,
/// `r (1 + k1 r² + k2 r⁴ + k3 r⁶)` with `r` in focal lengths.
///
/// Directions are in the camera's axes: X to the right, Y down, Z into the picture.
/// Source of the polynomial: Brown (1966), in the order of its terms as commonly written
/// (from memory); for lenses that are not rectilinear it multiplies their own radius.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lens {
    projection: Projection,
    focal_px: f64,
    principal_point_px: [f64; 2],
    radial: [f64; 3],
    /// Distance, in focal lengths and without the polynomial, from which on it folds back.
    fold: f64,
    /// What bends the light before it reaches the lens.
    air: Option<Refraction>,
}

/// Numbers that describe a lens: logarithm of the focal length, principal point, polynomial.
pub(crate) const PARAMETERS: usize = 6;

/// The pixel of a direction, and its derivatives.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Slopes {
    pub(crate) at: [f64; 2],
    /// By where the air lets the direction be seen, for changes that keep its length.
    pub(crate) by_seen: [[f64; 3]; 2],
    /// By the direction, likewise.
    pub(crate) by_direction: [[f64; 3]; 2],
    /// By the lens's parameters, in the order of [`PARAMETERS`].
    pub(crate) by_lens: [[f64; PARAMETERS]; 2],
}

impl Lens {
    /// A lens.
    ///
    /// - `focal_px`: focal length, px: distance from the axis per rad at the center.
    /// - `principal_point_px`: where the optical axis meets the sensor.
    /// - `radial`: `k1`, `k2`, `k3`; no unit.
    pub fn new(
        projection: Projection,
        focal_px: f64,
        principal_point_px: [f64; 2],
        radial: [f64; 3],
    ) -> Self {
        Self {
            projection,
            focal_px,
            principal_point_px,
            radial,
            fold: fold(&radial),
            air: None,
        }
    }

    /// The same lens with its focal length times a factor, and no air before it.
    pub(crate) fn scaled(&self, factor: f64) -> Self {
        Self::new(
            self.projection(),
            self.focal_px() * factor,
            self.principal_point_px(),
            self.radial(),
        )
    }

    /// The same behind air, or without it: directions are then those of stars without air.
    pub fn behind(&self, air: Option<Refraction>) -> Self {
        Self { air, ..*self }
    }

    /// What bends the light before it reaches the lens.
    pub fn air(&self) -> Option<Refraction> {
        self.air
    }

    /// The same with the first terms of the polynomial alone.
    pub(crate) fn with_terms(&self, terms: usize) -> Self {
        let mut radial = self.radial;
        radial.iter_mut().skip(terms).for_each(|k| *k = 0.0);
        Self::new(
            self.projection,
            self.focal_px,
            self.principal_point_px,
            radial,
        )
        .behind(self.air)
    }

    /// How angle becomes distance.
    pub fn projection(&self) -> Projection {
        self.projection
    }

    /// Focal length, px.
    pub fn focal_px(&self) -> f64 {
        self.focal_px
    }

    /// Where the optical axis meets the sensor, px.
    pub fn principal_point_px(&self) -> [f64; 2] {
        self.principal_point_px
    }

    /// `k1`, `k2`, `k3` of the radial polynomial.
    pub fn radial(&self) -> [f64; 3] {
        self.radial
    }

    /// The pixel of a direction of any length; `None` where the lens does not see: further
    /// than 87° from the axis for a rectilinear lens, 168° for others, or beyond where the
    /// polynomial folds the picture back.
    pub fn project(&self, direction: [f64; 3]) -> Option<[f64; 2]> {
        let [x, y, z] = self.seen(unit(direction)?);
        if z <= self.projection.least_cos() {
            return None;
        }
        let (stretch, _) = self.projection.stretch(x, y, z);
        let (u, v) = (stretch * x, stretch * y);
        let square = u * u + v * v;
        if square > self.fold * self.fold {
            return None;
        }
        let scale = self.focal_px * bend(&self.radial, square);
        let [cx, cy] = self.principal_point_px;
        Some([cx + scale * u, cy + scale * v])
    }

    /// The direction of a pixel, of length 1; `None` where the lens sees nothing.
    pub fn unproject(&self, x: f64, y: f64) -> Option<[f64; 3]> {
        let [cx, cy] = self.principal_point_px;
        let (dx, dy) = ((x - cx) / self.focal_px, (y - cy) / self.focal_px);
        let distance = dx.hypot(dy);
        let unbent = |seen: [f64; 3]| self.air.map_or(seen, |air| air.unbent(seen));
        if distance == 0.0 {
            return Some(unbent([0.0, 0.0, 1.0]));
        }
        let angle = self.projection.angle_rad(self.ideal_radius(distance)?);
        let (sine, cosine) = angle.sin_cos();
        let seen = cosine > self.projection.least_cos() && angle < std::f64::consts::PI;
        seen.then(|| unbent([sine * dx / distance, sine * dy / distance, cosine]))
    }

    /// Where the air lets a direction of length 1 be seen.
    fn seen(&self, direction: [f64; 3]) -> [f64; 3] {
        self.air.map_or(direction, |air| air.apparent(direction))
    }

    /// Angle from the axis of a pixel, rad; `None` where the lens sees nothing.
    pub fn angle_rad(&self, x: f64, y: f64) -> Option<f64> {
        let [dx, dy, dz] = self.unproject(x, y)?;
        Some(dx.hypot(dy).atan2(dz))
    }

    /// [`project`](Self::project) with derivatives, of a direction of length 1.
    pub(crate) fn slopes(&self, direction: [f64; 3]) -> Option<Slopes> {
        let [x, y, z] = self.seen(direction);
        if z.is_nan() || z <= self.projection.least_cos() {
            return None;
        }
        let (stretch, growth) = self.projection.stretch(x, y, z);
        let (u, v) = (stretch * x, stretch * y);
        let q = u * u + v * v;
        if q > self.fold * self.fold {
            return None;
        }
        let [k1, k2, k3] = self.radial;
        let f = self.focal_px;
        let bend = bend(&self.radial, q);
        let bend_slope = k1 + q * (2.0 * k2 + q * 3.0 * k3);
        let by_u = [
            f * (bend + 2.0 * u * u * bend_slope),
            f * 2.0 * u * v * bend_slope,
        ];
        let by_v = [by_u[1], f * (bend + 2.0 * v * v * bend_slope)];
        let by_seen = [0, 1].map(|i| {
            [
                by_u[i] * stretch,
                by_v[i] * stretch,
                (by_u[i] * x + by_v[i] * y) * growth,
            ]
        });
        // Principal point and attitudes nearly stand for each other; what the air bends
        // tells them apart, and must not be missing here.
        let by_direction = self.air.map_or(by_seen, |air| {
            let bent = air.slopes(direction, [x, y, z]);
            by_seen.map(|row| [0, 1, 2].map(|j| (0..3).map(|k| row[k] * bent[k][j]).sum()))
        });
        let [cx, cy] = self.principal_point_px;
        let (fu, fv) = (f * u, f * v);
        Some(Slopes {
            at: [cx + bend * fu, cy + bend * fv],
            by_seen,
            by_direction,
            by_lens: [
                [bend * fu, 1.0, 0.0, fu * q, fu * q * q, fu * q * q * q],
                [bend * fv, 0.0, 1.0, fv * q, fv * q * q, fv * q * q * q],
            ],
        })
    }

    /// The lens with its parameters moved by a step, in the order of [`PARAMETERS`].
    pub(crate) fn moved(&self, step: &[f64; PARAMETERS]) -> Self {
        let [cx, cy] = self.principal_point_px;
        Self::new(
            self.projection,
            self.focal_px * step[0].exp(),
            [cx + step[1], cy + step[2]],
            [0, 1, 2].map(|i| self.radial[i] + step[3 + i]),
        )
        .behind(self.air)
    }

    /// Distance in focal lengths without the polynomial, by Newton's method kept in bounds.
    fn ideal_radius(&self, want: f64) -> Option<f64> {
        const ROUNDS: usize = 30;
        const CLOSE: f64 = 2e-15;
        if self.radial == [0.0; 3] {
            return Some(want);
        }
        let at = |radius: f64| radius * bend(&self.radial, radius * radius);
        if self.fold.is_finite() && want > at(self.fold) {
            return None;
        }
        let (mut low, mut high) = (0.0, self.fold);
        let mut radius = want.min(self.fold);
        for _ in 0..ROUNDS {
            let error = at(radius) - want;
            if error.abs() <= CLOSE * (1.0 + want) {
                break;
            }
            if error > 0.0 {
                high = radius;
            } else {
                low = radius;
            }
            let next = radius - error / slope(&self.radial, radius);
            radius = match next > low && next < high {
                true => next,
                false if high.is_finite() => 0.5 * (low + high),
                false => 2.0 * radius,
            };
        }
        Some(radius)
    }
}

/// A direction's length brought to 1; `None` for one without length.
fn unit(v: [f64; 3]) -> Option<[f64; 3]> {
    let norm = (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]).sqrt();
    (norm > 0.0 && norm.is_finite()).then(|| v.map(|part| part / norm))
}

/// `1 + k1 r² + k2 r⁴ + k3 r⁶`, of the square of `r`.
fn bend(k: &[f64; 3], square: f64) -> f64 {
    1.0 + square * (k[0] + square * (k[1] + square * k[2]))
}

/// Growth of `r` times that with `r`.
fn slope(k: &[f64; 3], radius: f64) -> f64 {
    let square = radius * radius;
    1.0 + square * (3.0 * k[0] + square * (5.0 * k[1] + square * 7.0 * k[2]))
}

/// The last radius, in focal lengths, before the picture folds back; infinite if it never does.
fn fold(radial: &[f64; 3]) -> f64 {
    const STEP: f64 = 0.01;
    const WIDEST: usize = 2000;
    /// No lens crowds its rim to a twentieth of its center.
    const LEAST_SLOPE: f64 = 0.05;
    if *radial == [0.0; 3] {
        return f64::INFINITY;
    }
    (1..WIDEST)
        .find(|&step| slope(radial, step as f64 * STEP) <= LEAST_SLOPE)
        .map_or(f64::INFINITY, |step| (step - 1) as f64 * STEP)
}

#[cfg(test)]
#[path = "lens/tests.rs"]
mod tests;
