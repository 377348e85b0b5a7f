//! The second decoder, rawler, in a process of its own.
//!
//! rawler knows recent cameras, but a hostile file can make it ask for more memory than
//! there is, which ends the process that asks. So the program starts itself again with
//! one hidden argument: that child limits its own address space, decodes one file,
//! writes one [message](message) to its standard output, and ends.

use crate::decode::{Decode, RawFile};
use crate::dng::Linear;
use crate::sensor::Sensor;
use crate::{DecodeFault, Decoder};
use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::Duration;

mod message;
mod worker;

use message::{Answer, Caps, Refusal};

/// The hidden argument that makes a program a decoding child; see [`run_child`].
pub const CHILD_ARGUMENT: &str = "__decode-one-file";

/// How to start the second decoder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RawlerProcess {
    /// A program that hands its arguments to [`run_child`] first; usually itself.
    pub program: PathBuf,
    /// Address space the child may take, bytes. Default 4 GiB. Unix only.
    pub memory_limit_bytes: u64,
    /// Time it may take for one file. Default 60 s.
    pub timeout: Duration,
}

impl RawlerProcess {
    /// `program` with the default limits.
    pub fn new(program: impl Into<PathBuf>) -> Self {
        Self {
            program: program.into(),
            memory_limit_bytes: 4 << 30,
            timeout: Duration::from_secs(60),
        }
    }

    fn ask(&self, path: &Path, caps: Caps) -> Result<Answer, String> {
        let mut child = Command::new(&self.program)
            .arg(CHILD_ARGUMENT)
            .arg(self.memory_limit_bytes.to_string())
            .arg(path)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|error| format!("cannot start {}: {error}", self.program.display()))?;
        let answer = self.wait_for_answer(&mut child, caps);
        let answer = match answer {
            Err(Some(Refusal::BrokeOff(what))) => Err(match end_of(&mut child) {
                Some(status) => format!("{what}; it ended with {status}"),
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

    /// The answer; `None` as the refusal when the time is over.
    fn wait_for_answer(&self, child: &mut Child, caps: Caps) -> Result<Answer, Option<Refusal>> {
        let broken = |what: &str| Some(Refusal::BrokeOff(what.to_owned()));
        let mut stdout = child.stdout.take().ok_or_else(|| broken("no pipe to it"))?;
        let (sender, receiver) = channel();
        std::thread::spawn(move || {
            // The receiver is gone after a timeout; then nobody wants the answer.
            let _ = sender.send(Answer::read(&mut stdout, caps));
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

impl Decode for RawlerProcess {
    fn name(&self) -> Decoder {
        Decoder::Rawler
    }

    fn decode(&self, file: &RawFile) -> Result<Sensor, DecodeFault> {
        let said = |said| DecodeFault::Undecodable {
            tried: vec![(Decoder::Rawler, said)],
        };
        let caps = Caps {
            max_pixels: file.options.max_pixels,
        };
        let Answer { header, samples } = self.ask(file.path, caps).map_err(&said)?;
        match &file.dng {
            Some(dng) if (header.width, header.height) == dng.size() => {
                Ok(dng.sensor(samples, Linear::Already))
            }
            _ => header.into_sensor(samples),
        }
    }
}

/// The child's side: when `args` (without the program's name) begin with
/// [`CHILD_ARGUMENT`], decodes the file they name, writes the answer to standard output
/// and returns the exit status to end with.
///
/// `None` when the arguments ask for something else. A program that names itself in
/// [`RawlerProcess`] calls this before anything else:
///
/// ```no_run
/// let args: Vec<_> = std::env::args_os().skip(1).collect();
/// if let Some(status) = radicand_raw::run_child(&args) {
///     std::process::exit(status);
/// }
/// ```
pub fn run_child(args: &[OsString]) -> Option<i32> {
    match args {
        [argument, memory_limit_bytes, path] if argument == CHILD_ARGUMENT => {
            let limit = memory_limit_bytes
                .to_str()
                .and_then(|text| text.parse().ok());
            Some(worker::work(limit, Path::new(path)))
        }
        _ => None,
    }
}
