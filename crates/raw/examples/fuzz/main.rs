//! Many mutated files through every reader: `cargo run -p radicand-raw --example fuzz`
//!
//! Each file is read by a worker, which is this program again, so that whatever happens to
//! it is seen from outside: a panic, an end by a signal, more than ten seconds of processor
//! time for one way to read, no word for three minutes, or more memory at a time than the
//! size of the file allows. Such files are kept in the folder `--finds`. The files follow
//! from `--seed` alone.
#![allow(clippy::print_stdout, reason = "this program's job is to print")]

#[path = "../../tests/support/mod.rs"]
mod support;

mod clock;
mod holds;
mod readers;
mod seeds;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use seeds::Seed;
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::{Duration, Instant};

/// Processor time that one way to read one file may take.
const MOST: Duration = Duration::from_secs(10);
/// Time that a worker may be silent: it waits for ever, since a decoding child is given a
/// minute for each of the two decoders, and everything else is bounded by [`MOST`] on a
/// machine that is not hopelessly busy.
const LONGEST_SILENCE: Duration = Duration::from_secs(180);
const WORKER: &str = "__read-mutated-files";

fn main() {
    let args: Vec<_> = std::env::args_os().skip(1).collect();
    if let Some(status) = radicand_raw::run_child(&args) {
        std::process::exit(status);
    }
    let args: Vec<String> = args
        .iter()
        .map(|arg| arg.to_string_lossy().into_owned())
        .collect();
    let option = |name: &str| {
        let at = args.iter().position(|arg| arg == name)?;
        args.get(at + 1).cloned()
    };
    let number = |name: &str, default| match option(name) {
        Some(text) => text.parse().expect("a whole number"),
        None => default,
    };
    let run = Run {
        seed: number("--seed", 1),
        first: number("--first", 0),
        files: number("--files", 20_000),
        dir: option("--dir").map_or_else(std::env::temp_dir, PathBuf::from),
    };
    if args.first().is_some_and(|arg| arg == WORKER) {
        return readers::work(&run);
    }
    let finds = option("--finds").map_or_else(|| PathBuf::from("fuzz-finds"), PathBuf::from);
    std::process::exit(i32::from(supervise(run, &finds) > 0));
}

/// Which files are made.
struct Run {
    seed: u64,
    first: u64,
    files: u64,
    /// Where the file at hand is written.
    dir: PathBuf,
}

impl Run {
    /// The mutated file of a number, and the seed it comes from.
    fn file<'a>(&self, seeds: &'a [Seed], number: u64) -> (&'a Seed, Vec<u8>) {
        let mut rng = ChaCha8Rng::seed_from_u64(self.seed);
        rng.set_stream(number);
        let seed = seeds::choose(seeds, &mut rng);
        let other = seeds::choose(seeds, &mut rng);
        let mut bytes = seed.bytes.clone();
        // Some stay whole: what is sound has to be read under the same limits.
        if rng.random_range(0..50) > 0 {
            support::mutate::mutate(&mut bytes, &other.bytes, &mut rng);
        }
        (seed, bytes)
    }
}

/// What a worker last said.
#[derive(Default)]
struct Told {
    number: u64,
    seed: String,
    path: PathBuf,
    step: String,
}

/// Runs workers until every file is read; returns how many finds there were.
fn supervise(mut run: Run, finds: &Path) -> usize {
    let temp = tempfile::tempdir_in(&run.dir).expect("a writable folder");
    run.dir = temp.path().to_owned();
    let begun = Instant::now();
    let end = run.first + run.files;
    let mut tally = Tally::default();
    while run.first < end {
        let (mut worker, lines) = start(&run, end);
        let mut told = Told {
            number: run.first,
            ..Told::default()
        };
        let wrong = follow(&lines, &mut told, &mut tally);
        let _ = worker.kill();
        let status = worker.wait().expect("it was started here");
        match wrong {
            None if status.success() => break,
            None => tally.find(&told, &format!("ended with {status}"), finds),
            Some(what) => tally.find(&told, &what, finds),
        }
        run.first = told.number + 1;
    }
    tally.print(begun.elapsed());
    tally.finds
}

fn start(run: &Run, end: u64) -> (Child, Receiver<String>) {
    let program = std::env::current_exe().expect("a running program has a path");
    let mut worker = Command::new(program)
        .arg(WORKER)
        .args(["--seed", &run.seed.to_string()])
        .args(["--first", &run.first.to_string()])
        .args(["--files", &(end - run.first).to_string()])
        .arg("--dir")
        .arg(&run.dir)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the worker starts");
    let stdout = worker.stdout.take().expect("it is a pipe");
    let (sender, lines) = channel();
    std::thread::spawn(move || {
        for line in BufReader::new(stdout).lines().map_while(Result::ok) {
            if sender.send(line).is_err() {
                break;
            }
        }
    });
    (worker, lines)
}

/// Listens until the worker ends, or until something is wrong with the file it is at, and says
/// what.
fn follow(lines: &Receiver<String>, told: &mut Told, tally: &mut Tally) -> Option<String> {
    loop {
        let line = match lines.recv_timeout(LONGEST_SILENCE) {
            Ok(line) => line,
            Err(RecvTimeoutError::Timeout) => return Some(format!("hangs: {LONGEST_SILENCE:?}")),
            Err(RecvTimeoutError::Disconnected) => return None,
        };
        let words: Vec<&str> = line.splitn(4, '\t').collect();
        match words[..] {
            ["file", number, seed, path] => {
                tally.files += 1;
                *told = Told {
                    number: number.parse().expect("a number"),
                    seed: seed.to_owned(),
                    path: path.into(),
                    step: "writing".to_owned(),
                };
            }
            ["step", step] => told.step = step.to_owned(),
            ["done", outcome, milliseconds, peak] => {
                let key = format!("{:<12} {outcome}", told.step);
                *tally.outcomes.entry(key).or_default() += 1;
                let milliseconds: u64 = milliseconds.parse().expect("a number");
                if milliseconds > tally.slowest.0 {
                    tally.slowest = (milliseconds, told.number, told.seed.clone());
                }
                let peak: f64 = peak.parse().expect("a number");
                if peak > tally.largest.0 {
                    tally.largest = (peak, told.number, told.seed.clone());
                }
            }
            ["wrong", ref what @ ..] => return Some(what.join(" ")),
            _ => {}
        }
    }
}

#[derive(Default)]
struct Tally {
    files: usize,
    finds: usize,
    outcomes: BTreeMap<String, usize>,
    /// Milliseconds of processor time, number and seed of the slowest reading.
    slowest: (u64, u64, String),
    /// Share of the memory allowed, number and seed of the largest.
    largest: (f64, u64, String),
}

impl Tally {
    fn find(&mut self, told: &Told, what: &str, finds: &Path) {
        self.finds += 1;
        let name = told.path.extension().unwrap_or_default().to_string_lossy();
        let kept = finds.join(format!("{:05}.{name}", told.number));
        let copied = std::fs::create_dir_all(finds).and_then(|()| std::fs::copy(&told.path, &kept));
        println!(
            "file {} of {}, {}: {what}; {}",
            told.number,
            told.seed,
            told.step,
            match copied {
                Ok(_) => kept.display().to_string(),
                Err(error) => format!("not kept: {error}"),
            }
        );
    }

    fn print(&self, took: Duration) {
        let Self { files, finds, .. } = self;
        let seconds = took.as_secs_f64();
        println!("{files} files in {seconds:.0} s: {finds} finds");
        for (outcome, n) in &self.outcomes {
            println!("  {n:>6}  {outcome}");
        }
        let (milliseconds, number, seed) = &self.slowest;
        println!("slowest: {milliseconds} ms of processor time, file {number} of {seed}");
        let (share, number, seed) = &self.largest;
        println!("most memory: {share:.3} of what is allowed, file {number} of {seed}");
    }
}
