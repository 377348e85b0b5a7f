//! Lights brought to one scale: star brightness, sky level, weight.

use crate::light::{Seen, SolvedLight};
use crate::session::SessionFrame;
use align::{Alignment, PixelMap};
use stack::{Light, SkyMesh, inverse_variance_weights, sky_offsets};

/// How many standard errors a transparency must differ from 1 to be acted on.
const SIGNIFICANT: f64 = 3.0;

/// A light that stays.
pub(crate) struct Kept {
    pub frame: SessionFrame,
    pub seen: Seen,
    pub alignment: Option<Alignment>,
    /// Why it would not have, had that not been overruled.
    pub fault: Option<String>,
}

/// Scales every light to the reference's star flux, levels the skies, and weighs by the
/// inverse of the noise variance that is left.
pub(crate) fn bring_to_one_scale(kept: Vec<Kept>) -> Vec<SolvedLight> {
    let clear = |alignment: &Option<Alignment>| {
        let Some(transparency) = alignment.as_ref().map(|alignment| alignment.transparency) else {
            return 1.0;
        };
        let off = (transparency.ratio - 1.0).abs();
        // Correcting a difference that is not there would only add its error.
        if off > SIGNIFICANT * transparency.standard_error {
            transparency.ratio
        } else {
            1.0
        }
    };
    let transparency: Vec<f64> = kept.iter().map(|light| clear(&light.alignment)).collect();
    let scale: Vec<f32> = transparency.iter().map(|&t| (1.0 / t) as f32).collect();
    let noise: Vec<Vec<f32>> = kept
        .iter()
        .map(|light| light.seen.noise_dn.clone())
        .collect();
    let weight = inverse_variance_weights(&noise, &scale);
    let map = |alignment: &Option<Alignment>| match alignment {
        Some(alignment) => alignment.map.clone(),
        None => PixelMap::identity(),
    };
    let maps: Vec<PixelMap> = kept.iter().map(|light| map(&light.alignment)).collect();
    let skies: Vec<&SkyMesh> = kept.iter().map(|light| &light.seen.sky).collect();
    let offsets = sky_offsets(&skies, &maps, &scale, &weight);
    kept.into_iter()
        .zip(offsets)
        .enumerate()
        .map(|(i, (kept, sky_offset))| SolvedLight {
            light: Light {
                mosaic: kept.frame.mosaic.clone(),
                map: maps[i].clone(),
                scale: scale[i],
                sky_offset,
                weight: weight[i],
            },
            frame: kept.frame,
            seen: kept.seen,
            alignment: kept.alignment,
            fault: kept.fault,
            transparency: transparency[i],
        })
        .collect()
}
