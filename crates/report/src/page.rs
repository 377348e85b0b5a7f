//! Numbers to pages: `report.html`, `comparison.html` and the index of a night.
//!
//! A page is one file that needs no other: style, script and pictures are in it, and its
//! policy forbids the browser to fetch or run anything else, whatever names files have. It
//! shows nothing where the report has `null`. Equal inputs give equal bytes: times and memory
//! of the run stay in `report.json`.
//!
//! Each section is a file of its own; `document` is the frame around them, and `text`
//! makes every text of others harmless.

pub use comparison::comparison_page;
pub use night::{calibration_choice, night_page, night_summary, session_description};
pub use pictures::{ComparedSpot, Picture, Pictures, Spot, SpotKind};

use crate::report::Report;
use maud::html;

mod budget;
mod chart;
mod comparison;
mod curve;
mod document;
mod frames;
mod headline;
mod map;
mod night;
mod pictures;
mod ranking;
mod repeat;
mod spots;
mod text;
mod upright;
mod whiskers;

/// `report.html`: a report for whoever took the frames.
///
/// Sections without anything to show are not there.
pub fn report_page(report: &Report, pictures: &Pictures) -> String {
    let body = html! {
        (headline::section(report))
        (spots::section(report, pictures))
        (map::section(report, pictures))
        (curve::section(report))
        (budget::section(report))
        (whiskers::section(report, pictures))
        (frames::section(report))
        (repeat::section(report))
    };
    document::page(&headline::short(report), &body, document::Images::Within)
}
