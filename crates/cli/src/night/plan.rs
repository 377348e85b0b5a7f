//! What is to be done: every session, and what is in none.

use super::NightJob;
use super::choices::Choice;
use super::discover::{Discovery, FrameSet, discover, in_time, jump_note, sort_by_time, turn_note};
use super::pairing::pair;
use super::place::Place;
use super::plan_file;
use super::pointing::{KnownTurns, divide};
use super::session_plan::{SessionPlan, session};
use super::watch::NightWatch;
use crate::JobError;
use raw::FrameKind;
use report::{NIGHT_SCHEMA_VERSION, Night, NightFault};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// What is to be done.
#[derive(Clone, Debug, Default)]
pub struct NightPlan {
    /// The sessions, in the order they were taken.
    pub sessions: Vec<SessionPlan>,
    /// Files that cannot be used, each with its reason.
    pub left_out: Vec<NightFault>,
    /// Entries of the settings file that change nothing.
    pub idle_settings: Vec<NightFault>,
    /// Folders of frames that no session needs, or that are to be skipped.
    pub unused: Vec<NightFault>,
    /// Sessions that are to be skipped.
    pub skipped: usize,
    /// Files looked at.
    pub looked_at: usize,
    /// Where the camera was turned, so that it need not be looked for again.
    pub(crate) turns: KnownTurns,
}

impl NightPlan {
    /// Files that cannot be used, and settings that change nothing.
    pub(crate) fn n_left_out(&self) -> usize {
        self.left_out.len() + self.idle_settings.len()
    }

    /// Looks at everything under the job's root.
    ///
    /// # Errors
    ///
    /// When the root cannot be listed, the output holds originals, or the choices speak of a
    /// folder that is not there.
    pub fn of(job: &NightJob, watch: &dyn NightWatch) -> Result<Self, JobError> {
        job.choices.check_folders(&job.root)?;
        let budget = job.stack.memory_budget();
        let mut found = discover(&job.root, &job.output, job.gap_s, &budget, watch)?;
        let known = plan_file::known_turns(&Place::existing(&job.output));
        let turns;
        (found.sets, turns) = divide(found.sets, &known, &job.root, watch);
        sort_by_time(&mut found.sets);
        let mut sorting = Sorting::of(job, &found);
        sorting.take_lights();
        sorting.take_the_rest();
        Ok(Self {
            left_out: faults(&found, &job.root),
            idle_settings: sorting.idle_settings(),
            unused: sorting.unused,
            skipped: sorting.skipped,
            sessions: in_order(sorting.sessions),
            looked_at: found.looked_at,
            turns,
        })
    }

    /// The plan as a night of which nothing is done.
    pub(crate) fn as_night(&self, root: &Path) -> Night {
        Night {
            schema_version: NIGHT_SCHEMA_VERSION,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            root: report::file_name(root),
            sessions: self
                .sessions
                .iter()
                .map(|plan| plan.session.clone())
                .collect(),
            left_out: self.left_out.clone(),
            idle_settings: self.idle_settings.clone(),
            unused: self.unused.clone(),
            older: Vec::new(),
        }
    }
}

fn faults(found: &Discovery, root: &Path) -> Vec<NightFault> {
    let fault = |(path, reason): &(PathBuf, String)| NightFault {
        file: from_root(path, root),
        reason: reason.clone(),
    };
    found.left_out.iter().map(fault).collect()
}

/// Sets of frames on their way into sessions.
struct Sorting<'a> {
    job: &'a NightJob,
    found: &'a Discovery,
    /// Calibration frames that a session needs, by the first of their set.
    used: BTreeSet<&'a Path>,
    /// Each with its lights.
    sessions: Vec<(&'a FrameSet, SessionPlan)>,
    unused: Vec<NightFault>,
    skipped: usize,
}

impl<'a> Sorting<'a> {
    fn of(job: &'a NightJob, found: &'a Discovery) -> Self {
        Self {
            job,
            found,
            used: BTreeSet::new(),
            sessions: Vec::new(),
            unused: Vec::new(),
            skipped: 0,
        }
    }

    /// Pairs every set of lights with what calibrates it.
    fn take_lights(&mut self) {
        let (job, found, root) = (self.job, self.found, self.job.root.as_path());
        let scaling = job.stack.inputs.dark_scaling;
        let lights = |set: &&FrameSet| set.model().kind == FrameKind::Light;
        for set in found.sets.iter().filter(lights) {
            let choice = self.choice(set);
            if choice.skips() {
                self.skip(set);
                continue;
            }
            let paired = pair(set, &found.sets, scaling, root, &choice);
            let chosen = paired.iter().filter_map(|paired| paired.set);
            self.used.extend(chosen.map(first_path));
            let mut plan = session(set, &paired, job, choice);
            let turn = turn_note(set, &found.sets, root);
            let notes = jump_note(set, &found.sets, root).into_iter().chain(turn);
            plan.session.notes.extend(notes);
            self.sessions.push((set, plan));
        }
    }

    /// Calibration frames that were not chosen for any session; those that are called lights
    /// are a session all the same.
    fn take_the_rest(&mut self) {
        for set in &self.found.sets {
            if set.model().kind == FrameKind::Light || self.used.contains(first_path(set)) {
                continue;
            }
            let choice = self.choice(set);
            match is_called_light(set) {
                true if choice.skips() => self.skip(set),
                true => {
                    let plan = starless(set, self.job, choice);
                    self.sessions.push((set, plan));
                }
                false => self.set_aside(set, "that no session needs"),
            }
        }
    }

    fn choice(&self, set: &FrameSet) -> Choice {
        let root = &self.job.root;
        let folders = set.whole_in().into_iter();
        let folders = folders.map(|folder| folder.strip_prefix(root).unwrap_or(folder));
        self.job.choices.of(&folders.collect::<Vec<_>>())
    }

    fn skip(&mut self, set: &FrameSet) {
        self.skipped += 1;
        self.set_aside(set, "that are to be skipped");
    }

    fn set_aside(&mut self, set: &FrameSet, why: &str) {
        let kind = set.model().kind.name();
        self.unused.push(NightFault {
            file: from_root(set.folders()[0], &self.job.root),
            reason: format!("frames {why}: {} of kind {kind}", set.frames.len()),
        });
    }

    /// Entries of the settings that speak of nothing that was found.
    fn idle_settings(&self) -> Vec<NightFault> {
        let holds = |kind, within: &Path| {
            let within = self.job.root.join(within);
            let mut of_kind = self
                .found
                .sets
                .iter()
                .filter(|set| set.model().kind == kind);
            of_kind.any(|set| {
                let mut folders = set.all_folders().into_iter();
                folders.any(|folder| folder.starts_with(&within))
            })
        };
        self.job.choices.idle(holds)
    }
}

/// The sessions in the order in which their lights were taken.
fn in_order(mut sessions: Vec<(&FrameSet, SessionPlan)>) -> Vec<SessionPlan> {
    sessions.sort_by(|(a, _), (b, _)| in_time(a.model(), b.model()));
    sessions.into_iter().map(|(_, plan)| plan).collect()
}

fn first_path(set: &FrameSet) -> &Path {
    &set.model().path
}

/// Whether the names of frames without stars say that they are lights.
fn is_called_light(set: &FrameSet) -> bool {
    let info = &set.model().info;
    info.declared_kind.is_none() && raw::kind_in_name(info) == Some(FrameKind::Light)
}

/// A session of lights, by their names, that were taken for something else: it comes to no
/// result, and says so.
fn starless(set: &FrameSet, job: &NightJob, choice: Choice) -> SessionPlan {
    let mut plan = session(set, &[], job, choice);
    plan.hopeless = true;
    plan.session.notes.push(format!(
        "of kind {} by their content though their name says light: no stars were found in them; \
         `radicand survey` says more",
        set.model().kind.name()
    ));
    plan
}

/// A path from the root, as text.
pub(crate) fn from_root(path: &Path, root: &Path) -> String {
    match path.strip_prefix(root) {
        Ok(rest) if rest == Path::new("") => ".".to_owned(),
        Ok(rest) => report::file_name(rest),
        Err(_) => report::file_name(path),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_start_at_the_root() {
        let root = Path::new("nights");
        assert_eq!(from_root(Path::new("nights/a/b.dng"), root), "a/b.dng");
        assert_eq!(from_root(root, root), ".");
        assert_eq!(from_root(Path::new("else/b.dng"), root), "else/b.dng");
    }
}
