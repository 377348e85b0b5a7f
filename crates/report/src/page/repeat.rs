//! What it takes to make the same result again.

use super::text::{Foreign, plain};
use crate::from_mosaic::FromMosaic;
use crate::headline::sensor_line;
use crate::report::Report;
use maud::{Markup, html};

pub(super) fn section(report: &Report) -> Markup {
    let run = &report.run;
    html! {
        section aria-labelledby="repeat" {
            h2 #repeat { "To repeat it" }
            p {
                "The same files, settings and version give the same pictures and the same page, \
                 byte for byte. Everything here, the time it took and the map of every frame are \
                 in " a href="report.json" { "report.json" } " as well."
            }
            dl.facts {
                (fact("Version", &format!("radicand {}", run.version)))
                @if !run.reference.is_empty() { (fact("Reference", &run.reference)) }
                @if !run.input_digest.is_empty() {
                    (fact("Digest of the input (SHA-256)", &run.input_digest))
                }
                (fact("Structure of report.json", &format!("version {}", report.schema_version)))
                @if let Some(sensor) = sensor_line(report) { (fact("Sensor", &sensor)) }
                @if let Some(made) = &report.from_mosaic { (fact("Photosites", &mosaic(made))) }
            }
            @if !run.settings.is_empty() {
                h3 { "Settings" }
                dl.facts {
                    @for (name, value) in &run.settings { (fact(name, &value_text(value))) }
                }
            }
        }
    }
}

fn fact(name: &str, value: &str) -> Markup {
    html! {
        div {
            dt { (Foreign(name)) }
            dd { (Foreign(value)) }
        }
    }
}

fn value_text(value: &serde_json::Value) -> String {
    // A text without its quotes.
    value
        .as_str()
        .map_or_else(|| value.to_string(), str::to_owned)
}

fn mosaic(made: &FromMosaic) -> String {
    let known = |words: &str, value: f64, unit: &str| match value.is_finite() {
        true => format!("{words}{}{unit}", plain(value)),
        false => String::new(),
    };
    format!(
        "the picture is made of measured photosites, {}×{} px{}, dropped as {}{}; the noise on \
         this page is that of the ordinary stack of the same lights",
        made.width,
        made.height,
        known(" at scale ", made.scale, ""),
        made.drop_shape,
        known(" of ", made.drop_px, " px")
    )
}
