//! The foreign decoders, in a process of their own.
//!
//! A hostile file can make them ask for more memory than there is, which ends the process
//! that asks, or keep them busy for minutes. So the program starts itself again with one
//! hidden argument: that child gets the file on its standard input, limits itself, decodes,
//! writes one [message](message) to its standard output, and ends.
//!
//! It inherits an empty environment, the root folder, and three open files; see
//! [`limits`] for what it may take.

use crate::Decoder;
use crate::decode::RawFile;
use crate::foreign::Decoded;
use crate::packing;
use std::ffi::OsString;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::Duration;

mod limits;
mod message;
mod worker;

use limits::Limits;
use message::{Caps, Refusal, read_answer};

/// The hidden argument that makes a program a decoding child; see [`run_child`].
pub const CHILD_ARGUMENT: &str = "__decode-one-file";

/// How to start the process in which foreign decoders run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DecoderProcess {
    /// A program that hands its arguments to [`run_child`] first; usually itself.
    pub program: PathBuf,
    /// Address space the child may take at most, bytes; for small files it is less.
    /// Default 4 GiB. Unix only, as is a limit of its processor time that follows from the
    /// size of the file.
    pub memory_limit_bytes: u64,
    /// Time it may take for one file, whatever it is waiting for. Default 60 s.
    pub timeout: Duration,
}

impl DecoderProcess {
    /// `program` with the default limits.
    pub fn new(program: impl Into<PathBuf>) -> Self {
        Self {
            program: program.into(),
            memory_limit_bytes: 4 << 30,
            timeout: Duration::from_secs(60),
        }
    }

    /// What `decoder` makes of a file, or why there is nothing.
    pub(crate) fn ask(&self, decoder: Decoder, file: &RawFile) -> Result<Decoded, String> {
        let limits = Limits::of_file(file.bytes.len(), self.memory_limit_bytes);
        let caps = Caps {
            max_pixels: file.options.max_pixels,
            max_samples: packing::most_samples(file.bytes.len()).min(limits.memory_bytes / 2),
        };
        let input = File::open(file.path).map_err(|error| error.to_string())?;
        let mut child = self
            .command(decoder, limits, file.path)
            .stdin(input)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|error| format!("cannot start {}: {error}", self.program.display()))?;
        let answer = match self.wait_for_answer(&mut child, caps) {
            Err(Some(Refusal::BrokeOff(what))) => Err(match end_of(&mut child) {
                Some(status) => ended(&what, status, limits),
                None => what,
            }),
            Err(Some(Refusal::Said(what))) => Err(what),
            Err(None) => Err(format!("no answer within {} s", self.timeout.as_secs_f32())),
            Ok(answer) => Ok(answer),
        };
        // Either it has ended or it is not worth waiting for.
        let _ = child.kill();
        let _ = child.wait();
        answer
    }

    fn command(&self, decoder: Decoder, limits: Limits, path: &Path) -> Command {
        let mut command = Command::new(&self.program);
        command
            .arg(CHILD_ARGUMENT)
            .arg(decoder.name())
            .args(limits.to_args())
            .arg(path);
        #[cfg(unix)]
        {
            let threads = std::thread::available_parallelism().map_or(1, usize::from);
            let threads = threads.min(limits::MAX_THREADS).to_string();
            command.env_clear().env("RAYON_NUM_THREADS", threads);
            // A program that is named by a path from here would not be found from there.
            if self.program.is_absolute() {
                command.current_dir("/");
            }
        }
        command
    }

    /// The answer; `None` as the refusal when the time is over.
    fn wait_for_answer(&self, child: &mut Child, caps: Caps) -> Result<Decoded, Option<Refusal>> {
        let broken = |what: &str| Some(Refusal::BrokeOff(what.to_owned()));
        let mut stdout = child.stdout.take().ok_or_else(|| broken("no pipe to it"))?;
        let (sender, receiver) = channel();
        std::thread::spawn(move || {
            // The receiver is gone after a timeout; then nobody wants the answer.
            let _ = sender.send(read_answer(&mut stdout, caps));
        });
        match receiver.recv_timeout(self.timeout) {
            Ok(answer) => answer.map_err(Some),
            Err(RecvTimeoutError::Timeout) => Err(None),
            Err(RecvTimeoutError::Disconnected) => Err(broken("its answer was lost")),
        }
    }
}

/// How a child that has closed its output ended; it may take a moment to do so.
fn end_of(child: &mut Child) -> Option<ExitStatus> {
    const N_LOOKS: u32 = 100;
    const BETWEEN_LOOKS: Duration = Duration::from_millis(10);
    (0..N_LOOKS).find_map(|_| {
        let ended = child.try_wait().ok()?;
        if ended.is_none() {
            std::thread::sleep(BETWEEN_LOOKS);
        }
        ended
    })
}

/// What broke off, and by which limit where its end tells.
fn ended(what: &str, status: ExitStatus, limits: Limits) -> String {
    #[cfg(unix)]
    {
        use rustix::process::Signal;
        use std::os::unix::process::ExitStatusExt;
        let Limits {
            memory_bytes,
            cpu_s,
        } = limits;
        if status.signal() == Some(Signal::XCPU.as_raw()) {
            return format!("not done after {cpu_s} s of processor time, all it may take");
        }
        if status.signal() == Some(Signal::ABORT.as_raw()) {
            let megabytes = memory_bytes / 1_000_000;
            return format!(
                "{what}; it ended with {status}, as for want of memory ({megabytes} MB allowed)"
            );
        }
    }
    #[cfg(not(unix))]
    let _ = limits;
    format!("{what}; it ended with {status}")
}

/// The child's side: when `args` (without the program's name) begin with
/// [`CHILD_ARGUMENT`], decodes the file on standard input, writes the answer to standard
/// output and returns the exit status to end with.
///
/// `None` when the arguments ask for something else. A program that names itself in
/// [`DecoderProcess`] calls this before anything else:
///
/// ```no_run
/// let args: Vec<_> = std::env::args_os().skip(1).collect();
/// if let Some(status) = radicand_raw::run_child(&args) {
///     std::process::exit(status);
/// }
/// ```
pub fn run_child(args: &[OsString]) -> Option<i32> {
    match args {
        [argument, decoder, memory_bytes, cpu_s, path] if argument == CHILD_ARGUMENT => {
            let decoder = [Decoder::Rawloader, Decoder::Rawler]
                .into_iter()
                .find(|known| decoder == known.name());
            let limits = Limits::from_args(memory_bytes, cpu_s);
            Some(worker::work(decoder, limits, Path::new(path)))
        }
        _ => None,
    }
}
