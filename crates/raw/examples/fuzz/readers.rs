//! The worker: makes one file after the other and reads each in every way.

use crate::clock::Clock;
use crate::holds::samples_per_byte;
use crate::seeds::{Seed, seeds};
use crate::{MOST, Run};
use peakmem_alloc::{INSTRUMENTED_SYSTEM, PeakMemAlloc, PeakMemAllocTrait};
use radicand_raw::{
    DecodeOptions, DecoderProcess, SurveyOptions, collect_files, open, open_extension, read_plane,
    survey,
};
use std::alloc::System;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

#[global_allocator]
static ALLOCATOR: &PeakMemAlloc<System> = &INSTRUMENTED_SYSTEM;

/// A way to read a file: whether something came of it.
type Reader = (&'static str, fn(&Path, &DecodeOptions) -> bool);

const READERS: [Reader; 4] = [
    ("survey", |path, decode| {
        let options = SurveyOptions {
            decode: decode.clone(),
            threads: 1,
        };
        let found = collect_files(&[path.to_owned()]);
        let survey = survey(&found.files, &options);
        survey.files.iter().all(|file| match &file.outcome {
            Ok((frame, _)) => {
                let _ = frame.remarks();
                true
            }
            Err(error) => error.to_string().is_empty(),
        })
    }),
    ("open", |path, options| open(path, options).is_ok()),
    ("open_extension", |path, options| {
        matches!(open_extension(path, "VARIANCE", options), Ok(Some(_)))
    }),
    ("read_plane", |path, options| {
        read_plane(path, options).is_ok()
    }),
];

/// Reads the files of a run, and says on standard output what it is at.
pub fn work(run: &Run) {
    static BEGUN: Mutex<Clock> = Mutex::new(Clock::START);
    let seeds = seeds();
    *BEGUN.lock().unwrap_or_else(PoisonError::into_inner) = Clock::now();
    watch_over(&BEGUN);
    let options = DecodeOptions {
        decoder_process: std::env::current_exe().ok().map(DecoderProcess::new),
        ..DecodeOptions::default()
    };
    for number in run.first..run.first + run.files {
        let (seed, bytes) = run.file(&seeds, number);
        let path = run.dir.join(format!("mutated.{}", seed.extension()));
        println!("file\t{number}\t{}\t{}", seed.name, path.display());
        std::fs::write(&path, &bytes).expect("a writable folder");
        let most = most_bytes(seed, &bytes);
        drop(bytes);
        // A raw is opened as it is surveyed; only pictures take other ways.
        let n_ways = if seed.is_camera_raw { 1 } else { READERS.len() };
        for reader in &READERS[..n_ways] {
            *BEGUN.lock().unwrap_or_else(PoisonError::into_inner) = Clock::now();
            read(reader, &path, most, &options);
        }
    }
}

/// Memory that reading may take at a time, beside what the child takes for itself.
///
/// Sensor values of 2 bytes, and up to 8 planes of 4 bytes while they are looked at, come with
/// the file itself from as few bytes as the packing allows that the file states.
fn most_bytes(seed: &Seed, bytes: &[u8]) -> usize {
    const FIXED: usize = 4 << 20;
    const PER_SAMPLE: usize = 40;
    FIXED + bytes.len() * PER_SAMPLE * samples_per_byte(seed, bytes)
}

fn read((step, reader): &Reader, path: &Path, most: usize, options: &DecodeOptions) {
    println!("step\t{step}");
    ALLOCATOR.reset_peak_memory();
    let begun = Clock::now();
    let outcome = catch_unwind(AssertUnwindSafe(|| reader(path, options)));
    let milliseconds = begun.elapsed().as_millis();
    let taken = ALLOCATOR.get_peak_memory();
    match outcome {
        Ok(read) => {
            let outcome = if read { "read" } else { "refused" };
            let share = taken as f64 / most as f64;
            println!("done\t{outcome}\t{milliseconds}\t{share}");
            if taken > most {
                println!("wrong\t{taken} bytes taken at a time, {most} allowed");
            }
        }
        Err(_) => println!("wrong\tit panicked"),
    }
    if begun.elapsed() > MOST {
        println!("wrong\ttook {milliseconds} ms of processor time");
    }
}

/// Says so and ends this process when one way to read one file goes on for too long.
fn watch_over(at: &'static Mutex<Clock>) {
    const BETWEEN_LOOKS: Duration = Duration::from_millis(200);
    std::thread::spawn(move || {
        loop {
            std::thread::sleep(BETWEEN_LOOKS);
            let begun = *at.lock().unwrap_or_else(PoisonError::into_inner);
            if begun.elapsed() > MOST {
                println!("wrong\tgoes on after {MOST:?} of processor time");
                std::process::exit(1);
            }
        }
    });
}
