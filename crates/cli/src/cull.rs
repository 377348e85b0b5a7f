//! Which lights are too poor for the stack.

use crate::light::{Place, Seen};
use align::Alignment;

/// When a light is left out rather than weighted down.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CullOptions {
    /// Least brightness of its stars, of that of the typical light; default 0.5.
    pub min_transparency: f64,
    /// Largest width of its stars, of that of the typical light; default 1.6.
    pub max_fwhm_ratio: f64,
    /// Largest root mean square distance of its stars from where the map puts them, px;
    /// default 1.
    pub max_residual_px: f64,
}

impl Default for CullOptions {
    fn default() -> Self {
        Self {
            min_transparency: 0.5,
            max_fwhm_ratio: 1.6,
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

    /// Why a light is not good enough, if so.
    pub(crate) fn check(&self, seen: &Seen, alignment: &Alignment) -> Result<(), String> {
        let clear = alignment.transparency.ratio / self.transparency;
        if clear < self.cull.min_transparency {
            return Err(format!(
                "its stars have {:.0} % of the typical light's brightness (limit {:.0} %): cloud",
                100.0 * clear,
                100.0 * self.cull.min_transparency
            ));
        }
        let wide = seen.grade.fwhm_px / self.fwhm_px;
        if wide > self.cull.max_fwhm_ratio {
            return Err(format!(
                "its stars are {:.1} px wide, typical is {:.1} px (limit {:.1} times that): \
                 shaken or out of focus",
                seen.grade.fwhm_px, self.fwhm_px, self.cull.max_fwhm_ratio
            ));
        }
        if alignment.residual_px > self.cull.max_residual_px {
            return Err(format!(
                "its stars do not fit the reference: {:.2} px rms (limit {:.2} px)",
                alignment.residual_px, self.cull.max_residual_px
            ));
        }
        Ok(())
    }
}

/// The middle of the finite values, or the mean of both middle ones.
pub(crate) fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.filter(|value| value.is_finite()).collect();
    values.sort_by(f64::total_cmp);
    match values.len() {
        0 => None,
        n if n % 2 == 1 => Some(values[n / 2]),
        n => Some(0.5 * (values[n / 2 - 1] + values[n / 2])),
    }
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
