//! Starlight bent by the air, as a camera that stands still sees it.

use crate::motion::across;

/// Air over a camera: which way is up, and how strongly it bends.
///
/// Source of the lift: Bennett (1982), J. Navigation 35, 255: `cot(h + 7.31 / (h + 4.4))`
/// arcmin by the apparent altitude `h` in degrees, at 1010 hPa and 10 °C (from memory).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Refraction {
    zenith: [f64; 3],
    strength: f64,
}

/// Numbers that describe air: two of the zenith, and the strength.
pub(crate) const AIR_PARAMETERS: usize = 3;

impl Refraction {
    /// Air of the zenith's direction in the camera's axes, of length 1, and of a strength over
    /// that of 1010 hPa and 10 °C.
    pub fn new(zenith: [f64; 3], strength: f64) -> Self {
        Self { zenith, strength }
    }

    /// Direction of the zenith in the camera's axes.
    pub fn zenith(&self) -> [f64; 3] {
        self.zenith
    }

    /// Lift over that of standard air.
    pub fn strength(&self) -> f64 {
        self.strength
    }

    /// The air with its numbers moved by a step: small angles of the zenith along the two
    /// directions across it, and strength.
    pub(crate) fn moved(&self, &[right, down, strength]: &[f64; AIR_PARAMETERS]) -> Self {
        let sides = across(self.zenith);
        let moved: [f64; 3] =
            std::array::from_fn(|k| self.zenith[k] + right * sides[0][k] + down * sides[1][k]);
        let norm = moved.iter().map(|part| part * part).sum::<f64>().sqrt();
        Self::new(moved.map(|part| part / norm), self.strength + strength)
    }

    /// Where a true direction of length 1 is seen.
    pub(crate) fn apparent(&self, direction: [f64; 3]) -> [f64; 3] {
        const ROUNDS: usize = 20;
        const STILL_RAD: f64 = 1e-11;
        let altitude = self.altitude_rad(direction);
        let mut lift = 0.0;
        for _ in 0..ROUNDS {
            let next = self.lift_rad(altitude + lift);
            let settled = (next - lift).abs() < STILL_RAD;
            lift = next;
            if settled {
                break;
            }
        }
        self.raised(direction, lift)
    }

    /// How a movement of a true direction moves where it is seen; of movements across it.
    pub(crate) fn slopes(&self, direction: [f64; 3], apparent: [f64; 3]) -> [[f64; 3]; 3] {
        const STEP_RAD: f64 = 1e-6;
        let [before, after] = [direction, apparent].map(|at| self.upright(at));
        let (Some((up, side, cosine)), Some((lifted, _, seen_cosine))) = (before, after) else {
            return [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
        };
        let altitude = self.altitude_rad(apparent);
        let [high, low] = [STEP_RAD, -STEP_RAD].map(|step| self.lift_rad(altitude + step));
        let upwards = 1.0 / (1.0 - (high - low) / (2.0 * STEP_RAD));
        let sideways = seen_cosine / cosine;
        std::array::from_fn(|i| {
            std::array::from_fn(|j| upwards * lifted[i] * up[j] + sideways * side[i] * side[j])
        })
    }

    /// At a direction: what is upwards and what is sideways, and the cosine of its altitude;
    /// `None` at the zenith.
    fn upright(&self, at: [f64; 3]) -> Option<([f64; 3], [f64; 3], f64)> {
        let sine: f64 = (0..3).map(|k| at[k] * self.zenith[k]).sum();
        let cosine = (1.0 - sine * sine).max(0.0).sqrt();
        if cosine < 1e-6 {
            return None;
        }
        let up: [f64; 3] = std::array::from_fn(|k| (self.zenith[k] - sine * at[k]) / cosine);
        let side = [
            up[1] * at[2] - up[2] * at[1],
            up[2] * at[0] - up[0] * at[2],
            up[0] * at[1] - up[1] * at[0],
        ];
        Some((up, side, cosine))
    }

    /// The true direction of what is seen in a direction of length 1.
    pub(crate) fn unbent(&self, apparent: [f64; 3]) -> [f64; 3] {
        self.raised(apparent, -self.lift_rad(self.altitude_rad(apparent)))
    }

    fn altitude_rad(&self, direction: [f64; 3]) -> f64 {
        let sine: f64 = (0..3).map(|k| direction[k] * self.zenith[k]).sum();
        sine.clamp(-1.0, 1.0).asin()
    }

    /// How much higher something stands than without air, by its apparent altitude. Towards
    /// the horizon and below it the altitude fades into a constant: no star is measured there,
    /// and maps stay smooth.
    fn lift_rad(&self, altitude_rad: f64) -> f64 {
        const LOWEST_DEG: f64 = 0.0;
        const FADING_DEG: f64 = 0.6;
        let over = (altitude_rad.to_degrees() - LOWEST_DEG) / FADING_DEG;
        // ln(1 + exp(x)) without overflow.
        let soft = over.max(0.0) + (-over.abs()).exp().ln_1p();
        let h = LOWEST_DEG + FADING_DEG * soft;
        let arcmin = (h + 7.31 / (h + 4.4)).to_radians().tan().recip();
        self.strength * (arcmin / 60.0).to_radians()
    }

    /// A direction turned towards the zenith by an angle; the zenith itself stays.
    fn raised(&self, direction: [f64; 3], by_rad: f64) -> [f64; 3] {
        let sine: f64 = (0..3).map(|k| direction[k] * self.zenith[k]).sum();
        let cosine = (1.0 - sine * sine).max(0.0).sqrt();
        if cosine < 1e-9 {
            return direction;
        }
        let (up, along) = by_rad.sin_cos();
        let along = along - up * sine / cosine;
        let up = up / cosine;
        [0, 1, 2].map(|k| along * direction[k] + up * self.zenith[k])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ZENITH: [f64; 3] = [0.0, -0.8, 0.6];

    /// A direction of an altitude, degrees, that many degrees aside.
    fn at(altitude_deg: f64, aside_deg: f64) -> [f64; 3] {
        let (up, level) = altitude_deg.to_radians().sin_cos();
        let (aside, ahead) = aside_deg.to_radians().sin_cos();
        let (forward, side) = ([0.0, 0.6, 0.8], [1.0, 0.0, 0.0]);
        [0, 1, 2].map(|k| up * ZENITH[k] + level * (ahead * forward[k] + aside * side[k]))
    }

    fn air() -> Refraction {
        Refraction::new(ZENITH, 1.0)
    }

    #[test]
    fn the_lift_is_bennetts() {
        // Bennett (1982), evaluated by the formula: arcmin at apparent altitudes.
        const WANT: [(f64, f64); 4] = [(5.0, 9.884), (10.0, 5.391), (45.0, 0.9946), (90.0, 0.0)];
        for (altitude_deg, arcmin) in WANT {
            let lift = air().lift_rad(f64::to_radians(altitude_deg)).to_degrees() * 60.0;
            assert!((lift - arcmin).abs() < 5e-3, "{altitude_deg}: {lift}");
        }
    }

    #[test]
    fn what_is_bent_is_unbent_again() {
        for altitude_deg in [-20.0, -0.5, 0.5, 5.0, 40.0, 89.0] {
            let direction = at(altitude_deg, 33.0);
            let again = air().unbent(air().apparent(direction));
            let off = (0..3)
                .map(|k| (again[k] - direction[k]).powi(2))
                .sum::<f64>();
            assert!(off.sqrt() < 1e-9, "{altitude_deg}: {off}");
        }
    }

    #[test]
    fn slopes_are_the_derivatives() {
        const STEP: f64 = 1e-5;
        for altitude_deg in [1.0, 8.0, 50.0] {
            let direction = at(altitude_deg, 20.0);
            let apparent = air().apparent(direction);
            let slopes = air().slopes(direction, apparent);
            for side in across(direction) {
                let moved: [f64; 3] = std::array::from_fn(|k| direction[k] + STEP * side[k]);
                let norm = moved.iter().map(|part| part * part).sum::<f64>().sqrt();
                let after = air().apparent(moved.map(|part| part / norm));
                for i in 0..3 {
                    let want = (after[i] - apparent[i]) / STEP;
                    let found: f64 = (0..3).map(|j| slopes[i][j] * side[j]).sum();
                    assert!(
                        (found - want).abs() < 1e-4,
                        "{altitude_deg}: {found} for {want}"
                    );
                }
            }
        }
    }
}
