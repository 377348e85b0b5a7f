//! What can be typed after `radicand night`.

use crate::night::{Choices, NightJob};
use crate::picture_args::PictureArgs;
use crate::{GroundChoice, Inputs, JobError, StackJob};
use clap::Args;
use std::path::PathBuf;

/// Arguments of `night`.
#[derive(Debug, Args)]
pub struct NightArgs {
    /// Folder with all sessions, and with whatever darks, flats and bias frames there are
    #[arg(value_name = "ROOT")]
    pub root: PathBuf,
    /// Folder for the results, made if it is not there; of an earlier run what is finished
    /// stays
    #[arg(short, long)]
    pub output: PathBuf,
    /// Say what would be done, and what it takes, without doing it
    #[arg(long, conflicts_with_all = ["list_jobs", "collect", "session"])]
    pub dry_run: bool,
    /// Print a command line for each session, to be run in any order and on any machine
    #[arg(long, conflicts_with_all = ["collect", "session"])]
    pub list_jobs: bool,
    /// Do one session, and leave the index alone
    #[arg(long, value_name = "ID", conflicts_with = "collect")]
    pub session: Option<String>,
    /// Write the index from what is there
    #[arg(long)]
    pub collect: bool,
    /// Longest pause within a session, minutes
    #[arg(long, value_name = "MINUTES", default_value_t = 30.0, value_parser = parse_gap)]
    pub gap: f64,
    /// TOML file that says what differs from session to session; ROOT.toml beside the root
    /// when not given and there
    #[arg(long, value_name = "FILE.toml")]
    pub settings: Option<PathBuf>,
    /// How the pictures are made
    #[command(flatten)]
    pub picture: PictureArgs,
    /// Where the ground is: auto finds it, none takes everything for sky
    #[arg(long, value_name = "auto|none", default_value = "auto", value_parser = parse_ground)]
    pub ground: GroundChoice,
}

impl NightArgs {
    /// The job that is asked for.
    ///
    /// # Errors
    ///
    /// When the file of settings cannot be read.
    pub(crate) fn job(&self) -> Result<NightJob, JobError> {
        let mut stack = StackJob::new(Inputs::default());
        self.picture.put_into(&mut stack);
        stack.ground = self.ground.clone();
        const SECONDS_PER_MINUTE: f64 = 60.0;
        Ok(NightJob {
            root: self.root.clone(),
            output: self.output.clone(),
            stack,
            formats: self.picture.format.clone(),
            gap_s: SECONDS_PER_MINUTE * self.gap,
            choices: match self.settings_file() {
                Some(file) => Choices::read(&file)?,
                None => Choices::default(),
            },
        })
    }

    /// What was asked for and has no meaning beside what else was.
    pub(crate) fn conflict(&self) -> Option<String> {
        self.picture.conflict(&self.ground)
    }

    /// The file given, or else the one beside the root, when it is there.
    fn settings_file(&self) -> Option<PathBuf> {
        let beside = || {
            // A root such as `.` has its name elsewhere.
            let root = match self.root.file_name() {
                Some(_) => self.root.clone(),
                None => self.root.canonicalize().ok()?,
            };
            let mut name = root.file_name()?.to_owned();
            name.push(".toml");
            Some(root.with_file_name(name)).filter(|file| file.symlink_metadata().is_ok())
        };
        self.settings.clone().or_else(beside)
    }
}

fn parse_gap(text: &str) -> Result<f64, String> {
    let minutes: Option<f64> = text.parse().ok();
    let sensible = minutes.filter(|minutes| minutes.is_finite() && *minutes > 0.0);
    sensible.ok_or_else(|| format!("'{text}' is no number of minutes above 0"))
}

fn parse_ground(text: &str) -> Result<GroundChoice, String> {
    match text.parse()? {
        choice @ (GroundChoice::Auto | GroundChoice::None) => Ok(choice),
        _ => Err("for many sessions the ground is auto or none".to_owned()),
    }
}
