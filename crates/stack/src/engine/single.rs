//! A single light as the engine sees it, to be held against the stack.

use super::{Engine, Light, Scratch, StackOptions};
use crate::{Calibrator, StackError};
use ndarray::Array3;
use raw::Rect;

/// One light as it goes into a stack, over a part of the picture: calibrated, demosaiced,
/// laid on the reference, on its scale and level.
///
/// - `area`: px of the picture, which is half the size by superpixel.
///
/// `[channel, row, column]`, DN; NaN where the light does not reach.
///
/// # Errors
///
/// When the light is not of the calibrator's size, or its samples cannot be read back from
/// the scratch file.
pub fn light_over(
    light: &Light,
    calibrator: &Calibrator,
    options: &StackOptions,
    area: &Rect,
) -> Result<Array3<f32>, StackError> {
    let lights = std::slice::from_ref(light);
    let engine = Engine::new(lights, &[], calibrator, options)?;
    let planes = engine.resample(light, None, area, &mut Scratch::default())?;
    let shape = (planes.len(), area.height(), area.width());
    let samples = planes.into_iter().flatten().collect();
    Ok(Array3::from_shape_vec(shape, samples).expect("a sample for every pixel"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::stack;
    use crate::engine::tests::{calibrator, lights};
    use crate::{Combine, DemosaicMethod};
    use ndarray::s;

    #[test]
    fn it_is_the_stack_of_one() {
        let calibrator = calibrator();
        // Of another weight the mean would be rounded on its way.
        let light = Light {
            weight: 1.0,
            ..lights(2).remove(1)
        };
        for demosaic in [DemosaicMethod::Bilinear, DemosaicMethod::Superpixel] {
            let options = StackOptions {
                combine: Combine::Mean,
                demosaic,
                ..StackOptions::default()
            };
            let one = std::slice::from_ref(&light);
            let (whole, _) = stack(one, &calibrator, &options, &(), &|_, _| {}).expect("one light");
            let area = Rect {
                x0: 11,
                y0: 7,
                x1: 60,
                y1: 50,
            };
            let part = light_over(&light, &calibrator, &options, &area).expect("the same light");
            let same = whole.mean.slice(s![.., 7..50, 11..60]);
            let bits = |value: &f32| value.to_bits();
            assert!(part.iter().map(bits).eq(same.iter().map(bits)));
        }
    }
}
