//! The pages in a real browser, with names in them that no browser must obey.
//!
//! Needs node, Chromium and what `tests/browser/package-lock.json` names (`npm ci` there); says
//! so aloud where one of them is not there. What is checked is in `tests/browser/check.mjs`.

use export::{PreviewOptions, SharedRendering, SmallPicture};
use ndarray::{Array3, ArrayView2};
use report::{
    ComparedSpot, Comparison, Night, NightFault, NightResult, NightSession, Picture, Pictures,
    Report, SessionState, Spot, SpotKind,
};
use std::path::{Path, PathBuf};
use std::process::Command;

const HOSTILE: &str = "<script>alert(\"1\")</script>\n'><img src=x onerror=alert(2)>.dng";

fn repository() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// A sky with stars, and some noise: every pixel another value, always the same.
fn sky((width, height): (usize, usize), noise: f32) -> Array3<f32> {
    let mut state = 9_u64;
    Array3::from_shape_fn((3, height, width), |(channel, row, col)| {
        state = state
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        let random = (state >> 40) as f32 / (1_u64 << 24) as f32 - 0.5;
        let star = row % 41 == 20 && col % 53 == 26;
        300.0 + 50.0 * channel as f32 + noise * random + if star { 4000.0 } else { 0.0 }
    })
}

fn drawn(values: &Array3<f32>) -> Picture {
    let shared = SharedRendering::of([values].into_iter(), &PreviewOptions::default());
    let (_, rows, columns) = values.dim();
    Picture {
        png: shared.png(Path::new("page"), values).expect("a picture"),
        width: columns as u32,
        height: rows as u32,
    }
}

/// A real report with hostile names in it.
fn report() -> Report {
    let path = repository().join("docs/example/report.json");
    let bytes = std::fs::read(path).expect("the example");
    let mut report = Report::from_json(&bytes).expect("a report");
    let light = report.frames[0].clone();
    report.frames.extend((0..80).map(|i| report::FrameEntry {
        file: format!("night/shot_{i:04}.dng"),
        ..light.clone()
    }));
    report.frames[0].file = HOSTILE.to_owned();
    report.frames.push(report::FrameEntry {
        file: HOSTILE.to_owned(),
        reason: Some(HOSTILE.to_owned()),
        ..report::FrameEntry::default()
    });
    report.run.reference = HOSTILE.to_owned();
    report
        .run
        .settings
        .insert(HOSTILE.to_owned(), HOSTILE.into());
    report
}

fn pictures(report: &Report) -> Pictures {
    let whole = sky((600, 400), 20.0);
    let planes: Vec<ArrayView2<f32>> = whole.outer_iter().collect();
    let small = SmallPicture::of(&planes, 600);
    let options = PreviewOptions::default();
    let edges = report
        .noise
        .regions
        .iter()
        .map(|region| (region.x1, region.y1));
    let size = edges.fold((600, 400), |a, b| (a.0.max(b.0), a.1.max(b.1)));
    let spots = [SpotKind::DarkSky, SpotKind::Corner].map(|kind| Spot {
        kind,
        frame: drawn(&sky((400, 300), 80.0)),
        stack: drawn(&sky((400, 300), 20.0)),
    });
    Pictures {
        whole: Some(Picture {
            png: small.png(Path::new("page"), &options).expect("a picture"),
            width: 600,
            height: 400,
        }),
        size,
        orientation: 1,
        spots: spots.into(),
    }
}

fn comparison() -> (Comparison, Vec<ComparedSpot>) {
    let path = repository().join("fixtures/pages/compare.json");
    let bytes = std::fs::read(path).expect("a comparison");
    let mut comparison: Comparison = serde_json::from_slice(&bytes).expect("a comparison");
    comparison.results[1].file = HOSTILE.to_owned();
    comparison.verdict += HOSTILE;
    let spots = [SpotKind::DarkSky, SpotKind::Corner].map(|kind| ComparedSpot {
        kind,
        results: [90.0, 45.0, 30.0]
            .map(|noise| drawn(&sky((400, 400), noise)))
            .into(),
    });
    (comparison, spots.into())
}

fn night() -> Night {
    let fault = NightFault {
        file: HOSTILE.to_owned(),
        reason: "the file is empty".to_owned(),
    };
    let session = |id: &str, state, result| NightSession {
        id: id.to_owned(),
        state,
        reason: (state != SessionState::Done).then(|| HOSTILE.to_owned()),
        folders: vec![HOSTILE.to_owned()],
        camera: Some(HOSTILE.to_owned()),
        result,
        ..NightSession::default()
    };
    let result = NightResult {
        headline: "20 frames, worth 19.2 ± 0.2".to_owned(),
        warnings: vec![HOSTILE.to_owned()],
        files: ["preview.png", "report.html"]
            .map(|name| report::NightFile {
                name: name.to_owned(),
                content: None,
            })
            .into(),
        ..NightResult::default()
    };
    Night {
        root: HOSTILE.to_owned(),
        sessions: vec![
            session("one", SessionState::Done, Some(result)),
            session("two", SessionState::Failed, None),
            session("three", SessionState::Waiting, None),
        ],
        left_out: vec![fault.clone()],
        unused: vec![fault],
        older: vec!["zero".to_owned()],
        ..Night::default()
    }
}

/// What is missing for a browser to look; `None` when all is there.
fn missing() -> Option<&'static str> {
    let answers = |program: &str| Command::new(program).arg("--version").output().is_ok();
    let chromium = std::env::var("CHROMIUM").ok();
    let chromiums = ["chromium", "chromium-browser", "google-chrome"];
    let mut chromiums = chromium.iter().map(String::as_str).chain(chromiums);
    if !answers("node") {
        Some("node")
    } else if !chromiums.any(answers) {
        Some("Chromium")
    } else if !repository().join("tests/browser/node_modules").is_dir() {
        Some("tests/browser/node_modules (npm ci in tests/browser)")
    } else {
        None
    }
}

#[test]
#[expect(clippy::print_stderr, reason = "says aloud what could not be tried")]
fn pages_work_in_a_browser() {
    if let Some(missing) = missing() {
        eprintln!("no page was looked at in a browser: {missing} is not there");
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name);
    let report = report();
    let preview = drawn(&sky((600, 400), 20.0)).png;
    std::fs::create_dir(at("one")).expect("a folder");
    std::fs::write(at("one/preview.png"), preview).expect("a picture");
    let (comparison, spots) = comparison();
    let pages = [
        (
            "report.html",
            report::report_page(&report, &pictures(&report)),
        ),
        (
            "comparison.html",
            report::comparison_page(&comparison, &spots),
        ),
        ("index.html", report::night_page(&night())),
    ];
    let mut command = Command::new("node");
    command.arg(repository().join("tests/browser/check.mjs"));
    for (name, page) in &pages {
        std::fs::write(at(name), page).expect("a page");
        command.arg(at(name));
    }
    let output = command.output().expect("node runs");
    let said = String::from_utf8_lossy(&output.stdout);
    let complained = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}{complained}");
    assert_eq!(said.matches(": looked at").count(), pages.len(), "{said}");
}
