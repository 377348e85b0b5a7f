//! The repository itself, held against its own rules.

use std::fs;
use std::path::{Path, PathBuf};

/// A file with more lines has more than one subject.
const MOST_LINES: usize = 600;

/// Folders that hold no sources.
const SKIPPED: [&str; 5] = ["target", "out", ".git", ".venv", "node_modules"];

/// Endings of the files that people write.
const TEXT: [&str; 6] = ["rs", "toml", "md", "py", "csv", "json"];

fn root() -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    root.canonicalize().expect("the repository is there")
}

fn entries(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).expect("a folder that can be listed");
    let mut paths: Vec<PathBuf> = entries.map(|e| e.expect("an entry").path()).collect();
    paths.sort();
    paths
}

/// Every file of the repository, in order.
fn files() -> Vec<PathBuf> {
    let mut files = Vec::new();
    let mut folders = vec![root()];
    while let Some(folder) = folders.pop() {
        for path in entries(&folder) {
            let name = path.file_name().unwrap_or_default().to_string_lossy();
            if !path.is_dir() {
                files.push(path);
            } else if !SKIPPED.contains(&name.as_ref()) {
                folders.push(path);
            }
        }
    }
    files.sort();
    files
}

fn has_ending(path: &Path, endings: &[&str]) -> bool {
    let ending = path.extension().unwrap_or_default().to_string_lossy();
    endings.contains(&ending.as_ref())
}

fn text(path: &Path) -> String {
    fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// Fails with one line for each file that breaks a rule.
#[track_caller]
fn check(paths: &[PathBuf], broken: impl Fn(&Path) -> Vec<String>) {
    assert!(!paths.is_empty(), "nothing was looked at");
    let root = root();
    let lines: Vec<String> = paths
        .iter()
        .flat_map(|path| {
            let name = path.strip_prefix(&root).unwrap_or(path).display();
            let what = broken(path).into_iter();
            what.map(|what| format!("{name}: {what}"))
                .collect::<Vec<_>>()
        })
        .collect();
    assert!(lines.is_empty(), "\n{}", lines.join("\n"));
}

fn sources() -> Vec<PathBuf> {
    let mut files = files();
    files.retain(|path| has_ending(path, &["rs"]));
    files
}

/// The manifests of the workspace's members.
fn manifests() -> Vec<PathBuf> {
    let mut manifests: Vec<PathBuf> = entries(&root().join("crates"))
        .into_iter()
        .map(|folder| folder.join("Cargo.toml"))
        .collect();
    manifests.extend(["tests", "benches"].map(|name| root().join(name).join("Cargo.toml")));
    manifests
}

#[test]
fn every_source_says_what_it_is_about() {
    check(&sources(), |path| {
        let says = text(path).starts_with("//! ");
        (!says)
            .then(|| "does not start with `//!`".to_owned())
            .into_iter()
            .collect()
    });
}

#[test]
fn no_source_is_longer_than_one_subject_needs() {
    check(&sources(), |path| {
        let lines = text(path).lines().count();
        (lines > MOST_LINES)
            .then(|| format!("{lines} lines, at most {MOST_LINES}"))
            .into_iter()
            .collect()
    });
}

#[test]
fn nothing_is_left_for_later_and_no_test_is_skipped() {
    // Put together here, so that this file does not find itself.
    let words = [
        concat!("to", "do!("),
        concat!("unimple", "mented!("),
        concat!("db", "g!("),
        concat!("#[ig", "nore"),
    ];
    check(&sources(), |path| found(&text(path), &words));
}

#[test]
fn no_path_of_a_single_machine_is_committed() {
    let words = [
        concat!("/ro", "ot/"),
        concat!("/wo", "rk/"),
        concat!("/ho", "me/"),
        concat!("/Us", "ers/"),
        concat!("C:", "\\Us", "ers"),
    ];
    let mut paths = files();
    paths.retain(|path| has_ending(path, &TEXT) || path.ends_with(".ci/run"));
    check(&paths, |path| found(&text(path), &words));
}

fn found(text: &str, words: &[&str]) -> Vec<String> {
    text.lines()
        .enumerate()
        .flat_map(|(i, line)| words.iter().map(move |word| (i + 1, line, word)))
        .filter(|(_, line, word)| line.contains(**word))
        .map(|(number, _, word)| format!("line {number} has `{word}`"))
        .collect()
}

#[test]
fn every_fixture_states_its_source() {
    let mut folders = entries(&root().join("fixtures"));
    folders.retain(|path| path.is_dir());
    check(&folders, |folder| {
        let stated = folder.join("README.md").is_file();
        (!stated)
            .then(|| "has no README.md".to_owned())
            .into_iter()
            .collect()
    });
}

#[test]
fn members_take_version_licence_and_lints_from_the_workspace() {
    let needed = [
        "version.workspace = true",
        "edition.workspace = true",
        "rust-version.workspace = true",
        "license.workspace = true",
        "publish.workspace = true",
        "[lints]\nworkspace = true",
    ];
    check(&manifests(), |path| {
        let manifest = text(path);
        let missing = needed.iter().filter(|line| !manifest.contains(**line));
        missing.map(|line| format!("lacks `{line}`")).collect()
    });
}

#[test]
fn crates_use_what_they_depend_on() {
    let mut crates = entries(&root().join("crates"));
    crates.retain(|path| path.is_dir());
    let sources = sources();
    check(&crates, |folder| {
        let own: String = sources
            .iter()
            .filter(|path| path.starts_with(folder))
            .map(|path| text(path))
            .collect();
        let unused = dependencies(&text(&folder.join("Cargo.toml")))
            .into_iter()
            .filter(|name| !uses(&own, name));
        unused.map(|name| format!("does not use {name}")).collect()
    });
}

/// Names under which a manifest's dependencies are known in the code.
fn dependencies(manifest: &str) -> Vec<String> {
    let mut inside = false;
    let mut names = Vec::new();
    for line in manifest.lines() {
        if line.starts_with('[') {
            inside = line.ends_with("dependencies]");
        } else if let (true, Some((name, _))) = (inside, line.split_once(['.', ' ', '='])) {
            let name = match name {
                // The one package whose library has another name.
                "kamadak-exif" => "exif",
                name => name,
            };
            if !name.is_empty() && !name.starts_with('#') {
                names.push(name.replace('-', "_"));
            }
        }
    }
    names
}

/// Whether a crate's name stands in a path or as a whole in a `use`.
fn uses(code: &str, name: &str) -> bool {
    let part_of_word = |c: char| c.is_alphanumeric() || c == '_';
    code.match_indices(name).any(|(at, _)| {
        let after = &code[at + name.len()..];
        let whole = !code[..at].ends_with(part_of_word) && !after.starts_with(part_of_word);
        whole && (after.starts_with("::") || code[..at].ends_with("use "))
    })
}

#[test]
fn links_between_documents_lead_somewhere() {
    let mut documents = files();
    documents.retain(|path| has_ending(path, &["md"]));
    check(&documents, |path| {
        let folder = path.parent().expect("a file is in a folder");
        let broken = links(&text(path)).into_iter().filter(|link| {
            let (file, heading) = link.split_once('#').unwrap_or((link, ""));
            let target = match file {
                "" => path.to_owned(),
                _ => folder.join(file),
            };
            !target.exists() || !(heading.is_empty() || has_heading(&target, heading))
        });
        broken.map(|link| format!("nothing at `{link}`")).collect()
    });
}

/// Targets of the links inside the repository; code is no place for links.
fn links(markdown: &str) -> Vec<String> {
    let mut links = Vec::new();
    let mut in_code = false;
    for line in markdown.lines() {
        if line.starts_with("```") {
            in_code = !in_code;
        }
        if in_code || line.starts_with("    ") {
            continue;
        }
        for part in line.split("](").skip(1) {
            let link = part.split(')').next().unwrap_or_default();
            if !link.contains("://") && !link.starts_with("mailto:") {
                links.push(link.to_owned());
            }
        }
    }
    links
}

/// Whether a document has a heading that a link would call `wanted`: small letters,
/// hyphens for spaces, no punctuation.
fn has_heading(document: &Path, wanted: &str) -> bool {
    let slug = |heading: &str| -> String {
        let heading = heading.trim_start_matches('#').trim().to_lowercase();
        let kept = heading
            .chars()
            .filter(|c| c.is_alphanumeric() || " -_".contains(*c));
        kept.map(|c| if c == ' ' { '-' } else { c }).collect()
    };
    let headings = text(document);
    let mut headings = headings.lines().filter(|line| line.starts_with('#'));
    headings.any(|heading| slug(heading) == wanted)
}
