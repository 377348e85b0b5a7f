//! Two real exposures of one star field, from file to report: fixtures/raw.

mod support;

use radicand_tests::{fixture, folder_digests, read_float_tiff, shared_data};
use serde_json::Value;
use std::path::Path;
use support::{frame, radicand_ends, report, timeless};

const FIRST: &str = "panoptes_081226_rewrapped.dng";
const SECOND: &str = "panoptes_081434_rewrapped.dng";

/// What moves the second frame onto the first, px of the whole mosaic: twice the shift
/// (-0.25, -0.83) px that phase correlation finds at half resolution (scikit-image).
const SECOND_ONTO_FIRST_PX: [f64; 2] = [-0.50, -1.66];
/// The correlation is of whole pictures and to 0.01 px, of stars that turn by 0.1 px over
/// the field; the demand on the alignment is 0.2 px.
const SHIFT_TOLERANCE_PX: f64 = 0.2;

fn stack(result: &Path, args: &[&str]) -> (Value, String) {
    let output = result.to_str().expect("a plain path");
    let args = [&["stack", FIRST, SECOND, "-o", output], args].concat();
    let run = radicand_ends(&fixture("raw"), &args, 0);
    (report(result), run.stdout)
}

#[test]
fn real_stars_land_where_they_must() {
    let temp = tempfile::tempdir().expect("a folder");
    let before = folder_digests(&fixture("raw"));
    let result = temp.path().join("result");
    let (report, said) = stack(&result, &[]);
    assert_eq!(before, folder_digests(&fixture("raw")));

    let (first, second) = (frame(&report, FIRST), frame(&report, SECOND));
    let reference = report["run"]["reference"].as_str().expect("a file");
    let (moved, sign) = match reference {
        FIRST => (second, -1.0),
        SECOND => (first, 1.0),
        other => panic!("the reference is {other}"),
    };
    let matched = moved["matched"].as_u64().expect("a count");
    assert!(matched >= 40, "{matched} stars matched");
    // Middle of the 7 x 5 lattice.
    let center: Vec<f64> = numbers(&moved["mapping"][17]);
    for (axis, onto_first) in SECOND_ONTO_FIRST_PX.iter().enumerate() {
        let shift = center[axis + 2] - center[axis];
        let off = shift - sign * onto_first;
        assert!(off.abs() < SHIFT_TOLERANCE_PX, "axis {axis}: {shift} px");
    }

    let picture = read_float_tiff(&result.join("stack.tif"));
    assert_eq!(picture.dim(), (3, 700, 700));
    assert!(picture.iter().all(|value| value.is_finite()));
    for name in ["stack.fits", "preview.png"] {
        assert!(result.join(name).is_file(), "{name}");
    }

    let summary = &report["noise"]["summary"];
    assert_eq!(summary["frames_used"], 2);
    assert_eq!(summary["evidence"], "assumed");
    assert_eq!(summary["pattern"]["visible"], false);
    assert_eq!(summary["pattern"]["fraction_of_variance"], Value::Null);
    assert_eq!(summary["pattern"]["basis"], "assumed");
    // Two frames have one difference: the gain follows from independence, and its error
    // reaches down to no gain at all.
    let number = |name: &str| summary[name].as_f64().expect("a number");
    assert!((number("gain_area") / 2f64.sqrt() - 1.0).abs() < 0.01);
    assert!(number("gain_area") - number("error") <= 1.0 + 1e-9);
    assert!(said.contains("if they are independent"), "{said}");
    let codes: Vec<&str> = report["warnings"]
        .as_array()
        .expect("warnings")
        .iter()
        .filter_map(|warning| warning["code"].as_str())
        .collect();
    let needed = [
        "too_few_frames_to_clip",
        "pattern_not_visible",
        "no_darks",
        "no_flats",
    ];
    for code in needed {
        assert!(codes.contains(&code), "{code} is not among {codes:?}");
    }
}

fn numbers(row: &Value) -> Vec<f64> {
    let row = row.as_array().expect("numbers");
    row.iter().map(|v| v.as_f64().expect("a number")).collect()
}

/// The same exposures as their source has them; too large to be committed, so that this
/// check is made only where the shared data are.
#[test]
fn the_fits_files_they_came_from_are_aligned_alike() {
    // Rows are taken in file order and the header's filters as they stand, so the colors
    // are others. Places are refined color by color, and wrong colors cost each star up to
    // a tenth of a pixel, by its place on the mosaic: only the shift as a whole is alike.
    const ALIKE_PX: f64 = 0.05;
    let names = [
        "panoptes_kic8462852_081226.fits",
        "panoptes_kic8462852_081434.fits.fz",
    ];
    let files = names.map(|name| shared_data(&format!("stars/{name}")));
    let [Some(first), Some(second)] = files else {
        return;
    };
    let temp = tempfile::tempdir().expect("a folder");
    let (first, second) = (first.to_string_lossy(), second.to_string_lossy());
    let args = [
        "stack",
        &*first,
        &*second,
        "-o",
        "fits",
        "--reference",
        &*first,
    ];
    radicand_ends(temp.path(), &args, 0);
    let of_fits = report(&temp.path().join("fits"));
    let (of_dng, _) = stack(&temp.path().join("dng"), &["--reference", FIRST]);
    assert_eq!(frame(&of_fits, names[1])["exposure_s"], 120.4);
    let maps = [frame(&of_fits, names[1]), frame(&of_dng, SECOND)];
    let maps = maps.map(|frame| frame["mapping"].as_array().expect("a lattice"));
    assert_eq!(maps.map(Vec::len), [35, 35]);
    let shift = |axis: usize| {
        let off = |(a, b)| numbers(a)[axis] - numbers(b)[axis];
        maps[0].iter().zip(maps[1]).map(off).sum::<f64>() / 35.0
    };
    let off = shift(2).hypot(shift(3));
    assert!(off < ALIKE_PX, "{off} px");
}

#[test]
fn the_filters_are_those_of_the_camera() {
    // The sky of two greens is the same light through the same filters: on a mosaic read
    // by the wrong phase, one of them would be red or blue, 50 DN away.
    const SKY_DN: f64 = 2.0;
    for name in [FIRST, SECOND] {
        let path = fixture("raw").join(name);
        let frame = raw::decode(&path, &Default::default()).expect("a readable mosaic");
        let data = &frame.mosaic.data;
        let median = |row: usize, col: usize| {
            let sites = data.slice(ndarray::s![row..;2, col..;2]);
            let mut values: Vec<u16> = sites.iter().copied().collect();
            values.sort_unstable();
            f64::from(values[values.len() / 2])
        };
        let sites = [(0, 0), (0, 1), (1, 0), (1, 1)];
        let greens: Vec<f64> = sites
            .iter()
            .filter(|&&(row, col)| frame.mosaic.cfa.at(row, col) == raw::Channel::G)
            .map(|&(row, col)| median(row, col))
            .collect();
        assert_eq!(greens.len(), 2);
        assert!(
            (greens[0] - greens[1]).abs() <= SKY_DN,
            "{name}: {greens:?}"
        );
    }
}

#[test]
fn the_documented_example_is_what_the_program_says() {
    let temp = tempfile::tempdir().expect("a folder");
    let result = temp.path().join("result");
    let (found, said) = stack(&result, &[]);
    let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/example");
    check_equal(
        "report",
        &timeless(found.clone()),
        &timeless(report(&example)),
    );
    let readme = std::fs::read_to_string(example.join("README.md")).expect("a readme");
    let counts = ["/frames/0/stars", "/frames/1/stars", "/frames/1/matched"];
    for count in counts.map(|place| found.pointer(place).expect("a count")) {
        assert!(
            readme.contains(&count.to_string()),
            "not in the readme: {count}"
        );
    }
    for line in said.lines().filter(|line| line.contains("frames, worth")) {
        assert!(readme.contains(line), "not in the readme: {line}");
    }
}

/// Numbers may differ by what another machine's math library does to the last digits.
const MATH_LIBRARY: f64 = 1e-6;

#[track_caller]
fn check_equal(place: &str, found: &Value, want: &Value) {
    match (found, want) {
        (Value::Number(a), Value::Number(b)) => {
            let (a, b) = (a.as_f64().expect("finite"), b.as_f64().expect("finite"));
            let off = (a - b).abs();
            assert!(
                off <= MATH_LIBRARY * b.abs().max(1.0),
                "{place}: {a}, want {b}"
            );
        }
        (Value::Array(a), Value::Array(b)) => {
            assert_eq!(a.len(), b.len(), "{place}");
            for (i, (a, b)) in a.iter().zip(b).enumerate() {
                check_equal(&format!("{place}[{i}]"), a, b);
            }
        }
        (Value::Object(a), Value::Object(b)) => {
            assert!(a.keys().eq(b.keys()), "{place}: other fields");
            for (name, a) in a {
                check_equal(&format!("{place}.{name}"), a, &b[name]);
            }
        }
        _ => assert_eq!(found, want, "{place}"),
    }
}
