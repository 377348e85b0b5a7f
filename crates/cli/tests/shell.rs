//! Completions and man pages: made of the command line as it is.

mod support;

use std::path::Path;
use support::radicand_ends;

const COMMANDS: [&str; 9] = [
    "demo", "survey", "plan", "stack", "measure", "compare", "blend", "night", "simulate",
];

fn here() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Long options of a command, by its help.
fn options(command: &str) -> Vec<String> {
    let help = radicand_ends(here(), &[command, "--help"], 0).stdout;
    let mut options: Vec<String> = help
        .lines()
        .filter_map(|line| {
            let line = line.trim_start();
            let at = line.starts_with('-').then(|| line.find("--"))??;
            let name = line[at + 2..].split([' ', '.', ',']).next()?;
            Some(name.to_owned())
        })
        .collect();
    options.retain(|name| !["help", "version"].contains(&name.as_str()));
    assert!(options.len() >= 3, "{command}: {options:?}");
    options
}

#[test]
fn every_shell_completes_every_command_and_option() {
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let script = radicand_ends(here(), &["completions", shell], 0).stdout;
        for command in COMMANDS {
            assert!(script.contains(command), "{shell} lacks {command}");
        }
        for option in options("plan").into_iter().chain(options("stack")) {
            assert!(script.contains(&option), "{shell} lacks --{option}");
        }
    }
    let json = radicand_ends(here(), &["completions", "fish", "--json"], 0).stdout;
    let json: serde_json::Value = serde_json::from_str(&json).expect("JSON and nothing else");
    let script = radicand_ends(here(), &["completions", "fish"], 0).stdout;
    assert_eq!(json["script"], script);
    let wrong = radicand_ends(here(), &["completions", "abacus"], 2);
    assert!(wrong.stderr.contains("abacus"), "{}", wrong.stderr);
}

#[test]
fn every_command_has_a_page_with_all_its_options() {
    let temp = tempfile::tempdir().expect("a folder");
    let run = |status| radicand_ends(temp.path(), &["manual", "-o", "man"], status);
    run(0);
    let page = |name: &str| {
        let path = temp.path().join("man").join(name);
        let page = std::fs::read_to_string(&path);
        page.unwrap_or_else(|error| panic!("{name}: {error}"))
    };
    let program = page("radicand.1");
    for command in COMMANDS {
        assert!(program.contains(command), "radicand.1 lacks {command}");
        let own = page(&format!("radicand-{command}.1"));
        assert!(own.contains(".SH OPTIONS"), "{command}: {own}");
        // A hyphen is escaped in roff, so that it stays one.
        for option in options(command) {
            let escaped = option.replace('-', "\\-");
            assert!(own.contains(&escaped), "{command} lacks --{option}");
        }
    }
    // What is there stays, unless asked.
    assert!(run(1).stderr.contains("--overwrite"));
    radicand_ends(temp.path(), &["manual", "-o", "man", "--overwrite"], 0);
}
