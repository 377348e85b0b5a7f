//! Lights whose every sample is known.

use align::PixelMap;
use ndarray::Array2;
use raw::{Cfa, Rect, SitePattern};
use stack::{
    CalibratedWindow, Calibrator, DefectMap, Light, SensorLayout, SkyMesh, StoredMosaic,
    sky_offsets,
};

/// A calibrator of a sensor without filters, black level or defects.
pub fn mono_calibrator(width: usize, height: usize) -> Calibrator {
    let layout = SensorLayout {
        cfa: Cfa::mono(),
        black_level_dn: SitePattern::uniform(0.0),
        white_level_dn: SitePattern::uniform(65535.0),
        width,
        height,
    };
    Calibrator::new(layout, None, None, DefectMap::none(width, height)).expect("sizes fit")
}

/// A light of weight 1 whose samples go into the stack as they are: neither scaled nor
/// leveled.
pub fn mono_light(samples: Array2<u16>, map: PixelMap) -> Light {
    let (height, width) = samples.dim();
    Light {
        mosaic: StoredMosaic::in_memory(samples),
        map,
        scale: 1.0,
        sky_offset: no_offset(width, height),
        weight: 1.0,
    }
}

/// A lone light is level with itself.
fn no_offset(width: usize, height: usize) -> SkyMesh {
    let area = Rect::of_size(width, height);
    let blank = CalibratedWindow {
        area,
        values: vec![0.0; area.area()],
    };
    let mesh = SkyMesh::measure(&blank, &Cfa::mono());
    let mut offsets = sky_offsets(&[&mesh], &[PixelMap::identity()], &[1.0], &[1.0]);
    offsets.remove(0)
}
