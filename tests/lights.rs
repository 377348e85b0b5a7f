//! Lights whose every sample is known.

use align::PixelMap;
use ndarray::Array2;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use raw::{Cfa, Rect, SitePattern};
use stack::{
    CalibratedWindow, Calibrator, Combine, DefectMap, Light, SensorLayout, SkyMesh, Stack,
    StackOptions, StoredMosaic, sky_offsets,
};

/// A calibrator of a sensor without filters, black level or defects.
pub fn mono_calibrator(width: usize, height: usize) -> Calibrator {
    cfa_calibrator(Cfa::mono(), DefectMap::none(width, height))
}

/// A calibrator of a sensor of the map's size without black level.
///
/// # Panics
///
/// Never: the sizes fit.
pub fn cfa_calibrator(cfa: Cfa, defects: DefectMap) -> Calibrator {
    let layout = SensorLayout {
        cfa,
        black_level_dn: SitePattern::uniform(0.0),
        white_level_dn: SitePattern::uniform(65535.0),
        width: defects.width(),
        height: defects.height(),
    };
    Calibrator::new(layout, None, None, defects).expect("sizes fit")
}

/// A light of weight 1 whose samples go into the stack as they are: neither scaled nor
/// leveled.
pub fn mono_light(samples: Array2<u16>, map: PixelMap) -> Light {
    cfa_light(&Cfa::mono(), samples, map)
}

/// The same of a sensor with filters.
pub fn cfa_light(cfa: &Cfa, samples: Array2<u16>, map: PixelMap) -> Light {
    let (height, width) = samples.dim();
    Light {
        mosaic: StoredMosaic::in_memory(samples),
        map,
        scale: 1.0,
        sky_offset: no_offset(cfa, width, height),
        weight: 1.0,
    }
}

/// Level of the lights of [`noise_stack`], DN.
pub const LEVEL_DN: f32 = 20_000.0;
/// Their noise, DN: so large that the whole numbers of a sensor add 5e-7 to the variance.
pub const SIGMA_DN: f32 = 400.0;

/// `n` lights of pure noise, `side_px` to a side, through the engine.
///
/// # Panics
///
/// When they cannot be stacked: this is a check.
pub fn noise_stack(side_px: usize, n: usize, combine: Combine, seed: u64) -> Stack {
    drawn_stack(side_px, n, combine, seed, |rng, _, _| {
        (LEVEL_DN + SIGMA_DN * rng.sample::<f32, _>(StandardNormal)).round() as u16
    })
}

/// `n` lights, `side_px` to a side, through the engine; each sample drawn by its light and
/// its row and column.
///
/// # Panics
///
/// When they cannot be stacked: this is a check.
pub fn drawn_stack(
    side_px: usize,
    n: usize,
    combine: Combine,
    seed: u64,
    mut draw: impl FnMut(&mut ChaCha8Rng, usize, (usize, usize)) -> u16,
) -> Stack {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let lights: Vec<_> = (0..n)
        .map(|light| {
            let samples =
                Array2::from_shape_fn((side_px, side_px), |place| draw(&mut rng, light, place));
            mono_light(samples, PixelMap::identity())
        })
        .collect();
    let options = StackOptions {
        combine,
        ..StackOptions::default()
    };
    let calibrator = mono_calibrator(side_px, side_px);
    stack::stack(&lights, &calibrator, &options, &(), &|_, _| ())
        .expect("a stack")
        .0
}

/// A lone light is level with itself.
fn no_offset(cfa: &Cfa, width: usize, height: usize) -> SkyMesh {
    let area = Rect::of_size(width, height);
    let blank = CalibratedWindow {
        area,
        values: vec![0.0; area.area()],
    };
    let mesh = SkyMesh::measure(&blank, cfa);
    let mut offsets = sky_offsets(&[&mesh], &[PixelMap::identity()], &[1.0], &[1.0]);
    offsets.remove(0)
}
