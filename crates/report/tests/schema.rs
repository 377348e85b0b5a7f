//! The schema, the types and the document tell the same story.

mod sample;

use radicand_report::*;
use serde_json::{Map, Value};
use std::collections::BTreeSet;

const SCHEMA: &str = include_str!("../../../docs/report.schema.json");
const DOCUMENT: &str = include_str!("../../../docs/report.md");

fn schema() -> Value {
    serde_json::from_str(SCHEMA).unwrap()
}

fn as_value(report: &Report) -> Value {
    serde_json::from_slice(&report.to_json()).unwrap()
}

#[track_caller]
fn check_valid(report: &Report) {
    check_valid_by(&schema(), &as_value(report));
}

#[track_caller]
fn check_valid_by(schema: &Value, value: &Value) {
    let validator = jsonschema::validator_for(schema).unwrap();
    let errors: Vec<_> = validator
        .iter_errors(value)
        .map(|error| format!("{}: {error}", error.instance_path()))
        .collect();
    assert!(errors.is_empty(), "{errors:#?}");
}

#[test]
fn reports_are_valid() {
    check_valid(&sample::full());
    check_valid(&Report::default());
}

#[test]
fn numbers_that_are_not_finite_are_null_and_valid() {
    let mut report = sample::full();
    report.noise.summary.gain_area = f64::NAN;
    report.noise.summary.pattern.upper_bound = f64::INFINITY;
    report.noise.summary.pattern.drift_px = Some(f64::NAN);
    report.frames[0].fwhm_px = Some(f64::NEG_INFINITY);
    report.frames[0].mapping.as_mut().unwrap()[7][2] = f64::NAN;
    check_valid(&report);
    let value = as_value(&report);
    for place in [
        "/noise/summary/gain_area",
        "/noise/summary/pattern/upper_bound",
        "/noise/summary/pattern/drift_px",
        "/frames/0/fwhm_px",
        "/frames/0/mapping/7/2",
    ] {
        assert_eq!(value.pointer(place), Some(&Value::Null), "{place}");
    }
    let read = Report::from_json(&report.to_json()).unwrap();
    assert!(read.noise.summary.gain_area.is_nan());
    assert!(read.frames[0].mapping.as_ref().unwrap()[7][2].is_nan());
    assert_eq!(read.frames[0].fwhm_px, None);
}

#[test]
fn the_schema_rejects_what_is_not_a_report() {
    let schema = schema();
    let validator = jsonschema::validator_for(&schema).unwrap();
    let spoil = |pointer: &str, value: Value| {
        let mut report = as_value(&sample::full());
        *report.pointer_mut(pointer).unwrap() = value;
        validator.is_valid(&report)
    };
    assert!(!spoil("/schema_version", 2.into()));
    assert!(!spoil("/frames/0/kind", "picture".into()));
    assert!(!spoil("/frames/0/mapping/0", vec![1.0, 2.0, 3.0].into()));
    assert!(!spoil(
        "/noise/summary/pattern/fraction_of_variance",
        1.5.into()
    ));
    assert!(!spoil(
        "/noise/regions/0/channels",
        Value::from(Map::from_iter([("X".to_owned(), Value::Null)]))
    ));
    assert!(!spoil("/warnings/0", Value::from(Map::new())));
}

/// Every object of the instance against its schema: same fields, all required.
fn compare(place: &str, schema: &Value, root: &Value, instance: &Value, n_objects: &mut usize) {
    let schema = resolve(schema, root);
    match instance {
        Value::Object(fields) => {
            if let Some(properties) = schema.get("properties").and_then(Value::as_object) {
                *n_objects += 1;
                let known: BTreeSet<_> = properties.keys().collect();
                assert_eq!(fields.keys().collect::<BTreeSet<_>>(), known, "{place}");
                let required: BTreeSet<_> = schema["required"]
                    .as_array()
                    .unwrap()
                    .iter()
                    .map(|v| v.as_str().unwrap())
                    .collect();
                assert_eq!(
                    required,
                    known.iter().map(|key| key.as_str()).collect(),
                    "{place}"
                );
                assert_eq!(schema["additionalProperties"], false, "{place}");
            }
            for (key, value) in fields {
                let inner = schema
                    .pointer(&format!("/properties/{key}"))
                    .or(schema.get("additionalProperties"));
                compare(
                    &format!("{place}/{key}"),
                    inner.unwrap(),
                    root,
                    value,
                    n_objects,
                );
            }
        }
        Value::Array(items) => {
            for (index, item) in items.iter().enumerate() {
                // Settings are free: no schema for what is inside.
                if let Some(inner) = schema.get("items") {
                    compare(&format!("{place}/{index}"), inner, root, item, n_objects);
                }
            }
        }
        _ => {}
    }
}

fn resolve<'a>(schema: &'a Value, root: &'a Value) -> &'a Value {
    match schema.get("$ref").and_then(Value::as_str) {
        Some(reference) => root.pointer(reference.trim_start_matches('#')).unwrap(),
        None => schema,
    }
}

#[test]
fn types_and_schema_have_the_same_fields() {
    let schema = schema();
    let mut n_objects = 0;
    compare(
        "",
        &schema,
        &schema,
        &as_value(&sample::full()),
        &mut n_objects,
    );
    // Report, 2 frames, geometry with a ring, noise, summary, pattern, growth and its point, region, 3 channels
    // with budgets, ground with its motion, run, warnings; a sensor with five or six figures and a light with two;
    // stars, a zone with two shapes and an effect, two effects and a radial pattern; a second pass with a channel,
    // and a region with one; a pattern of the sensor with a channel.
    assert_eq!(
        n_objects,
        1 + 2
            + 2
            + 2
            + 6
            + 2 * 3
            + 3
            + sample::all_warnings().len()
            + (1 + 6 + 1 + 2)
            + (1 + 4 + 3)
            + 2
            + 2
    );
}

/// Every property in the schema, with its name.
fn properties<'a>(schema: &'a Value, found: &mut Vec<(&'a str, &'a Value)>) {
    match schema {
        Value::Object(entries) => {
            for (key, value) in entries {
                if key == "properties" {
                    found.extend(
                        value
                            .as_object()
                            .unwrap()
                            .iter()
                            .map(|(name, value)| (name.as_str(), value)),
                    );
                }
                properties(value, found);
            }
        }
        Value::Array(items) => items.iter().for_each(|item| properties(item, found)),
        _ => {}
    }
}

#[test]
fn every_field_is_described_and_every_number_has_a_unit() {
    let schema = schema();
    let mut found = Vec::new();
    properties(&schema, &mut found);
    for (name, property) in found {
        let description = property["description"].as_str().unwrap_or_default();
        assert!(description.ends_with('.'), "{name} has no description");
        let types = property["type"].to_string();
        if types.contains("number") || types.contains("integer") {
            assert!(property["unit"].is_string(), "{name} has no unit");
        }
        assert!(
            DOCUMENT.contains(&format!("`{name}`")),
            "{name} is not in docs/report.md"
        );
    }
}

#[test]
fn what_is_written_is_read_and_written_the_same() {
    let bytes = sample::full().to_json();
    let read = Report::from_json(&bytes).unwrap();
    assert_eq!(read, sample::full());
    assert_eq!(read.to_json(), bytes);
}

#[test]
fn schema_version_is_first_and_channels_are_in_order() {
    let text = String::from_utf8(sample::full().to_json()).unwrap();
    assert!(
        text.starts_with("{\n  \"schema_version\": 1,\n  \"frames\": [{\n"),
        "{text:.60}"
    );
    assert!(
        text.contains(
            "\"sky\": {\n      \"R\": 301.5,\n      \"G\": 522.25,\n      \"B\": 390.0\n"
        )
    );
    assert!(text.ends_with("}\n"));
}

#[test]
fn a_foreign_or_newer_file_is_told_apart() {
    let malformed = Report::from_json(b"{\"schema_version\": 1}").unwrap_err();
    assert!(matches!(malformed, ReportError::Malformed(_)));
    assert!(matches!(
        Report::from_json(b"II*\0").unwrap_err(),
        ReportError::Malformed(_)
    ));
    let newer = Report::from_json(b"{\"schema_version\": 7, \"pictures\": []}").unwrap_err();
    assert_eq!(newer.to_string(), "report has schema version 7, needed 1");
}

#[test]
fn every_warning_says_what_and_what_to_do() {
    let mut codes = BTreeSet::new();
    for warning in sample::all_warnings() {
        codes.insert(warning.code());
        for sentence in [warning.text(), warning.advice()] {
            assert!(sentence.len() > 20, "{}: {sentence}", warning.code());
            assert!(
                !sentence.ends_with('.') && !sentence.contains("  "),
                "{sentence}"
            );
        }
        assert_ne!(warning.text(), warning.advice());
    }
    assert_eq!(codes.len(), 24, "a code of its own for every warning");
}

/// Objects of a valid document, each compared with its schema field by field.
#[track_caller]
fn objects_with_the_fields_of(schema: &str, json: &[u8]) -> usize {
    let schema: Value = serde_json::from_str(schema).unwrap();
    let value: Value = serde_json::from_slice(json).unwrap();
    check_valid_by(&schema, &value);
    let mut n_objects = 0;
    compare("", &schema, &schema, &value, &mut n_objects);
    n_objects
}

#[test]
fn a_blend_and_its_schema_have_the_same_fields() {
    let figure = Figure {
        value: 0.44,
        error: 0.001,
    };
    let blend = Blend {
        schema_version: BLEND_SCHEMA_VERSION,
        sky: BlendSource {
            kind: "stack".to_owned(),
            ..BlendSource::default()
        },
        ground: BlendSource {
            kind: "raw".to_owned(),
            exposure_s: Some(90.0),
            iso: Some(800),
            frames: Some(1),
            ..BlendSource::default()
        },
        found: "auto".to_owned(),
        brightness: BlendBrightness {
            factor: 0.44,
            basis: "sky".to_owned(),
            measured: [(Channel::G, figure)].into(),
            step: [(Channel::G, 0.01)].into(),
            ..BlendBrightness::default()
        },
        noise: BlendNoise {
            sky: [(Channel::G, 22.0)].into(),
            ..BlendNoise::default()
        },
        warnings: vec![(&sample::all_warnings()[0]).into()],
        ..Blend::default()
    };
    let schema = include_str!("../../../docs/blend.schema.json");
    let n_objects = objects_with_the_fields_of(schema, &blend.to_json());
    // Blend, two sources, shares, offset, brightness with a figure, noise, run, a warning.
    assert_eq!(n_objects, 10);
    assert_eq!(Blend::from_json(&blend.to_json()).unwrap(), blend);
}

#[test]
fn a_night_and_its_schema_have_the_same_fields() {
    let fault = NightFault {
        file: "one/empty.dng".to_owned(),
        reason: "the file is empty".to_owned(),
    };
    let picture = NightFile {
        name: "stack.tif".to_owned(),
        content: Some(NightContent {
            bytes: 12,
            sha256: "0".repeat(64),
        }),
    };
    let done = NightSession {
        state: SessionState::Done,
        calibration: vec![NightCalibration {
            kind: Some(FrameKind::Dark),
            frames: 8,
            folder: Some("darks".to_owned()),
            because: "there are no others".to_owned(),
        }],
        result: Some(NightResult {
            effective_frames: Some(3.9),
            left_out: vec![fault.clone()],
            files: vec![picture, NightFile::default()],
            ..NightResult::default()
        }),
        ..NightSession::default()
    };
    let night = Night {
        schema_version: NIGHT_SCHEMA_VERSION,
        sessions: vec![done, NightSession::default()],
        left_out: vec![fault.clone()],
        idle_settings: vec![fault.clone()],
        unused: vec![fault],
        ..Night::default()
    };
    let schema = include_str!("../../../docs/night.schema.json");
    let n_objects = objects_with_the_fields_of(schema, &night.to_json());
    // Night, two sessions, a calibration, a result, two files, a content, four faults.
    assert_eq!(n_objects, 12);
    assert_eq!(Night::from_json(&night.to_json()).unwrap(), night);
}
