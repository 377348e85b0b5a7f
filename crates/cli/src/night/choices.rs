//! What differs from session to session, in a plain TOML file beside the root.
//!
//! ```toml
//! [[session]]
//! folder = "2026-01-19/pass"    # from the root; this folder and all below it
//! skip = true                   # not at all
//!
//! [[session]]
//! folder = "2026-02-02"
//! ground = "none"               # auto or none
//! combine = "median"            # as --combine
//! keep_all = true               # as --keep-all
//! darks = "library/winter"      # only from this folder and below; also flats, bias
//! ```

use crate::combine_args::{CombineArg, CombineArgs};
use crate::{Cull, GroundChoice, JobError, StackJob};
use clap::ValueEnum;
use raw::{FrameKind, printable};
use report::NightFault;
use serde::{Deserialize, Serialize};
use std::path::{Component, Path, PathBuf};

/// What is said of the sessions in a folder; what is not said stays as for all.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Choice {
    folder: PathBuf,
    skip: Option<bool>,
    ground: Option<String>,
    combine: Option<String>,
    keep_all: Option<bool>,
    darks: Option<PathBuf>,
    flats: Option<PathBuf>,
    bias: Option<PathBuf>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ChoiceFile {
    #[serde(default)]
    session: Vec<Choice>,
}

/// All that is said, in the order of the file.
#[derive(Clone, Debug, Default)]
pub struct Choices {
    /// Where it stands.
    file: PathBuf,
    entries: Vec<Choice>,
}

impl Choices {
    /// What stands in `file`; what makes no sense there is an error that names it.
    ///
    /// # Errors
    ///
    /// [`JobError::Settings`] with what is wrong, and where.
    pub fn read(file: &Path) -> Result<Self, JobError> {
        let wrong = |problem: String| JobError::Settings {
            path: file.to_owned(),
            problem,
        };
        let found = std::fs::metadata(file).map_err(|error| wrong(error.to_string()))?;
        // A pipe would never come to its end.
        if !found.is_file() {
            return Err(wrong("no file, but a folder, pipe or device".to_owned()));
        }
        let text = std::fs::read_to_string(file).map_err(|error| wrong(error.to_string()))?;
        let choices = Self::parse(&text).map_err(wrong)?;
        let file = file.to_owned();
        Ok(Self { file, ..choices })
    }

    fn parse(text: &str) -> Result<Self, String> {
        let file: ChoiceFile = toml::from_str(text).map_err(|error| error.to_string())?;
        let entries = file.session.into_iter().map(Choice::checked);
        Ok(Self {
            entries: entries.collect::<Result<_, _>>()?,
            ..Self::default()
        })
    }

    /// All that is said.
    pub(crate) fn entries(&self) -> &[Choice] {
        &self.entries
    }

    /// Makes sure that every folder spoken of is there, before anything is looked at.
    ///
    /// # Errors
    ///
    /// [`JobError::Settings`] with the entry that names another.
    pub(crate) fn check_folders(&self, root: &Path) -> Result<(), JobError> {
        for entry in &self.entries {
            for (key, folder) in entry.folders() {
                if !root.join(folder).is_dir() {
                    return Err(JobError::Settings {
                        path: self.file.clone(),
                        problem: format!(
                            "{}: there is no such folder in {}: give it as it lies there, or take \
                             the entry out",
                            line(key, folder),
                            printable(root)
                        ),
                    });
                }
            }
        }
        Ok(())
    }

    /// What is said and changes nothing, given whether frames of a kind lie in a folder, from
    /// the root, or below.
    pub(crate) fn idle(&self, holds: impl Fn(FrameKind, &Path) -> bool) -> Vec<NightFault> {
        let mut idle = Vec::new();
        for entry in &self.entries {
            for (key, folder) in entry.folders() {
                let (kind, what) = match key {
                    "darks" => (FrameKind::Dark, "darks lie"),
                    "flats" => (FrameKind::Flat, "flats lie"),
                    "bias" => (FrameKind::Bias, "bias frames lie"),
                    _ => (FrameKind::Light, "session lies"),
                };
                if !holds(kind, folder) {
                    idle.push(NightFault {
                        file: report::file_name(&self.file),
                        reason: format!(
                            "{}: no {what} there or below: correct the entry, or take it out; \
                             --dry-run shows what lies where",
                            line(key, folder)
                        ),
                    });
                }
            }
        }
        idle
    }

    /// What is said of a session whose lights lie in `folders`, given from the root, the one or
    /// the other of which may hold copies; of two entries the later one counts. It is to be
    /// skipped where it is in each of them.
    pub(crate) fn of(&self, folders: &[&Path]) -> Choice {
        let of_one = |folder: &&Path| self.of_those(std::slice::from_ref(folder)).skips();
        Choice {
            skip: Some(folders.iter().all(of_one)),
            ..self.of_those(folders)
        }
    }

    fn of_those(&self, folders: &[&Path]) -> Choice {
        let speaks = |entry: &&Choice| {
            let mut folders = folders.iter();
            folders.any(|folder| folder.starts_with(&entry.folder))
        };
        let entries = self.entries.iter().filter(speaks);
        entries.fold(Choice::default(), |sum, entry| Choice {
            folder: entry.folder.clone(),
            skip: entry.skip.or(sum.skip),
            ground: entry.ground.clone().or(sum.ground),
            combine: entry.combine.clone().or(sum.combine),
            keep_all: entry.keep_all.or(sum.keep_all),
            darks: entry.darks.clone().or(sum.darks),
            flats: entry.flats.clone().or(sum.flats),
            bias: entry.bias.clone().or(sum.bias),
        })
    }
}

impl Choice {
    /// The same, where it makes sense, with every folder as the search names it.
    fn checked(mut self) -> Result<Self, String> {
        self.folder = from_root("folder", &self.folder)?;
        for (key, folder) in [
            ("darks", &mut self.darks),
            ("flats", &mut self.flats),
            ("bias", &mut self.bias),
        ] {
            if let Some(folder) = folder {
                *folder = from_root(key, folder)?;
            }
        }
        self.check()?;
        Ok(self)
    }

    fn check(&self) -> Result<(), String> {
        let folder = self.folder.display();
        if let Some(ground) = &self.ground
            && !matches!(ground.as_str(), "auto" | "none")
        {
            return Err(format!(
                "ground of {folder}: '{ground}', needed auto or none"
            ));
        }
        if let Some(combine) = &self.combine
            && CombineArg::from_str(combine, false).is_err()
        {
            return Err(format!(
                "combine of {folder}: '{combine}' is no way to combine"
            ));
        }
        Ok(())
    }

    /// The folders it speaks of, each with its key.
    fn folders(&self) -> impl Iterator<Item = (&'static str, &Path)> {
        let only = [
            ("darks", &self.darks),
            ("flats", &self.flats),
            ("bias", &self.bias),
        ];
        let only = only.into_iter();
        let only = only.filter_map(|(key, folder)| Some((key, folder.as_deref()?)));
        std::iter::once(("folder", self.folder.as_path())).chain(only)
    }

    /// Whether the sessions are not to be done.
    pub fn skips(&self) -> bool {
        self.skip == Some(true)
    }

    /// The folder, from the root, that frames of `kind` have to come from.
    pub fn only(&self, kind: FrameKind) -> Option<&Path> {
        match kind {
            FrameKind::Dark => self.darks.as_deref(),
            FrameKind::Flat => self.flats.as_deref(),
            FrameKind::Bias => self.bias.as_deref(),
            FrameKind::Light => None,
        }
    }

    /// The job for these sessions, from that for all.
    pub fn put_into(&self, job: &mut StackJob) {
        if let Some(Ok(ground)) = self
            .ground
            .as_ref()
            .map(|ground| ground.parse::<GroundChoice>())
        {
            job.ground = ground;
        }
        if let Some(Ok(combine)) = self
            .combine
            .as_ref()
            .map(|name| CombineArg::from_str(name, false))
        {
            CombineArgs::of(combine).put_into(job);
        }
        match self.keep_all {
            Some(true) => job.cull.cull = Cull::Nothing,
            Some(false) => job.cull.cull = Cull::default(),
            None => {}
        }
    }
}

/// An entry's line, as it stands in the file.
fn line(key: &str, folder: &Path) -> String {
    format!("{key} = \"{}\"", printable(folder))
}

/// A folder under the root without what changes nothing, such as `./a/` for `a`.
fn from_root(key: &str, folder: &Path) -> Result<PathBuf, String> {
    let parts = folder
        .components()
        .filter(|part| *part != Component::CurDir);
    let parts: Vec<Component> = parts.collect();
    match parts
        .iter()
        .all(|part| matches!(part, Component::Normal(_)))
    {
        true => Ok(parts.iter().collect()),
        false => Err(format!(
            "{}: give the folder from the root, without .. and without a leading /",
            line(key, folder)
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folders_are_taken_as_the_search_names_them() {
        let text = "[[session]]\nfolder = \"./a//b/\"\nskip = true\ndarks = \"./library/.\"\n";
        let choices = Choices::parse(text).unwrap();
        assert!(choices.of(&[Path::new("a/b/c")]).skips());
        assert!(!choices.of(&[Path::new("a")]).skips());
        let darks = choices.of(&[Path::new("a/b")]);
        assert_eq!(darks.only(FrameKind::Dark), Some(Path::new("library")));
        let whole = Choices::parse("[[session]]\nfolder = \".\"\nskip = true\n").unwrap();
        assert!(whole.of(&[Path::new("a")]).skips() && whole.of(&[Path::new("")]).skips());
        for (key, folder) in [("folder", "../a"), ("folder", "/a"), ("flats", "a/../../b")] {
            let own = if key == "folder" {
                ""
            } else {
                "folder = \"a\"\n"
            };
            let problem = Choices::parse(&format!("[[session]]\n{own}{key} = \"{folder}\"\n"));
            let problem = problem.unwrap_err();
            assert!(
                problem.contains(key) && problem.contains(folder),
                "{problem}"
            );
        }
    }

    #[test]
    fn the_later_entry_counts_and_the_rest_stays() {
        let choices = Choices::parse(
            "[[session]]\nfolder = \"a\"\nground = \"none\"\nkeep_all = true\n\
             [[session]]\nfolder = \"a/b\"\nground = \"auto\"\ndarks = \"library\"\n",
        );
        let choices = choices.unwrap();
        let inner = choices.of(&[Path::new("a/b/c")]);
        assert_eq!(inner.ground.as_deref(), Some("auto"));
        assert_eq!(inner.keep_all, Some(true));
        assert_eq!(inner.only(FrameKind::Dark), Some(Path::new("library")));
        assert_eq!(inner.only(FrameKind::Flat), None);
        let elsewhere = choices.of(&[Path::new("ab")]);
        assert!(!elsewhere.skips() && elsewhere.ground.is_none());
        // A copy elsewhere is spoken of as well.
        let copied = choices.of(&[Path::new("ab"), Path::new("a/b")]);
        assert_eq!(copied.ground.as_deref(), Some("auto"));
    }

    #[test]
    fn what_is_skipped_stays_so_until_an_entry_says_otherwise() {
        let choices = Choices::parse(
            "[[session]]\nfolder = \"a\"\nskip = true\n\
             [[session]]\nfolder = \"a/b\"\nground = \"none\"\n\
             [[session]]\nfolder = \"a/b/c\"\nskip = false\n",
        );
        let choices = choices.unwrap();
        let skips = ["a", "a/b", "a/b/c"].map(|folder| choices.of(&[Path::new(folder)]).skips());
        assert_eq!(skips, [true, true, false]);
        let both = |other| choices.of(&[Path::new("a"), Path::new(other)]).skips();
        assert!(both("a/b") && !both("elsewhere"));
    }

    #[test]
    fn what_makes_no_sense_is_named() {
        for (text, says) in [
            ("[[session]]\nfolder = \"a\"\ncolour = 1\n", "colour"),
            (
                "[[session]]\nfolder = \"a\"\nground = \"maybe\"\n",
                "'maybe'",
            ),
            (
                "[[session]]\nfolder = \"a\"\ncombine = \"best\"\n",
                "'best'",
            ),
            ("[[session]]\nskip = true\n", "folder"),
            ("[[sessions]]\n", "sessions"),
        ] {
            let problem = Choices::parse(text).unwrap_err();
            assert!(problem.contains(says), "{problem}");
        }
    }
}
