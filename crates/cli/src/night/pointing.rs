//! Where the camera pointed: a light that shows another field begins another session.

use super::discover::{FoundFrame, FrameSet};
use super::turns::{Lights, turns};
use super::watch::{NightEvent, NightWatch};
use crate::decode_options;
use crate::opened_result::scale_arcsec;
use crate::solve::stars_of_frame;
use align::{MatchOptions, Star, align_stars};
use raw::{FrameKind, printable};
use std::collections::BTreeMap;

/// Fewest stars by which a light tells where it looks: two lists of them have nothing in common
/// only when they show different fields, not when a cloud leaves each a few.
const FEWEST_STARS: usize = 20;
/// Share of the stars that have to agree where they stand still: what is left of hot pixels, or
/// a lamp, stands still in every field.
const STILL_SHARE: f64 = 0.25;
/// Steps of a stated pointing that divide a session, as a share of the shorter side of the
/// field.
const LONGEST_STEP: f64 = 0.5;
/// The same where the field is not known, degrees: more than the sky turns in a pause that does
/// not divide a session (half an hour, 7.5°).
const LONGEST_STEP_DEG: f64 = 10.0;
const ARCSEC_PER_DEG: f64 = 3600.0;

/// The angle between two frames, degrees, by their headers, where it is one that divides.
pub(crate) fn stated_turn_deg(earlier: &FoundFrame, later: &FoundFrame) -> Option<f64> {
    let step_deg = earlier.info.pointing?.separation_deg(&later.info.pointing?);
    (step_deg > longest_step_deg(earlier)).then_some(step_deg)
}

fn longest_step_deg(frame: &FoundFrame) -> f64 {
    let lens = frame.info.pixel_pitch_um.zip(frame.info.focal_length_mm);
    let Some((pitch_um, focal_mm)) = lens else {
        return LONGEST_STEP_DEG;
    };
    let shorter_px = frame.size.0.min(frame.size.1) as f64;
    LONGEST_STEP * shorter_px * scale_arcsec(pitch_um, focal_mm) / ARCSEC_PER_DEG
}

/// Divides sets of lights where the stars show that the camera was turned, and notes so.
///
/// One light at a time is read. Answers follow from the frames alone.
pub(crate) fn divide(sets: Vec<FrameSet>, watch: &dyn NightWatch) -> Vec<FrameSet> {
    let is_series = |set: &FrameSet| set.model().kind == FrameKind::Light && set.frames.len() > 1;
    let series = sets.iter().filter(|set| is_series(set)).count();
    let mut done = 0;
    let mut divided = Vec::new();
    for set in sets {
        if is_series(&set) {
            watch.hear(&NightEvent::Compares { done, series });
            done += 1;
            divided.extend(by_stars(set));
        } else {
            divided.push(set);
        }
    }
    watch.hear(&NightEvent::Compares { done, series });
    divided
}

/// The parts of a set.
fn by_stars(set: FrameSet) -> Vec<FrameSet> {
    let mut seen = SeenLights {
        frames: &set.frames,
        stars: BTreeMap::new(),
    };
    let turns = turns(&mut seen);
    let notes: Vec<String> = turns.iter().map(|&turn| note(turn, &mut seen)).collect();
    let mut rest = set.frames;
    let mut parts = Vec::new();
    for (&(_, first), note) in turns.iter().zip(&notes).rev() {
        let frames = rest.split_off(first);
        parts.push(FrameSet {
            frames,
            notes: vec![note.clone()],
        });
    }
    parts.push(FrameSet {
        frames: rest,
        notes: set.notes,
    });
    parts.reverse();
    // The part before a turn is told of it as well.
    for (part, note) in parts.iter_mut().zip(notes) {
        part.notes.push(note);
    }
    parts
}

fn note((before, after): (usize, usize), seen: &mut SeenLights) -> String {
    let mut side = |light: usize| {
        let stars = seen.stars(light).len();
        format!("{} ({stars} stars)", printable(&seen.frames[light].path))
    };
    let (before, after) = (side(before), side(after));
    format!(
        "the camera was turned between {before} and {after}, which show no star in common: \
         each side is a session of its own"
    )
}

/// Lights of a set, with the stars of those that were looked at.
struct SeenLights<'a> {
    frames: &'a [FoundFrame],
    stars: BTreeMap<usize, Vec<Star>>,
}

impl SeenLights<'_> {
    /// The stars of a light; none where it cannot be read (any more), which is told later on.
    fn stars(&mut self, light: usize) -> &[Star] {
        let path = &self.frames[light].path;
        self.stars.entry(light).or_insert_with(|| {
            let frame = raw::decode(path, &decode_options()).ok();
            let stars = frame.and_then(|frame| stars_of_frame(frame).ok());
            stars.unwrap_or_default()
        })
    }
}

impl Lights for SeenLights<'_> {
    fn count(&self) -> usize {
        self.frames.len()
    }

    fn tells(&mut self, light: usize) -> bool {
        // Where a glance shows hardly a star, a closer look shows no twenty.
        self.frames[light].may_have_stars && self.stars(light).len() >= FEWEST_STARS
    }

    fn fit(&mut self, a: usize, b: usize) -> bool {
        let size = self.frames[a].size;
        self.stars(a);
        self.stars(b);
        let (a, b) = (&self.stars[&a], &self.stars[&b]);
        let Ok(found) = align_stars(a, b, size, &MatchOptions::default()) else {
            return false;
        };
        let still = found
            .pairs
            .iter()
            .filter(|&&(i, j)| stands_still(&a[i], &b[j]));
        let stands = 2 * still.count() > found.matched;
        !stands || found.matched as f64 >= STILL_SHARE * a.len().min(b.len()) as f64
    }
}

fn stands_still(a: &Star, b: &Star) -> bool {
    /// As `align_stars` has it.
    const STILL_PX: f64 = 0.5;
    (a.x - b.x).hypot(a.y - b.y) < STILL_PX
}
