//! From decoded lights to lights that fit each other: masters, stars, geometry, sky.

use crate::JobError;
use crate::progress::Progress;
use crate::session::{LeftOut, Session, SessionFrame};
use align::{
    Alignment, Background, BackgroundOptions, DetectOptions, FrameGrade, MatchOptions, PixelMap,
    Saturation, Star, align_stars, choose_reference, detect, luminance,
};
use ndarray::{Array2, ArrayView2};
use rayon::prelude::*;
use stack::{
    Calibrator, DefectMap, DefectOptions, Light, MasterDark, MasterFlat, SkyMesh, StackError,
    StoredMosaic, sky_offsets,
};
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};

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

/// Share of the white level from which a site counts as saturated.
const SATURATED_FROM: f32 = 0.98;

/// What one light shows.
#[derive(Clone, Debug)]
pub struct Seen {
    /// Its stars.
    pub stars: Vec<Star>,
    /// Their number and shape.
    pub grade: FrameGrade,
    /// Its sky.
    pub sky: SkyMesh,
    /// Noise of a sample by channel, DN.
    pub noise_dn: Vec<f32>,
}

/// A light that goes into the stack.
#[derive(Clone, Debug)]
pub struct SolvedLight {
    /// The frame.
    pub frame: SessionFrame,
    /// What it shows.
    pub seen: Seen,
    /// Its place; `None` for the reference itself.
    pub alignment: Option<Alignment>,
    /// Brightness of its stars relative to the reference.
    pub transparency: f64,
    /// Its part in the stack.
    pub light: Light,
}

/// Lights that fit each other, ready to be stacked.
#[derive(Debug)]
pub struct Solved {
    /// In capture order.
    pub lights: Vec<SolvedLight>,
    /// Index of the reference among them.
    pub reference: usize,
    /// What takes the camera out of them.
    pub calibrator: Calibrator,
}

/// Makes the masters and the defect map.
///
/// # Errors
///
/// When samples cannot be read back from the scratch file.
pub fn calibrator(session: &Session) -> Result<Calibrator, StackError> {
    let mosaics = |frames: &'_ [SessionFrame]| -> Vec<StoredMosaic> {
        frames.iter().map(|frame| frame.mosaic.clone()).collect()
    };
    let master = |frames: &[SessionFrame]| -> Result<Option<MasterDark>, StackError> {
        let stored = mosaics(frames);
        let stored: Vec<&StoredMosaic> = stored.iter().collect();
        if stored.is_empty() {
            Ok(None)
        } else {
            MasterDark::combine(&stored).map(Some)
        }
    };
    let layout = session.lights[0].layout.clone();
    let bias = master(&session.bias)?;
    let dark = master(&session.darks)?;
    let flats = mosaics(&session.flats);
    let flats: Vec<&StoredMosaic> = flats.iter().collect();
    let flat = match flats.is_empty() {
        true => None,
        false => Some(MasterFlat::combine(&flats, &layout, bias.as_ref())?),
    };
    let options = DefectOptions::default();
    let lights: Vec<&StoredMosaic> = session.lights.iter().map(|light| &light.mosaic).collect();
    let noise_dn: Vec<f32> = session
        .lights
        .iter()
        .map(|light| light.frame.stats.noise_dn as f32)
        .collect();
    let mut defects = DefectMap::from_lights(&layout, &lights, &noise_dn, &options)?;
    // One or two darks do not tell their own noise.
    if let Some(dark) = dark.as_ref().filter(|dark| dark.n_frames >= 3) {
        defects = defects.union(&DefectMap::from_dark(dark, &options));
    }
    Calibrator::new(layout, dark.or(bias), flat, defects)
}

/// Finds stars in every light, aligns all to a reference, and brings them to one scale.
///
/// - `memory_bytes`: memory for the lights that are looked at together.
///
/// Lights that do not fit are moved to the session's left-out ones, with the reason.
///
/// # Errors
///
/// When fewer than two lights are left, when the reference asked for cannot be used, or
/// when samples cannot be read back from the scratch file.
pub fn solve(
    session: &mut Session,
    calibrator: Calibrator,
    reference: Option<&Path>,
    cull: &CullOptions,
    memory_bytes: u64,
    progress: &dyn Progress,
) -> Result<Solved, JobError> {
    progress.stage("finding stars", session.lights.len());
    let done = AtomicUsize::new(0);
    let mut seen = Vec::with_capacity(session.lights.len());
    for few in session
        .lights
        .chunks(lights_at_a_time(&calibrator, memory_bytes))
    {
        let of_few: Result<Vec<Seen>, StackError> = few
            .par_iter()
            .map(|light| {
                let seen = look_at(light, &calibrator);
                progress.advance(done.fetch_add(1, Ordering::Relaxed) + 1);
                seen
            })
            .collect();
        seen.extend(of_few?);
    }
    let reference = match reference {
        Some(path) => find_reference(&session.lights, path)?,
        None => {
            let stars: Vec<Vec<Star>> = seen.iter().map(|seen| seen.stars.clone()).collect();
            choose_reference(&stars).unwrap_or(0)
        }
    };
    progress.stage("aligning", session.lights.len());
    let size = session.lights[reference].frame.size;
    let places: Vec<Option<Result<Alignment, align::AlignError>>> = (0..seen.len())
        .into_par_iter()
        .map(|i| {
            let (own, stars) = (&seen[reference].stars, &seen[i].stars);
            (i != reference).then(|| align_stars(own, stars, size, &MatchOptions::default()))
        })
        .collect();
    let lights = std::mem::take(&mut session.lights);
    let reference_path = lights[reference].path().to_owned();
    let n_lights = lights.len();
    let limits = Limits::of(&seen, &places, cull);
    let mut kept = Vec::new();
    for ((frame, seen), place) in lights.into_iter().zip(seen).zip(places) {
        let fits = match place {
            None => Ok(None),
            Some(Ok(alignment)) => limits.check(&seen, &alignment).map(|()| Some(alignment)),
            Some(Err(error)) => Err(error.to_string()),
        };
        match fits {
            Ok(alignment) => kept.push((frame, seen, alignment)),
            Err(reason) => session.left_out.push(LeftOut::of(frame, reason)),
        }
    }
    if kept.len() < 2 {
        let reason = session.left_out.last().map(|left| left.reason.clone());
        let reason = reason.unwrap_or_else(|| "it is the only one".to_owned());
        return Err(JobError::TooFewLights {
            lights: n_lights,
            used: kept.len(),
            reason,
            left_out: std::mem::take(&mut session.left_out),
        });
    }
    let lights = bring_to_one_scale(kept);
    let reference = lights
        .iter()
        .position(|light| light.frame.path() == reference_path);
    let reference = reference.expect("the reference is never left out");
    Ok(Solved {
        lights,
        reference,
        calibrator,
    })
}

/// How many lights are searched for stars together: each takes a calibrated copy, the
/// plane it is searched on, and working room.
fn lights_at_a_time(calibrator: &Calibrator, memory_bytes: u64) -> usize {
    const BYTES_PER_PX: u64 = 16;
    let of_one = BYTES_PER_PX * calibrator.layout().bounds().area() as u64;
    (memory_bytes / of_one.max(1)).clamp(1, 1024) as usize
}

fn find_reference(lights: &[SessionFrame], path: &Path) -> Result<usize, JobError> {
    let same = |light: &SessionFrame| {
        light.path() == path
            || matches!((light.path().canonicalize(), path.canonicalize()), (Ok(a), Ok(b)) if a == b)
    };
    lights
        .iter()
        .position(same)
        .ok_or_else(|| JobError::UnknownReference(path.to_owned()))
}

/// Stars, sky and noise of one light.
fn look_at(light: &SessionFrame, calibrator: &Calibrator) -> Result<Seen, StackError> {
    let layout = calibrator.layout();
    let window = calibrator.window(&light.mosaic, &layout.bounds())?;
    let sky = SkyMesh::measure(&window, &layout.cfa);
    let mosaic = ArrayView2::from_shape((layout.height, layout.width), &window.values);
    let plane = luminance(mosaic.expect("a whole frame"), &layout.cfa);
    let background = Background::estimate(plane.view(), &BackgroundOptions::default());
    let saturated = saturated_sites(light, calibrator)?;
    let options = DetectOptions {
        saturation: Some(Saturation::Mask(saturated.view())),
        ..Default::default()
    };
    let stars = detect(plane.view(), &background, &options);
    let noise_dn = light
        .frame
        .stats
        .channels
        .iter()
        .map(|c| c.noise_dn as f32)
        .collect();
    Ok(Seen {
        grade: FrameGrade::of(&stars),
        stars,
        sky,
        noise_dn,
    })
}

fn saturated_sites(
    light: &SessionFrame,
    calibrator: &Calibrator,
) -> Result<Array2<bool>, StackError> {
    let layout = calibrator.layout();
    let mut recorded = Vec::new();
    light.mosaic.read_window(&layout.bounds(), &mut recorded)?;
    let defects = calibrator.defects();
    let at = |(row, col): (usize, usize)| {
        let white =
            layout.black_level_dn.at(row, col) + SATURATED_FROM * layout.full_scale_dn(row, col);
        f32::from(recorded[row * layout.width + col]) >= white && !defects.contains(row, col)
    };
    Ok(Array2::from_shape_fn((layout.height, layout.width), at))
}

/// What the typical light is like, and how far others may be from it.
struct Limits {
    cull: CullOptions,
    transparency: f64,
    fwhm_px: f64,
}

impl Limits {
    fn of(
        seen: &[Seen],
        places: &[Option<Result<Alignment, align::AlignError>>],
        cull: &CullOptions,
    ) -> Self {
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
    fn check(&self, seen: &Seen, alignment: &Alignment) -> Result<(), String> {
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

fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.filter(|value| value.is_finite()).collect();
    values.sort_by(f64::total_cmp);
    (!values.is_empty()).then(|| values[values.len() / 2])
}

/// How many standard errors a transparency must differ from 1 to be acted on.
const SIGNIFICANT: f64 = 3.0;

/// Scales every light to the reference's star flux, levels the skies, and weighs by the
/// inverse of the noise variance that is left.
fn bring_to_one_scale(kept: Vec<(SessionFrame, Seen, Option<Alignment>)>) -> Vec<SolvedLight> {
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
    let transparency: Vec<f64> = kept
        .iter()
        .map(|(_, _, alignment)| clear(alignment))
        .collect();
    let scale: Vec<f32> = transparency.iter().map(|&t| (1.0 / t) as f32).collect();
    let noise: Vec<Vec<f32>> = kept
        .iter()
        .map(|(_, seen, _)| seen.noise_dn.clone())
        .collect();
    let weight = weights(&noise, &scale);
    let map = |alignment: &Option<Alignment>| match alignment {
        Some(alignment) => alignment.map.clone(),
        None => PixelMap::identity(),
    };
    let maps: Vec<PixelMap> = kept
        .iter()
        .map(|(_, _, alignment)| map(alignment))
        .collect();
    let skies: Vec<&SkyMesh> = kept.iter().map(|(_, seen, _)| &seen.sky).collect();
    let offsets = sky_offsets(&skies, &maps, &scale, &weight);
    kept.into_iter()
        .zip(offsets)
        .enumerate()
        .map(|(i, ((frame, seen, alignment), sky_offset))| SolvedLight {
            light: Light {
                mosaic: frame.mosaic.clone(),
                map: maps[i].clone(),
                scale: scale[i],
                sky_offset,
                weight: weight[i],
            },
            frame,
            seen,
            alignment,
            transparency: transparency[i],
        })
        .collect()
}

/// Inverse variances of the scaled lights, averaged over the channels; the typical
/// light has weight 1. Where no noise is recorded all weigh the same.
fn weights(noise_dn: &[Vec<f32>], scale: &[f32]) -> Vec<f32> {
    let n_channels = noise_dn.first().map_or(0, Vec::len);
    let variance =
        |light: usize, channel: usize| f64::from(scale[light] * noise_dn[light][channel]).powi(2);
    let typical: Vec<f64> = (0..n_channels)
        .map(|channel| median((0..scale.len()).map(|light| variance(light, channel))))
        .map(|variance| variance.unwrap_or(1.0))
        .collect();
    (0..scale.len())
        .map(|light| {
            let share = |channel: usize| typical[channel] / variance(light, channel);
            let mean = (0..n_channels).map(share).sum::<f64>() / n_channels as f64;
            if mean.is_finite() && mean > 0.0 {
                mean as f32
            } else {
                1.0
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_are_inverse_variances_of_the_scaled_lights() {
        let noise = vec![
            vec![2.0, 3.0],
            vec![2.0, 3.0],
            vec![4.0, 6.0],
            vec![2.0, 3.0],
            vec![2.0, 3.0],
        ];
        let found = weights(&noise, &[1.0, 1.0, 1.0, 2.0, 1.0]);
        assert_eq!(found, [1.0, 1.0, 0.25, 0.25, 1.0]);
    }

    #[test]
    fn lights_without_noise_weigh_the_same() {
        assert_eq!(weights(&[vec![0.0], vec![0.0]], &[1.0, 1.0]), [1.0, 1.0]);
    }

    #[test]
    fn medians_ignore_what_is_no_number() {
        assert_eq!(median([3.0, f64::NAN, 1.0, 2.0].into_iter()), Some(2.0));
        assert_eq!(median([f64::NAN].into_iter()), None);
    }
}
