//! The pages: every section there when there is something to say and not when there is
//! nothing, texts shown and never obeyed, small enough to be sent, equal for equal inputs.

mod sample;

use radicand_report::*;
use serde_json::Value;

/// A name that a file may have.
const HOSTILE: &str = "</title><script>alert(\"1\")</script>\n<img src=x onerror='alert(1)'>&";
/// The same as a page has it.
const SHOWN: &str = "&lt;/title&gt;&lt;script&gt;alert(&quot;1&quot;)&lt;/script&gt;\\u{a}\
                     &lt;img src=x onerror='alert(1)'&gt;&amp;";

const MOST_BYTES: usize = 8_000_000;

/// Ids of the headings of all sections.
const SECTIONS: [&str; 8] = [
    "notes", "looks", "map", "growth", "budget", "stars", "frames", "repeat",
];

fn report() -> Report {
    let mut report = sample::full();
    let last = GrowthPoint {
        n: 20,
        gain: 4.16,
        error: 0.05,
    };
    report.noise.summary.growth.points.push(last);
    report
}

fn picture(bytes: usize, width: u32, height: u32) -> Picture {
    Picture {
        png: vec![0x55; bytes],
        width,
        height,
    }
}

/// As many and as large as they can be: noise that does not shrink.
fn pictures() -> Pictures {
    let crop = || picture(3 * 400 * 300, 400, 300);
    let spots = [
        SpotKind::DarkSky,
        SpotKind::Detail,
        SpotKind::Corner,
        SpotKind::GroundEdge,
    ];
    Pictures {
        whole: Some(picture(3 * 800 * 600, 800, 600)),
        size: (1200, 900),
        orientation: 1,
        spots: spots
            .map(|kind| Spot {
                kind,
                frame: crop(),
                stack: crop(),
            })
            .into(),
    }
}

/// Elements that have no end (HTML Standard, 13.1.2), as far as pages have them.
const VOID: [&str; 4] = ["meta", "img", "input", "br"];

/// Every element is closed where it should be, and no id is there twice.
#[track_caller]
fn check_well_formed(page: &str) {
    let markup = without_between(
        &without_between(page, "<style>", "</style>"),
        "<script>",
        "</script>",
    );
    let mut open: Vec<String> = Vec::new();
    let mut ids = std::collections::BTreeSet::new();
    for tag in markup.split('<').skip(1) {
        let (tag, _) = tag.split_once('>').expect("every tag ends");
        let name = tag.split([' ', '/']).find(|name| !name.is_empty());
        let name = name.expect("every tag has a name").to_owned();
        for id in tag.split(" id=\"").skip(1) {
            let id = id.split('"').next().unwrap_or_default();
            assert!(ids.insert(id.to_owned()), "{id} is there twice");
        }
        if tag.starts_with('/') {
            assert_eq!(open.pop(), Some(name), "closed out of order");
        } else if !tag.starts_with('!') && !VOID.contains(&name.as_str()) {
            open.push(name);
        }
    }
    assert!(open.is_empty(), "never closed: {open:?}");
}

fn without_between(text: &str, begin: &str, end: &str) -> String {
    match text.split_once(begin) {
        Some((before, rest)) => {
            let (_, after) = rest.split_once(end).expect("it ends");
            format!("{before}{after}")
        }
        None => text.to_owned(),
    }
}

/// Puts the hostile name in place of every text that is not a word of the schema's.
fn spoil(value: &mut Value, key: &str) {
    const WORDS: [&str; 10] = [
        "kind",
        "part",
        "evidence",
        "basis",
        "found",
        "model",
        "place",
        "scale_source",
        "state",
        "schema_version",
    ];
    match value {
        Value::String(text) if !WORDS.contains(&key) && !key.ends_with("source") => {
            *text = HOSTILE.to_owned();
        }
        Value::Array(values) => values.iter_mut().for_each(|value| spoil(value, key)),
        Value::Object(fields) => {
            for (key, value) in fields.iter_mut() {
                spoil(value, key);
            }
        }
        _ => {}
    }
}

/// Names are shown, and there is no script but the page's own.
#[track_caller]
fn check_harmless(page: &str, scripts: usize, at_least: usize) {
    check_well_formed(page);
    assert_eq!(page.matches("<script").count(), scripts);
    assert!(!page.contains("<img src=x") && !page.contains("alert(\"1\")"));
    let shown = page.matches(SHOWN).count();
    assert!(at_least <= shown, "{shown} of {at_least} names are shown");
}

#[test]
fn every_section_is_there() {
    let page = report_page(&report(), &pictures());
    check_well_formed(&page);
    for id in SECTIONS {
        assert!(page.contains(&format!("id=\"{id}\"")), "{id}");
    }
    assert!(page.contains("<h1>20 frames, worth 17.3 ± 0.4</h1>"));
    assert!(page.contains("√20 = 4.47"));
    for kind in [
        "Dark sky",
        "Detail in the sky",
        "Corner",
        "Edge of the ground",
    ] {
        assert!(page.contains(kind), "{kind}");
    }
}

#[test]
fn what_is_not_known_is_not_shown() {
    let page = report_page(&Report::default(), &Pictures::default());
    check_well_formed(&page);
    for id in SECTIONS.iter().filter(|id| **id != "repeat") {
        assert!(!page.contains(&format!("id=\"{id}\"")), "{id}");
    }
    // Every number that can be missing is.
    let mut value: Value = serde_json::from_slice(&report().to_json()).unwrap();
    forget(&mut value, "");
    let nothing = Report::from_json(&serde_json::to_vec(&value).unwrap()).unwrap();
    let page = report_page(&nothing, &pictures());
    check_well_formed(&page);
    let (_, body) = page.split_once("<main").unwrap();
    let (body, _) = body.split_once("<script").unwrap();
    for word in ["NaN", "null", "inf", "None"] {
        let found = body
            .split(|c: char| !c.is_alphanumeric())
            .any(|w| w == word);
        assert!(!found, "{word}");
    }
}

/// Makes every number that is not whole `null`.
fn forget(value: &mut Value, key: &str) {
    // These may not be missing.
    const NEEDED: [&str; 6] = ["fraction", "from", "to", "mapping", "seconds", "settings"];
    let is_point = |values: &[Value]| !values.is_empty() && values.iter().all(Value::is_f64);
    match value {
        _ if NEEDED.contains(&key) => {}
        Value::Number(number) if number.is_f64() => *value = Value::Null,
        Value::Array(values) if is_point(values) => *value = Value::Null,
        Value::Array(values) => values.iter_mut().for_each(|value| forget(value, key)),
        // Levels by channel are there or not as a whole.
        Value::Object(_) if key == "sky" => *value = Value::Null,
        Value::Object(fields) => {
            for (key, value) in fields.iter_mut() {
                forget(value, key);
            }
        }
        _ => {}
    }
}

#[test]
fn names_are_shown_and_never_obeyed() {
    let mut value: Value = serde_json::from_slice(&report().to_json()).unwrap();
    spoil(&mut value, "");
    let mut hostile = Report::from_json(&serde_json::to_vec(&value).unwrap()).unwrap();
    let setting = hostile.run.settings.values().next().unwrap().clone();
    hostile.run.settings.insert(HOSTILE.to_owned(), setting);
    check_harmless(&report_page(&hostile, &pictures()), 1, 20);
}

#[test]
fn many_frames_and_large_pictures_stay_small_enough_to_send() {
    let mut report = report();
    let light = report.frames[0].clone();
    report.frames = (0..999).map(|_| light.clone()).collect();
    let page = report_page(&report, &pictures());
    assert!(page.len() < MOST_BYTES, "{} bytes", page.len());
}

#[test]
fn times_of_the_run_leave_no_trace() {
    let page = report_page(&report(), &pictures());
    let mut other = report();
    other.run.seconds.insert("stack".to_owned(), 1234.5);
    other.run.peak_memory_bytes = None;
    assert_eq!(report_page(&other, &pictures()), page);
}

#[test]
fn few_numbers_of_a_region_are_enough() {
    let mut report = report();
    let region = &mut report.noise.regions[0];
    for channel in region.channels.values_mut() {
        channel.effective_frames = f64::NAN;
    }
    let page = report_page(&report, &pictures());
    check_well_formed(&page);
    assert!(page.contains("class=\"cross\""), "it is crossed out");
}

fn result(file: &str, noise: f64) -> ComparedResult {
    let figure = |value: f64| Figure {
        value,
        error: 0.02 * value,
    };
    let against = AgainstFirst {
        noise: figure(noise),
        star_snr: figure(1.0 / noise),
        deeper_mag: figure(-2.5 * noise.log10()),
    };
    let channel = ComparedChannel {
        flux_scale: figure(1.0),
        noise: figure(30.0 * noise),
        noise_per_shutter_minute: Some(figure(40.0 * noise)),
        noise_per_clock_minute: Some(figure(50.0 * noise)),
        star_snr: figure(10.0 / noise),
        limit_flux: figure(400.0 * noise),
        color_error_mag: None,
        evidence: "pair".to_owned(),
    };
    ComparedResult {
        file: file.to_owned(),
        kind: "stack".to_owned(),
        size: [1200, 900],
        scale_arcsec: Some(30.0),
        display_scale: 1.0,
        matched: 120,
        residual_px: 0.1,
        mirrored: false,
        fwhm: figure(70.0),
        tone: figure(0.001),
        linear: Some(true),
        shutter_s: Some(160.0),
        clock_s: Some(200.0 * noise),
        shares_frames_with: Vec::new(),
        against_first: against,
        per_shutter_minute: Some(against),
        per_clock_minute: Some(against),
        limit_magnitude: None,
        channels: [(Channel::G, channel)].into(),
    }
}

fn comparison(names: &[&str]) -> Comparison {
    let noise = |k: usize| 1.0 / (1.0 + k as f64);
    let pairs = (0..names.len()).flat_map(|of| (0..of).map(move |over| (of, over)));
    Comparison {
        schema_version: COMPARE_SCHEMA_VERSION,
        verdict: format!("At equal field of view {} has the least noise.", names[0]),
        results: names
            .iter()
            .enumerate()
            .map(|(k, name)| result(name, noise(k)))
            .collect(),
        noise_ratios: pairs
            .map(|(of, over)| NoiseRatio {
                of,
                over,
                ratio: Figure {
                    value: noise(of) / noise(over),
                    error: 0.01,
                },
                measurable: true,
            })
            .collect(),
        sky: ComparedSky {
            in_arcsec: true,
            area_arcmin2: Some(9000.0),
            stars: 120,
            star_flux: 1000.0,
            ..ComparedSky::default()
        },
        notes: vec![names[0].to_owned()],
    }
}

fn compared_spots(n: usize) -> Vec<ComparedSpot> {
    let kinds = [SpotKind::DarkSky, SpotKind::Corner, SpotKind::Center];
    let of = |kind| ComparedSpot {
        kind,
        results: (0..n)
            .map(|_| picture(5_000_000 / (3 * n), 500, 500))
            .collect(),
    };
    kinds.map(of).into()
}

#[test]
fn a_comparison_has_all_of_two_to_six() {
    for n in 2..=6 {
        let names: Vec<String> = (0..n)
            .map(|k| format!("night/way {k}/stack.fits"))
            .collect();
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        let page = comparison_page(&comparison(&names), &compared_spots(n));
        check_well_formed(&page);
        assert!(page.len() < MOST_BYTES, "{} bytes", page.len());
        for id in ["looks", "ranking", "figures", "notes"] {
            assert!(page.contains(&format!("id=\"{id}\"")), "{id}");
        }
        for (name, title) in [("way 0", "As they are"), ("way 1", "on the clock")] {
            assert!(page.contains(name) && page.contains(title));
        }
        assert_eq!(page.matches("<img").count(), 3 * n);
        assert_eq!(page.contains("<select"), n > 2);
    }
}

#[test]
fn a_comparison_obeys_no_name_either() {
    let page = comparison_page(&comparison(&[HOSTILE, "b"]), &compared_spots(2));
    // As a path, in the verdict and in a note.
    check_harmless(&page, 1, 3);
}

#[test]
fn a_comparison_without_figures_says_so() {
    let mut comparison = comparison(&["a", "b"]);
    comparison.noise_ratios.clear();
    let page = comparison_page(&comparison, &[]);
    check_well_formed(&page);
    assert!(page.contains("could not be compared"));
}

#[test]
fn the_index_of_a_night_is_whole() {
    let night = Night {
        root: "archive".to_owned(),
        sessions: vec![NightSession {
            id: "2031-01-14_lumholt".to_owned(),
            state: SessionState::Done,
            result: Some(NightResult {
                headline: "20 frames, worth 17.3 ± 0.4".to_owned(),
                files: ["preview.png", "report.html"]
                    .map(|name| NightFile {
                        name: name.to_owned(),
                        content: None,
                    })
                    .into(),
                ..NightResult::default()
            }),
            ..NightSession::default()
        }],
        ..Night::default()
    };
    let page = night_page(&night);
    check_well_formed(&page);
    assert!(page.contains("href=\"2031-01-14_lumholt/report.html\""));
    assert!(page.contains("src=\"2031-01-14_lumholt/preview.png\""));
    assert!(!page.contains("<script"));
}
