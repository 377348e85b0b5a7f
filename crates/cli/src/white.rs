//! What the camera records of white light: the balance in which demosaicing compares colors.

use crate::light::SolvedLight;
use raw::Cfa;
use stack::{RecordedWhite, SkyMesh};

/// What a light's camera records of white, for the stars of all lights.
///
/// First what its color matrix makes of daylight, whose color stars have on the whole,
/// however the white balance was set; else the balance that it states; else the light's own
/// sky, as a gray card. Colors are compared as they are recorded where there are not three.
pub(crate) fn of_light(light: &SolvedLight, cfa: &Cfa) -> RecordedWhite {
    let info = &light.frame.frame.info;
    match cfa.channels().len() {
        3 => stated(info.color_matrix.as_ref(), info.white_balance)
            .or_else(|| of_sky(&light.seen.sky)),
        _ => None,
    }
    .unwrap_or_default()
}

/// What a file states, matrix before balance.
fn stated(
    matrix: Option<&[[f32; 3]; 3]>,
    as_shot_factors: Option<[f32; 3]>,
) -> Option<RecordedWhite> {
    let of_daylight = matrix.and_then(export::recorded_white);
    let as_shot = || as_shot_factors.map(|factors| factors.map(|factor| 1.0 / f64::from(factor)));
    of_daylight
        .and_then(RecordedWhite::new)
        .or_else(|| as_shot().and_then(RecordedWhite::new))
}

/// The sky above black.
fn of_sky(sky: &SkyMesh) -> Option<RecordedWhite> {
    RecordedWhite::new([0, 1, 2].map(|channel| f64::from(sky.level(channel))))
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;
    use stack::CalibratedWindow;

    #[test]
    fn daylight_of_the_matrix_comes_before_the_stated_balance() {
        assert_eq!(stated(None, None), None);
        let factors = Some([2.0, 1.0, 1.6]);
        let as_shot = stated(None, factors).expect("a balance");
        assert_eq!(as_shot.over_green(), [0.5, 1.0, 0.625]);
        // The invented camera's, which sees 0.415 and 0.7525 of green's daylight.
        let matrix = [[0.7, -0.15, -0.07], [-0.42, 1.22, 0.22], [-0.08, 0.2, 0.62]];
        let daylight = stated(Some(&matrix), factors).expect("a matrix");
        let [red, _, blue] = daylight.over_green();
        assert!((red - 0.415).abs() < 0.002, "{red}");
        assert!((blue - 0.7525).abs() < 0.002, "{blue}");
        // Ones on the diagonal say nothing.
        let of_no_filters = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
        assert_eq!(stated(Some(&of_no_filters), factors), Some(as_shot));
    }

    #[test]
    fn a_sky_is_a_gray_card_where_it_is_brighter_than_black() {
        let cfa = Cfa::bayer("RGGB").expect("a Bayer array");
        let sky = |levels: [f32; 3]| {
            let values = Array2::from_shape_fn((32, 32), |(row, col)| match cfa.at(row, col) {
                raw::Channel::R => levels[0],
                raw::Channel::G => levels[1],
                _ => levels[2],
            });
            let area = raw::Rect::of_size(32, 32);
            let values = values.into_raw_vec_and_offset().0;
            SkyMesh::measure(&CalibratedWindow { area, values }, &cfa)
        };
        let white = of_sky(&sky([50.0, 100.0, 75.0])).expect("a sky");
        assert_eq!(white.over_green(), [0.5, 1.0, 0.75]);
        for dark in [[0.0, 100.0, 75.0], [50.0, -1.0, 75.0], [1.0, 100.0, 75.0]] {
            assert_eq!(of_sky(&sky(dark)), None);
        }
    }
}
