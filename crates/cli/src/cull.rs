//! Which lights are too poor for the stack.

use crate::light::{Place, Seen};
use align::Alignment;

/// Whether poor lights are left out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Cull {
    /// Those beyond a limit are.
    #[default]
    Poor,
    /// None is that can be aligned; weights still tell good from poor.
    Nothing,
}

/// When a light is left out rather than weighted down.
///
/// Every limit is against the typical light of the burst, the median, so that a burst that is
/// equally bad throughout keeps its lights. Sky brightness has no limit: a light's noise
/// sets its weight, and by that even a bright sky adds something; see docs/methods.md.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CullOptions {
    /// Whether the limits hold; default [`Cull::Poor`].
    pub cull: Cull,
    /// Least brightness of its stars, of that of the typical light; default 0.5.
    pub min_transparency: f64,
    /// Largest share of the field whose stars are dimmed below [`align::BLOCKED_SHARE`] of
    /// their brightness in the burst; default a third. Less cloud than that is weighted.
    pub max_blocked_fraction: f64,
    /// Largest width of its stars, of that of the typical light; default 1.6.
    pub max_fwhm_ratio: f64,
    /// Largest movement along one direction that all its stars show, of the typical light's
    /// star width; default 1.25, by which the long axis is 1.6 times as long.
    pub max_shake_ratio: f64,
    /// Largest root mean square distance of its stars from where the map puts them, px;
    /// default 1.
    pub max_residual_px: f64,
}

impl Default for CullOptions {
    fn default() -> Self {
        Self {
            cull: Cull::Poor,
            min_transparency: 0.5,
            max_blocked_fraction: 1.0 / 3.0,
            max_fwhm_ratio: 1.6,
            max_shake_ratio: 1.25,
            max_residual_px: 1.0,
        }
    }
}

/// What the typical light is like, and how far others may be from it.
pub(crate) struct Limits {
    cull: CullOptions,
    transparency: f64,
    fwhm_px: f64,
}

impl Limits {
    /// Limits from what the lights of a session are like.
    pub(crate) fn of(seen: &[Seen], places: &[Place], cull: &CullOptions) -> Self {
        let transparencies = places.iter().map(|place| match place {
            None => 1.0,
            Some(Ok(alignment)) => alignment.transparency.ratio,
            Some(Err(_)) => f64::NAN,
        });
        Self {
            cull: *cull,
            transparency: median(transparencies).unwrap_or(1.0),
            fwhm_px: median(seen.iter().map(|seen| seen.grade.fwhm_px)).unwrap_or(f64::NAN),
        }
    }

    /// What is wrong with a light, if it is not good enough.
    pub(crate) fn fault(&self, seen: &Seen, alignment: &Alignment) -> Option<String> {
        let limits = &self.cull;
        let quality = &seen.quality;
        if let Some([dx, dy]) = quality.double_px {
            return Some(format!(
                "its stars show twice, {:.0} px apart: the camera was moved during the exposure",
                dx.hypot(dy)
            ));
        }
        let shake = quality.shake_px / self.fwhm_px;
        if shake > limits.max_shake_ratio {
            return Some(format!(
                "all its stars are drawn out along one direction by {:.1} px more than in the \
                 typical light, whose stars are {:.1} px wide (limit {:.2} times that): shaken",
                quality.shake_px, self.fwhm_px, limits.max_shake_ratio
            ));
        }
        let wide = seen.grade.fwhm_px / self.fwhm_px;
        if wide > limits.max_fwhm_ratio {
            return Some(format!(
                "its stars are {:.1} px wide, typical is {:.1} px (limit {:.1} times that): \
                 shaken, dewed or out of focus",
                seen.grade.fwhm_px, self.fwhm_px, limits.max_fwhm_ratio
            ));
        }
        // After shape, since blurred stars are dimmer and fewer, too. Stars that cloud hides
        // take no part in the ratio of those that were matched.
        let matched = alignment.transparency.ratio / self.transparency;
        let clear = matched.min(quality.transparency);
        if clear < limits.min_transparency {
            return Some(format!(
                "its stars have {:.0} % of the typical light's brightness (limit {:.0} %): cloud",
                100.0 * clear,
                100.0 * limits.min_transparency
            ));
        }
        if quality.blocked_fraction > limits.max_blocked_fraction {
            return Some(format!(
                "cloud hides {:.0} % of the field (limit {:.0} %)",
                100.0 * quality.blocked_fraction,
                100.0 * limits.max_blocked_fraction
            ));
        }
        if alignment.residual_px > limits.max_residual_px {
            return Some(format!(
                "its stars do not fit the reference: {:.2} px rms (limit {:.2} px)",
                alignment.residual_px, limits.max_residual_px
            ));
        }
        None
    }
}

/// The middle of the finite values, or the mean of both middle ones.
pub(crate) fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut finite: Vec<f64> = values.filter(|value| value.is_finite()).collect();
    align::median(&mut finite)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn medians_ignore_what_is_no_number() {
        assert_eq!(median([3.0, f64::NAN, 1.0, 2.0].into_iter()), Some(2.0));
        assert_eq!(median([1.0, 4.0].into_iter()), Some(2.5));
        assert_eq!(median([f64::NAN].into_iter()), None);
    }
}
