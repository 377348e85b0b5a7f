//! Demosaicing against colour-demosaicing: fixtures/demosaic_checks.

use radicand_tests::fixture;
use raw::{Cfa, Rect};
use serde_json::Value;
use stack::{CalibratedWindow, Demosaic, DemosaicMethod};

/// Values of up to 4095 in `f32`, summed over at most 13 sites, DN.
const TOLERANCE_DN: f32 = 4e-3;
/// Reach of the widest kernel: nearer the border the rules differ, px.
const BORDER_PX: usize = 2;

fn numbers(value: &Value) -> Vec<f32> {
    let values = value.as_array().expect("a list").iter();
    values
        .map(|v| v.as_f64().expect("a number") as f32)
        .collect()
}

#[test]
fn both_methods_make_the_reference_librarys_planes() {
    let text = std::fs::read(fixture("demosaic_checks/values.json")).expect("the fixture");
    let values: Value = serde_json::from_slice(&text).expect("JSON");
    let size = |name: &str| values[name].as_u64().expect("a size") as usize;
    let (rows, cols) = (size("rows"), size("cols"));
    let area = Rect::of_size(cols, rows);
    let mut compared = 0;
    for case in values["cases"].as_array().expect("cases") {
        let cfa = Cfa::bayer(case["pattern"].as_str().expect("letters")).expect("Bayer");
        let window = CalibratedWindow {
            area,
            values: numbers(&case["mosaic"]),
        };
        for (name, method) in [
            ("bilinear", DemosaicMethod::Bilinear),
            ("gradient_corrected", DemosaicMethod::GradientCorrected),
        ] {
            let mut planes = vec![Vec::new(); 3];
            Demosaic::new(&cfa, method).run(&window, &area, &mut planes);
            for (channel, plane) in planes.iter().enumerate() {
                let wanted = numbers(&case[name][channel]);
                for row in BORDER_PX..rows - BORDER_PX {
                    for col in BORDER_PX..cols - BORDER_PX {
                        let (found, wanted) = (plane[row * cols + col], wanted[row * cols + col]);
                        assert!(
                            (found - wanted).abs() < TOLERANCE_DN,
                            "{name} {} channel {channel} row {row} column {col}: {found} {wanted}",
                            case["pattern"]
                        );
                        compared += 1;
                    }
                }
            }
        }
    }
    assert_eq!(compared, 4 * 2 * 3 * 10 * 14);
}
