//! What can go wrong between a file and a frame.

use crate::Decoder;
use crate::printable::{printable, without_controls};
use std::path::{Path, PathBuf};

/// A file that gave no frame. Other files are unaffected.
#[derive(Debug, thiserror::Error)]
#[error("{}: {fault}", printable(path))]
pub struct DecodeError {
    /// The file.
    pub path: PathBuf,
    /// What is wrong with it.
    #[source]
    pub fault: DecodeFault,
}

impl DecodeError {
    pub(crate) fn new(path: &Path, fault: DecodeFault) -> Self {
        Self {
            path: path.to_owned(),
            fault,
        }
    }
}

/// Why a file gave no frame.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum DecodeFault {
    /// The operating system would not hand out the file; trying again may help.
    #[error("cannot be read: {0}")]
    Io(#[from] std::io::Error),
    /// The file has no bytes: a copy that never began.
    #[error("the file is empty")]
    Empty,
    /// The content is something else, whatever the name says.
    #[error("not a raw frame: the content is {found}")]
    NotARaw {
        /// What the first bytes are, such as "a JPEG picture".
        found: &'static str,
    },
    /// The file ends early: a copy that broke off, or a full card.
    #[error("the file ends early: {what} needs {needed} bytes, {found} found")]
    Truncated {
        /// What does not fit.
        what: String,
        /// Least length of the file, bytes.
        needed: u64,
        /// Its length, bytes.
        found: u64,
    },
    /// The content contradicts itself or its standard.
    #[error("the file is damaged: {0}")]
    Malformed(String),
    /// A valid file of a sort that is not read here.
    #[error("not supported: {0}")]
    Unsupported(String),
    /// The file asks for more than is allowed.
    #[error("{what}: {asked} asked, {allowed} allowed")]
    LimitExceeded {
        /// What was asked for, with its unit.
        what: &'static str,
        /// How much.
        asked: u64,
        /// How much [`DecodeOptions`](crate::DecodeOptions) allows.
        allowed: u64,
    },
    /// Every decoder that was tried gave up.
    #[error("no decoder can read it: {}", join(tried))]
    Undecodable {
        /// Each decoder and what it said.
        tried: Vec<(Decoder, String)>,
    },
}

fn join(tried: &[(Decoder, String)]) -> String {
    let said: Vec<_> = tried
        .iter()
        .map(|(decoder, said)| {
            // What a decoder says may quote the file.
            let said = without_controls(said.trim());
            format!("{} says \"{said}\"", decoder.name())
        })
        .collect();
    said.join("; ")
}
