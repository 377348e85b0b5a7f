//! Every session under a folder, one after the other: resumable, and each by itself.
//!
//! A [`NightJob`] finds the sessions ([`NightPlan`]), does those whose result is not there
//! yet, and writes an index. What goes wrong with one session stays with it.

pub use choices::Choices;
pub use estimate::{Estimate, Speed};
pub use plan::NightPlan;
pub use session_plan::SessionPlan;
pub use watch::{Ended, NightEvent, NightWatch};

use crate::args::Format;
use crate::content::digest;
use crate::{Inputs, JobError, StackJob};
use choices::Choice;
use forecast::Forecast;
use kept::Look;
use lock::Lock;
use place::{Place, record};
use plan_file::Kept;
use report::{Night, NightFault, SessionState};
use std::path::PathBuf;
use std::time::Instant;

pub(crate) use pairing::span;

mod attempt;
mod choices;
mod collect;
mod discover;
mod estimate;
mod forecast;
mod kept;
mod lock;
mod pairing;
mod place;
mod plan;
mod plan_file;
mod pointing;
mod remedy;
mod session_plan;
mod turns;
mod watch;

/// What to do with a folder of sessions.
#[derive(Clone, Debug)]
pub struct NightJob {
    /// The folder with all sessions and whatever calibrates them.
    pub root: PathBuf,
    /// Where the results go.
    pub output: PathBuf,
    /// How each session is stacked; its inputs are not looked at, but for the scaling of
    /// darks.
    pub stack: StackJob,
    /// Pictures to write.
    pub formats: Vec<Format>,
    /// Longest pause within a session, s.
    pub gap_s: f64,
    /// What differs from session to session.
    pub choices: Choices,
}

/// What came of it.
#[derive(Debug)]
pub struct NightOutcome {
    /// Every session, and what became of it.
    pub night: Night,
    /// How each session ended in this run, in their order.
    pub ended: Vec<Ended>,
}

/// What came of one session.
#[derive(Debug)]
pub struct SessionOutcome {
    /// How it ended in this run.
    pub ended: Ended,
    /// Frames of it that its result leaves out, each with its reason.
    pub left_out: Vec<NightFault>,
}

impl NightJob {
    /// What the results depend on, beside the frames: all of the job but what the frames and
    /// the machine make different. A text to be compared within one version of the program,
    /// whose number stands beside it wherever it is kept.
    pub(crate) fn settings(&self, choice: &Choice) -> String {
        let stack = StackJob {
            inputs: Inputs {
                dark_scaling: self.stack.inputs.dark_scaling,
                ..Inputs::default()
            },
            memory_bytes: 0,
            scratch_dir: PathBuf::new(),
            ..self.stack(choice)
        };
        format!("{stack:?} {:?}", self.formats)
    }

    /// How sessions of a choice are stacked.
    pub(crate) fn stack(&self, choice: &Choice) -> StackJob {
        let mut stack = self.stack.clone();
        choice.put_into(&mut stack);
        stack
    }

    /// What would be done; nothing is written.
    ///
    /// # Errors
    ///
    /// When the root cannot be listed, holds no lights, or the output holds originals.
    pub fn plan(&self, watch: &dyn NightWatch) -> Result<NightPlan, JobError> {
        Place::existing(&self.output).refuse_originals(&self.root)?;
        let plan = NightPlan::of(self, watch)?;
        match plan.sessions.is_empty() && plan.skipped == 0 {
            true => Err(JobError::NoSessions {
                looked_at: plan.looked_at,
                left_out: plan.left_out,
            }),
            false => Ok(plan),
        }
    }

    /// Whether the result of a session is there, with the content it was made with.
    pub fn is_finished(&self, plan: &SessionPlan) -> bool {
        kept::is_finished(plan, &Place::existing(&self.output), Look::Contents)
    }

    /// How fast this machine does the sessions of a plan.
    pub fn speed(&self, plan: &NightPlan) -> Speed {
        Speed::of(&plan.sessions, &Place::existing(&self.output))
    }

    /// What a session takes.
    pub fn estimate(&self, plan: &SessionPlan, speed: &Speed) -> Estimate {
        estimate::estimate(plan, speed, &self.formats, &self.stack(&plan.choice))
    }

    /// Room on the disk that the results go to, bytes; `None` where the system does not say.
    pub fn room_bytes(&self) -> Option<u64> {
        let output = std::path::absolute(&self.output).ok()?;
        let there = output.ancestors().find(|folder| folder.is_dir())?;
        fs4::available_space(there).ok()
    }

    /// Does every session whose result is not there, and writes the index.
    ///
    /// # Errors
    ///
    /// When nothing can be done at all; see [`JobError`].
    pub fn run(&self, watch: &dyn NightWatch) -> Result<NightOutcome, JobError> {
        let (place, _lock, plan) = self.begin(watch)?;
        if let Err(error) = plan_file::save(&plan, self, &place) {
            // This run has it, and needs no file.
            watch.hear(&NightEvent::Note(&attempt::explain(&error)));
        }
        let mut forecast = Forecast::of(&plan.sessions, &place);
        let mut ended = Vec::new();
        for (i, session) in plan.sessions.iter().enumerate() {
            watch.hear(&NightEvent::Begins {
                session: &session.session,
                place: i + 1,
                of: plan.sessions.len(),
                left_s: forecast.left_s(i),
            });
            let (how, seconds) = self.attempt(session, &place, watch);
            if let Ended::Made(_) = how {
                forecast.learn(i, seconds);
            }
            ended.push(how);
        }
        let is_planned = |id: &str| plan.sessions.iter().any(|plan| plan.session.id == id);
        place.forget_failures_but(is_planned);
        // Every result was looked at closely, or made, right now.
        let mut night = collect::collect(&plan, &self.root, &place, Look::Lengths);
        add_reasons(&mut night, &ended, &place);
        collect::write(&night, &place)?;
        Ok(NightOutcome { night, ended })
    }

    /// Does a session and tells how it ended, and after how many seconds.
    fn attempt(
        &self,
        session: &SessionPlan,
        place: &Place,
        watch: &dyn NightWatch,
    ) -> (Ended, f64) {
        let begun = Instant::now();
        let how = attempt::attempt(session, self, place, watch);
        let seconds = begun.elapsed().as_secs_f64();
        watch.hear(&NightEvent::Ends {
            id: &session.session.id,
            how: &how,
            seconds,
        });
        (how, seconds)
    }

    /// Makes the plan and keeps it, so that jobs of single sessions need not.
    ///
    /// # Errors
    ///
    /// As [`plan`](Self::plan), and when the output cannot be written or another run is at it.
    pub fn keep_plan(&self, watch: &dyn NightWatch) -> Result<NightPlan, JobError> {
        let (place, _lock, plan) = self.begin(watch)?;
        plan_file::save(&plan, self, &place)?;
        Ok(plan)
    }

    /// Does one session, by its name.
    ///
    /// # Errors
    ///
    /// When there is no such session, or its frames are not those of the plan that was kept.
    pub fn run_session(
        &self,
        id: &str,
        watch: &dyn NightWatch,
    ) -> Result<SessionOutcome, JobError> {
        let place = Place::prepare(&self.output, &self.root)?;
        let session = self.find_session(id, &place, watch);
        let session = session.inspect_err(|_| place.abandon())?;
        watch.hear(&NightEvent::Begins {
            session: &session.session,
            place: 1,
            of: 1,
            left_s: None,
        });
        let (how, _) = self.attempt(&session, &place, watch);
        let result = match how {
            Ended::Made(_) | Ended::Kept => record(&place.done(id)),
            Ended::Failed(_) | Ended::Elsewhere(_) => None,
        };
        let result = result.and_then(|record| record.session.result);
        Ok(SessionOutcome {
            ended: how,
            left_out: result.map(|result| result.left_out).unwrap_or_default(),
        })
    }

    /// A session by its name: of the plan that was kept, or else of a new one.
    fn find_session(
        &self,
        id: &str,
        place: &Place,
        watch: &dyn NightWatch,
    ) -> Result<SessionPlan, JobError> {
        let of = |plan: NightPlan| plan.sessions.into_iter().find(|plan| plan.session.id == id);
        let Some(session) = plan_file::load(self, place).and_then(of) else {
            return of(self.plan(watch)?).ok_or_else(|| JobError::UnknownSession(id.to_owned()));
        };
        let files = session.files.iter().flat_map(|(_, files)| files.clone());
        match digest(&files.collect::<Vec<PathBuf>>()) == session.input_digest {
            true => Ok(session),
            false => Err(JobError::SessionChanged(id.to_owned())),
        }
    }

    /// Writes the index from what is there.
    ///
    /// # Errors
    ///
    /// When nothing is there, or the index cannot be written.
    pub fn collect(&self, watch: &dyn NightWatch) -> Result<Night, JobError> {
        let (place, lock) = self.enter(watch)?;
        let kept = plan_file::kept(self, &place);
        let is_known = kept.is_some();
        let night = match kept {
            Some(Kept { plan, fits: true }) => {
                collect::collect(&plan, &self.root, &place, Look::Contents)
            }
            Some(Kept { plan, .. }) => collect::collect_unlisted(Some(&plan), self, &place),
            None => collect::collect_unlisted(None, self, &place),
        };
        if night.sessions.is_empty() && !is_known {
            drop(lock);
            place.abandon();
            return Err(JobError::NothingDone { sessions: 0 });
        }
        collect::write(&night, &place)?;
        Ok(night)
    }

    /// Takes the output for the whole, and clears away what interrupted runs left.
    fn enter(&self, watch: &dyn NightWatch) -> Result<(Place, Lock), JobError> {
        let place = Place::prepare(&self.output, &self.root)?;
        let lock = place.lock()?;
        if let Some(holder) = &lock.stale {
            let note = format!("an earlier run did not end by itself ({holder}): carrying on");
            watch.hear(&NightEvent::Note(&note));
        }
        for leftover in place.clear_leftovers() {
            watch.hear(&NightEvent::Note(&leftover.to_string()));
        }
        Ok((place, lock))
    }

    /// Takes the output, and looks at everything.
    fn begin(&self, watch: &dyn NightWatch) -> Result<(Place, Lock, NightPlan), JobError> {
        let (place, lock) = self.enter(watch)?;
        match self.plan(watch) {
            Ok(plan) => Ok((place, lock, plan)),
            Err(error) => {
                drop(lock);
                place.abandon();
                Err(error)
            }
        }
    }
}

/// Puts into the index what could not be kept in the output: reasons of sessions that are
/// not done.
fn add_reasons(night: &mut Night, ended: &[Ended], place: &Place) {
    for (session, how) in night.sessions.iter_mut().zip(ended) {
        match how {
            Ended::Failed(reason) => {
                session.state = SessionState::Failed;
                session.reason = Some(reason.clone());
                session.result = None;
                session.log = place.log(&session.id, session.state);
            }
            Ended::Elsewhere(holder) if session.state == SessionState::Waiting => {
                session.reason = Some(format!("{holder} is at it"));
            }
            _ => {}
        }
    }
}
