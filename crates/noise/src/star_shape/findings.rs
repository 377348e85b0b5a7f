//! Star shape in plain words.

use super::field::same_direction;
use super::{Effect, RadialPattern, StarShapes};
use std::fmt;

/// What the shapes of the stars say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum StarFinding {
    /// Stars of a single light are trailed.
    Trailed {
        /// The trail.
        trail: Effect,
        /// Whether it is what the drift from light to light makes in one exposure;
        /// `None` when that drift is not known.
        by_drift: Option<bool>,
    },
    /// Stars are drawn out along or across the radius towards the corners.
    Radial(RadialPattern),
    /// The stack widens stars.
    Misaligned(Effect),
    /// Stars of the stack are as sharp as those of a light.
    WellAligned {
        /// What misalignment is smaller than, px.
        limit_px: f64,
    },
}

impl fmt::Display for StarFinding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Trailed { trail, by_drift } => {
                write!(
                    f,
                    "stars are trailed {:.1} px along {:.0}° in a single light",
                    trail.size_px, trail.direction_deg
                )?;
                match by_drift {
                    Some(true) => write!(f, ", as their drift from light to light explains"),
                    Some(false) => write!(
                        f,
                        ", which their drift from light to light does not explain"
                    ),
                    None => Ok(()),
                }
            }
            Self::Radial(pattern) if pattern.corner_px > 0.0 => write!(
                f,
                "stars are drawn out by {:.1} px away from the center at the corners, as by coma",
                pattern.corner_px
            ),
            Self::Radial(pattern) => write!(
                f,
                "stars are drawn out by {:.1} px around the center at the corners, as by \
                 astigmatism or a turning field",
                -pattern.corner_px
            ),
            Self::Misaligned(effect) => write!(
                f,
                "the stack widens stars by {:.2} px along {:.0}°: lights do not lie on each other",
                effect.size_px, effect.direction_deg
            ),
            Self::WellAligned { limit_px } => write!(
                f,
                "stars of the stack are as sharp as those of a light; misalignment below {limit_px:.2} px"
            ),
        }
    }
}

/// Misalignment that matters to anyone, px rms: it widens a star of 2 px FWHM by 3 %.
const LEAST_MISALIGNMENT_PX: f64 = 0.2;
/// Trail that matters, px.
const LEAST_TRAIL_PX: f64 = 0.5;
/// Elongation at the corner that matters, px rms.
const LEAST_RADIAL_PX: f64 = 0.3;

impl StarShapes {
    /// What stands out and what matters.
    pub fn findings(&self) -> Vec<StarFinding> {
        let mut findings = Vec::new();
        if let Some(trail) = self.trail.filter(|t| t.seen && t.size_px >= LEAST_TRAIL_PX) {
            let by_drift = self
                .expected_trail
                .map(|expected| explains(&trail, expected));
            findings.push(StarFinding::Trailed { trail, by_drift });
        }
        let radial = self
            .radial
            .filter(|r| r.seen && r.corner_px.abs() >= LEAST_RADIAL_PX);
        findings.extend(radial.map(StarFinding::Radial));
        match self.misalignment {
            Some(effect) if effect.seen && effect.size_px >= LEAST_MISALIGNMENT_PX => {
                findings.push(StarFinding::Misaligned(effect));
            }
            Some(Effect { limit_px, .. }) => findings.push(StarFinding::WellAligned { limit_px }),
            None => {}
        }
        findings
    }
}

/// Whether the drift makes such a trail.
fn explains(trail: &Effect, (length_px, direction_deg): (f64, f64)) -> bool {
    /// Exposures are nominal: 30 s is 32 s on many cameras.
    const LENGTH_ALLOWANCE: f64 = 0.25;
    let apart = (trail.size_px - length_px).abs();
    apart <= (LENGTH_ALLOWANCE * length_px).max(super::SEEN_SIGMAS * trail.error_px)
        && same_direction(
            trail.direction_deg,
            direction_deg,
            trail.direction_error_deg,
        )
}
