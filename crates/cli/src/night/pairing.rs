//! Which darks, flats and bias frames of all that were found calibrate a session.
//!
//! They must fit by camera, size, filters and ISO, darks also by exposure. Of several sets
//! that fit, one that was taken under the same conditions (temperature of darks, optics of
//! flats) comes first, then the nearest in time, then the nearest folder. That darks age
//! with the sensor and flats with every touch of the lens is common practice; no source.

use super::choices::Choice;
use super::discover::FrameSet;
use crate::fitting::{DarkScaling, calibration_mismatch, mismatches};
use raw::{FrameKind, printable};
use std::path::Path;

/// What calibrates a session, of one kind.
#[derive(Clone, Debug)]
pub(crate) struct Paired<'a> {
    pub kind: FrameKind,
    /// `None` where none fit.
    pub set: Option<&'a FrameSet>,
    /// Why this, or why none.
    pub because: String,
}

/// The kinds that calibrate.
const KINDS: [FrameKind; 3] = [FrameKind::Dark, FrameKind::Flat, FrameKind::Bias];

/// Finds what calibrates `lights` among all sets.
pub(crate) fn pair<'a>(
    lights: &FrameSet,
    sets: &'a [FrameSet],
    scaling: DarkScaling,
    root: &Path,
    choice: &Choice,
) -> Vec<Paired<'a>> {
    let choose = |kind| choose(kind, lights, sets, scaling, root, choice);
    KINDS.into_iter().map(choose).collect()
}

fn choose<'a>(
    kind: FrameKind,
    lights: &FrameSet,
    sets: &'a [FrameSet],
    scaling: DarkScaling,
    root: &Path,
    choice: &Choice,
) -> Paired<'a> {
    let model = lights.model().taken();
    let allowed = |set: &&FrameSet| {
        let only = choice.only(kind).map(|folder| root.join(folder));
        set.model().kind == kind && only.is_none_or(|folder| set.lies_in(&folder))
    };
    let of_kind: Vec<&FrameSet> = sets.iter().filter(allowed).collect();
    let mismatch = |set: &FrameSet| {
        let of_settings = calibration_mismatch(set.model().taken(), kind, model, scaling);
        of_settings.or_else(|| {
            // The vignetting of another lens or aperture is worse than none, where nobody
            // looks at it; who names the folder wants it.
            let looks = kind == FrameKind::Flat && choice.only(kind).is_none();
            looks.then(|| other_optics(set, lights)).flatten()
        })
    };
    let fitting: Vec<&FrameSet> = of_kind
        .iter()
        .copied()
        .filter(|set| mismatch(set).is_none())
        .collect();
    let mut ranked: Vec<(Rank, &FrameSet)> = fitting
        .iter()
        .map(|set| (Rank::of(set, lights), *set))
        .collect();
    ranked.sort_by(|(a, _), (b, _)| a.order(b));
    let because = match ranked.first() {
        Some((rank, _)) => rank.because(kind, fitting.len()),
        None => none_fits(kind, &of_kind, mismatch, root, choice),
    };
    let set = ranked.first().map(|(_, set)| *set);
    Paired { kind, set, because }
}

/// What differs between lights and what calibrates them though it may be used.
fn differences(set: &FrameSet, lights: &FrameSet) -> Vec<String> {
    let infos: Vec<_> = lights.frames.iter().map(|frame| &frame.info).collect();
    let own = set.frames.iter().map(|frame| (frame.kind, &frame.info));
    let warnings = mismatches(&infos, own).into_iter();
    warnings.map(|warning| warning.text()).collect()
}

/// Flats of another lens, focal length or aperture, as far as both state it.
fn other_optics(flats: &FrameSet, lights: &FrameSet) -> Option<String> {
    let (own, theirs) = (&flats.model().info.lens, &lights.model().info.lens);
    let both = own.as_deref().zip(theirs.as_deref());
    both.filter(|(own, theirs)| own != theirs)
        .map(|(own, theirs)| format!("taken with {own}, but the lights with {theirs}"))
        .or_else(|| differences(flats, lights).into_iter().next())
}

/// How well a set that fits goes with the lights; less is better.
struct Rank {
    /// What differs all the same.
    differs: Vec<String>,
    /// Time from the one to the other, s; infinite where one states none.
    apart_s: f64,
    /// Whether it was taken before the lights.
    before: bool,
    /// Steps from folder to folder.
    steps: usize,
}

impl Rank {
    fn of(set: &FrameSet, lights: &FrameSet) -> Self {
        let middle = |set: &FrameSet| set.frames[set.frames.len() / 2].info.captured;
        let signed_s = middle(set)
            .zip(middle(lights))
            .map(|(a, b)| a.seconds_since(&b));
        Self {
            differs: differences(set, lights),
            apart_s: signed_s.map_or(f64::INFINITY, f64::abs),
            before: signed_s.is_some_and(|s| s < 0.0),
            steps: steps_between(&set.model().path, &lights.model().path),
        }
    }

    fn order(&self, other: &Self) -> std::cmp::Ordering {
        let differs = self.differs.len().cmp(&other.differs.len());
        let time = self.apart_s.total_cmp(&other.apart_s);
        differs.then(time).then(self.steps.cmp(&other.steps))
    }

    fn because(&self, kind: FrameKind, fitting: usize) -> String {
        let alike = match kind {
            FrameKind::Dark => "same camera, size, ISO and exposure",
            FrameKind::Flat => "same camera and size",
            _ => "same camera, size and ISO",
        };
        let time = match self.apart_s.is_finite() {
            true if self.before => format!("taken {} before", span(self.apart_s)),
            true => format!("taken {} after", span(self.apart_s)),
            false => "taken at a time that is not known".to_owned(),
        };
        let choice = match fitting {
            1 => String::new(),
            n => format!(", the nearest of {n} sets that fit"),
        };
        let differs: String = self
            .differs
            .iter()
            .map(|text| format!("; {text}"))
            .collect();
        format!("{alike}, {time}{choice}{differs}")
    }
}

fn none_fits(
    kind: FrameKind,
    of_kind: &[&FrameSet],
    mismatch: impl Fn(&FrameSet) -> Option<String>,
    root: &Path,
    choice: &Choice,
) -> String {
    let name = match kind {
        FrameKind::Bias => "bias frames",
        FrameKind::Flat => "flats",
        _ => "darks",
    };
    let reasons = of_kind.iter().filter_map(|set| {
        let folder = set.model().path.parent()?;
        let folder = printable(folder.strip_prefix(root).unwrap_or(folder));
        Some(format!("{folder}: {}", mismatch(set)?))
    });
    // The first few tell what is missing.
    let reasons: Vec<String> = reasons.take(3).collect();
    match (reasons.is_empty(), choice.only(kind)) {
        (true, None) => format!("there are no {name}"),
        (true, Some(only)) => format!(
            "there are no {name} in {}, from where alone the settings take them",
            printable(only)
        ),
        _ => format!("no {name} fit ({})", reasons.join("; ")),
    }
}

/// Folders to leave and to enter on the way from one file to the other.
fn steps_between(a: &Path, b: &Path) -> usize {
    let folders = |path: &Path| -> Vec<_> {
        let folder = path.parent().unwrap_or(Path::new(""));
        folder
            .components()
            .map(|part| part.as_os_str().to_owned())
            .collect()
    };
    let (a, b) = (folders(a), folders(b));
    let common = a.iter().zip(&b).take_while(|(a, b)| a == b).count();
    a.len() + b.len() - 2 * common
}

/// A length of time, for people.
pub(crate) fn span(seconds: f64) -> String {
    let (minute, hour, day) = (60.0, 3600.0, 86400.0);
    match seconds {
        s if s < 1.5 * minute => format!("{s:.0} s"),
        s if s < 1.5 * hour => format!("{:.0} min", s / minute),
        s if s < 2.0 * day => format!("{:.1} h", s / hour),
        s => format!("{:.0} days", s / day),
    }
}
