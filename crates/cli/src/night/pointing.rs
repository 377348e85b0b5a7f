//! Where the camera pointed: a light that shows another field begins another session.

use super::attempt::said;
use super::discover::{FoundFrame, FrameSet};
use super::plan::from_root;
use super::turns::{Lights, turns};
use super::watch::{NightEvent, NightWatch};
use crate::content::hex;
use crate::decode_options;
use crate::opened_result::scale_arcsec;
use crate::solve::stars_of_frame;
use align::{MatchOptions, STILL_PX, Star, align_stars};
use raw::FrameKind;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

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

/// A turn of the camera between two lights of a set.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Turn {
    /// The last light before it, and the first one after it, by their place in the set.
    lights: [usize; 2],
    /// Stars on each.
    stars: [usize; 2],
}

/// The turns of sets that were looked at, by the content of their lights.
pub(crate) type KnownTurns = BTreeMap<String, Vec<Turn>>;

/// Divides sets of lights where the stars show that the camera was turned, and notes so.
///
/// One light at a time is read. Answers follow from the frames alone, and those in `known` are
/// not looked for again; all that hold for these sets are returned.
pub(crate) fn divide(
    sets: Vec<FrameSet>,
    known: &KnownTurns,
    root: &Path,
    watch: &dyn NightWatch,
) -> (Vec<FrameSet>, KnownTurns) {
    let is_series = |set: &FrameSet| set.model().kind == FrameKind::Light && set.frames.len() > 1;
    let series = sets.iter().filter(|set| is_series(set)).count();
    let mut done = 0;
    let (mut divided, mut answers) = (Vec::new(), KnownTurns::new());
    for set in sets {
        if !is_series(&set) {
            divided.push(set);
            continue;
        }
        watch.hear(&NightEvent::Compares { done, series });
        done += 1;
        let content = content(&set);
        let fits = |turns: &&Vec<Turn>| are_of(turns, set.frames.len());
        let turns = match known.get(&content).filter(fits) {
            Some(turns) => Ok(turns.clone()),
            // What goes wrong with one series costs no other.
            None => catch_unwind(AssertUnwindSafe(|| look_for_turns(&set.frames))),
        };
        match turns {
            Ok(turns) => {
                divided.extend(parts(set, &turns, root));
                answers.insert(content, turns);
            }
            Err(panic) => {
                let first = from_root(&set.model().path, root);
                let note = format!(
                    "{first} and those after it were not compared, and are one session: internal \
                     error: {}",
                    said(&*panic)
                );
                watch.hear(&NightEvent::Note(&note));
                divided.push(set);
            }
        }
    }
    watch.hear(&NightEvent::Compares { done, series });
    (divided, answers)
}

/// Whether turns are in order and between so many lights, as a file that was spoiled may not say.
fn are_of(turns: &[Turn], lights: usize) -> bool {
    let inside = turns.iter().all(|turn| {
        let [before, after] = turn.lights;
        before < after && after < lights
    });
    inside && turns.is_sorted_by(|a, b| a.lights[1] < b.lights[1])
}

/// SHA-256 over the digests of the lights, in their order.
fn content(set: &FrameSet) -> String {
    let digests: Vec<_> = set.frames.iter().map(|frame| frame.digest).collect();
    hex(&Sha256::digest(digests.concat()))
}

fn look_for_turns(frames: &[FoundFrame]) -> Vec<Turn> {
    let mut seen = SeenLights {
        frames,
        stars: BTreeMap::new(),
    };
    let turns = turns(&mut seen).into_iter();
    let turn = turns.map(|(before, after)| Turn {
        lights: [before, after],
        stars: [before, after].map(|light| seen.stars(light).len()),
    });
    turn.collect()
}

/// The parts of a set, each told of the turns at its ends.
fn parts(set: FrameSet, turns: &[Turn], root: &Path) -> Vec<FrameSet> {
    let notes = turns.iter().map(|turn| note(turn, &set.frames, root));
    let notes: Vec<String> = notes.collect();
    let mut rest = set.frames;
    let mut parts = Vec::new();
    for (turn, note) in turns.iter().zip(&notes).rev() {
        let [_, first] = turn.lights;
        parts.push(FrameSet {
            frames: rest.split_off(first),
            notes: vec![note.clone()],
        });
    }
    parts.push(FrameSet {
        frames: rest,
        notes: set.notes,
    });
    parts.reverse();
    for (part, note) in parts.iter_mut().zip(notes) {
        part.notes.push(note);
    }
    parts
}

fn note(turn: &Turn, frames: &[FoundFrame], root: &Path) -> String {
    let side = |i: usize| {
        let path = from_root(&frames[turn.lights[i]].path, root);
        format!("{path} ({} stars)", turn.stars[i])
    };
    format!(
        "the camera was turned between {} and {}, which show no star in common: each side is a \
         session of its own",
        side(0),
        side(1)
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
    (a.x - b.x).hypot(a.y - b.y) < STILL_PX
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_that_make_no_sense_are_not_believed() {
        let turn = |lights| Turn {
            lights,
            stars: [30, 40],
        };
        assert!(are_of(&[], 2));
        assert!(are_of(&[turn([1, 2]), turn([3, 5])], 6));
        assert!(!are_of(&[turn([1, 2]), turn([3, 6])], 6));
        assert!(!are_of(&[turn([0, 0])], 6));
        assert!(!are_of(&[turn([1, 3]), turn([2, 3])], 6));
    }
}
