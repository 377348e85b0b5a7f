//! A command line for each session, to be run by a shell.

use super::{complain_of, line};
use crate::JobError;
use crate::commands::{Console, Done};
use crate::night::NightPlan;
use serde_json::json;
use std::ffi::{OsStr, OsString};

/// Prints the command of each session: this very one, for one session.
pub(super) fn list(plan: &NightPlan, console: &Console) -> Result<Done, JobError> {
    let typed: Vec<OsString> = std::env::args_os().collect();
    for session in &plan.sessions {
        let id = &session.session.id;
        let command = command(&typed, id)?;
        console.answer(&command);
        console.emit(&line(
            &json!({ "event": "job", "session": id, "command": command }),
        ));
    }
    complain_of(&plan.left_out, &plan.idle_settings, console);
    Ok(Done::given(plan.n_left_out()))
}

/// The command line that was typed, for one session.
fn command(typed: &[OsString], id: &str) -> Result<String, JobError> {
    let words = typed.iter().filter(|arg| *arg != "--json");
    let words = words.map(|arg| match arg == "--list-jobs" {
        // In its place, since nothing after `--` is an option.
        true => Ok(format!("--session {id}")),
        false => quote(arg),
    });
    Ok(words.collect::<Result<Vec<String>, JobError>>()?.join(" "))
}

/// A word as a POSIX shell takes it: in single quotes where it is not plain.
fn quote(word: &OsStr) -> Result<String, JobError> {
    let text = word
        .to_str()
        .filter(|text| !text.contains(['\n', '\r', '\0']));
    let text = text.ok_or_else(|| JobError::Unquotable(word.into()))?;
    let plain = |c: char| c.is_ascii_alphanumeric() || "-_./=,:+@".contains(c);
    match !text.is_empty() && text.chars().all(plain) {
        true => Ok(text.to_owned()),
        false => Ok(format!("'{}'", text.replace('\'', r"'\''"))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_quoted_for_a_shell() {
        for (word, quoted) in [
            ("night", "night"),
            ("my nights", "'my nights'"),
            ("it's", r"'it'\''s'"),
            ("$(rm -r x)", "'$(rm -r x)'"),
            ("", "''"),
        ] {
            assert_eq!(quote(word.as_ref()).unwrap(), quoted);
        }
        assert!(quote("a\nb".as_ref()).is_err());
    }

    #[test]
    fn a_job_is_the_same_command_for_one_session() {
        let typed = [
            "radicand",
            "night",
            "my root",
            "--list-jobs",
            "-o",
            "out",
            "--json",
        ];
        let typed = typed.map(OsString::from);
        assert_eq!(
            command(&typed, "2026-01-19_210405_n12_0a1b2c3d4e").unwrap(),
            "radicand night 'my root' --session 2026-01-19_210405_n12_0a1b2c3d4e -o out"
        );
    }
}
