//! How faint stars may be and how well they are placed, on simulated frames, by SNR, width
//! and place in the field. Prints tables; `cargo bench -p radicand-benches --bench stars`.

#![allow(clippy::print_stdout, reason = "the tables are what it is for")]

use ::align;

#[path = "../../crates/align/tests/starfield/mod.rs"]
mod starfield;

use align::DetectOptions;
use starfield::figures::Found;
use starfield::{Field, Starfield};

const SIZE: (usize, usize) = (1600, 1200);

fn found(blur: (f64, f64, f64), trail_px: f64, snrs: &[f64]) -> Found {
    let field = Field {
        size: SIZE,
        blur,
        trail_px,
        snrs: snrs.to_vec(),
        hot_fraction: 0.0,
        seed: 5,
    };
    // A field that trails has one frame.
    let frames = if trail_px > 0.0 { 1 } else { 3 };
    Found::on(
        &Starfield::new(&field),
        0..frames,
        &DetectOptions::default(),
    )
}

fn main() {
    let snrs = [3.0, 4.0, 4.5, 5.0, 5.5, 6.0, 7.0, 8.0, 10.0];
    println!("completeness by matched SNR, and false alarms");
    for fwhm_px in [1.6, 2.2, 3.5, 5.0] {
        let found = found((fwhm_px, 0.0, 0.0), 0.0, &snrs);
        let shares = snrs.map(|snr| format!("{snr}: {:.2}", found.completeness(snr)));
        let stars = found
            .stars
            .iter()
            .filter(|(.., star)| star.is_some())
            .count();
        println!(
            "FWHM {fwhm_px} px: {}; {} false among {stars}",
            shares.join(", "),
            found.false_alarms.len(),
        );
    }
    println!("centroid scatter over the Cramer-Rao bound: middle, edge, corner with coma");
    let snrs = [20.0, 50.0, 100.0, 200.0];
    for blur in [(1.6, 0.3, 1.0), (2.2, 0.3, 1.0), (3.2, 0.3, 2.0)] {
        let found = found(blur, 0.0, &snrs);
        for snr in snrs {
            let rings = [0.0..0.4, 0.4..0.7, 0.7..1.0];
            let ratios = rings.map(|ring| {
                let scatter = found.scatter(snr, ring);
                let (over, bound_px) = (scatter.over_bound, scatter.bound_px);
                format!("{over:.2} of {bound_px:.4} px ({} stars)", scatter.stars)
            });
            println!("FWHM {} px, SNR {snr}: {}", blur.0, ratios.join(", "));
        }
    }
    println!("trailed stars of 2.2 px FWHM");
    for trail_px in [3.0, 5.0, 8.0] {
        let found = found((2.2, 0.0, 0.0), trail_px, &snrs);
        for snr in snrs {
            let scatter = found.scatter(snr, 0.0..1.1);
            let [dx, dy] = scatter.offset_px;
            println!(
                "{trail_px} px, SNR {snr}: found {:.3}, over the bound {:.2}, offset {dx:.4} {dy:.4} px",
                found.completeness(snr),
                scatter.over_bound,
            );
        }
    }
}
