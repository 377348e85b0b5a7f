//! The child's work: read one file from standard input, limit itself, decode, answer.

use super::limits::Limits;
use super::message::write_answer;
use crate::Decoder;
use crate::foreign::{Decoded, by_rawler, by_rawloader};
use crate::quiet::quiet_this_thread;
use std::io::Read;
use std::path::Path;

/// Decodes what stands on standard input and answers on standard output; returns the exit
/// status. `path` is for messages, and is not opened.
pub(super) fn work(decoder: Option<Decoder>, limits: Option<Limits>, path: &Path) -> i32 {
    quiet_this_thread();
    let answer = decode(decoder, limits, path);
    let written = write_answer(&answer, &mut std::io::stdout().lock());
    i32::from(answer.is_err() || written.is_err())
}

fn decode(
    decoder: Option<Decoder>,
    limits: Option<Limits>,
    path: &Path,
) -> Result<Decoded, String> {
    limits.ok_or("no limits were given")?.enforce()?;
    let mut bytes = Vec::new();
    std::io::stdin()
        .lock()
        .read_to_end(&mut bytes)
        .map_err(|error| error.to_string())?;
    match decoder {
        Some(Decoder::Rawloader) => by_rawloader::decode(&bytes),
        Some(Decoder::Rawler) => by_rawler::decode(bytes, path),
        _ => Err("no decoder of this process".to_owned()),
    }
}
