//! Photosites dropped on a grid, against numpy: fixtures/drizzle_checks.

use align::{Homography, PixelMap};
use ndarray::{Array2, Array3};
use radicand_tests::{cfa_calibrator, cfa_light, fixture};
use raw::Cfa;
use serde_json::Value;
use stack::{
    Combine, DefectMap, DropShape, FirstPass, FromMosaic, Light, StackOptions, StackPlace, stack,
    stack_from_mosaic,
};

/// Results are rounded to `f32` once, and the place of a photosite is the product of nine
/// `f64`; a variance is the difference of sums a thousand times as large.
const ROUNDING: f64 = 3e-7;

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

fn list(value: &Value) -> &[Value] {
    value.as_array().expect("a list")
}

fn size(values: &Value) -> (usize, usize) {
    let of = |name: &str| values[name].as_u64().expect("a size") as usize;
    (of("width"), of("height"))
}

fn lights(values: &Value, cfa: &Cfa) -> Vec<Light> {
    let (width, height) = size(values);
    let one = |light: &Value| {
        let rows = list(&light["samples"]).iter().flat_map(list);
        let samples: Vec<u16> = rows.map(|sample| number(sample) as u16).collect();
        let rows: Vec<f64> = list(&light["homography"])
            .iter()
            .flat_map(|row| list(row).iter().map(number))
            .collect();
        let map = Homography(std::array::from_fn(|i| {
            std::array::from_fn(|j| rows[3 * i + j])
        }));
        let samples = Array2::from_shape_vec((height, width), samples).expect("whole rows");
        Light {
            scale: number(&light["scale"]) as f32,
            weight: number(&light["weight"]) as f32,
            ..cfa_light(cfa, samples, PixelMap::from_homography(map))
        }
    };
    list(&values["lights"]).iter().map(one).collect()
}

/// Holds every value against its reference; how many there are.
fn check(name: &str, found: &Array3<f32>, want: &Value) -> usize {
    let (_, rows, columns) = found.dim();
    let mut with_value = 0;
    for (channel, want) in list(want).iter().enumerate() {
        let want = list(want);
        assert_eq!(want.len(), rows * columns, "{name}");
        for (pixel, want) in want.iter().enumerate() {
            let found = f64::from(found[(channel, pixel / columns, pixel % columns)]);
            match want.as_f64() {
                None => assert!(found.is_nan(), "{name} {channel} {pixel}: {found}"),
                Some(want) => {
                    let near = (found - want).abs() <= ROUNDING * want.abs() + 1e-12;
                    assert!(near, "{name} {channel} {pixel}: found {found}, want {want}");
                    with_value += 1;
                }
            }
        }
    }
    with_value
}

#[test]
fn drops_fall_as_numpy_says() {
    let text = std::fs::read(fixture("drizzle_checks/values.json")).expect("the fixture");
    let values: Value = serde_json::from_slice(&text).expect("JSON");
    let (width, height) = size(&values);
    let cfa = Cfa::bayer(values["cfa"].as_str().expect("letters")).expect("a Bayer array");
    let site = |site: &Value| (number(&site[0]) as usize, number(&site[1]) as usize);
    let defects: Vec<_> = list(&values["defects"]).iter().map(site).collect();
    let calibrator = cfa_calibrator(cfa.clone(), DefectMap::from_sites(width, height, &defects));
    let lights = lights(&values, &cfa);
    // Nothing is rejected against a mean.
    let options = StackOptions {
        combine: Combine::Mean,
        ..StackOptions::default()
    };
    let (first, _) = stack(&lights, &calibrator, &options, &(), &|_, _| ()).expect("a stack");
    let first = FirstPass::new(&first.into(), lights.len(), &cfa, &options).expect("in memory");
    let mut checked = 0;
    for case in list(&values["cases"]) {
        let size_px = number(&case["size_px"]);
        let name = case["shape"].as_str().expect("a name");
        let options = FromMosaic {
            scale: number(&case["scale"]),
            drop: match name {
                "square" => DropShape::Square(size_px),
                "gaussian" => DropShape::Gaussian(size_px),
                _ => DropShape::Point,
            },
        };
        let made = stack_from_mosaic(
            &lights,
            &[],
            &calibrator,
            &first,
            &options,
            &StackPlace::Memory,
            &(),
            &|_, _| (),
        );
        let stack = made
            .expect("a stack")
            .0
            .stack
            .into_memory()
            .expect("in memory");
        checked += check(&format!("{name} mean"), &stack.mean, &case["mean"]);
        checked += check(&format!("{name} weight"), &stack.weight, &case["weight"]);
        checked += check(
            &format!("{name} variance"),
            &stack.variance,
            &case["variance"],
        );
    }
    assert_eq!(checked, 7194, "every value that numpy found");
}
