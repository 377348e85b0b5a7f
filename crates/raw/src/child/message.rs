//! What the child tells its parent: a magic number, a JSON header, the samples.
//!
//! ```text
//! "radicand-frame-1"   16 bytes
//! length of the header  4 bytes, little-endian
//! header                JSON
//! samples               as many of 2 bytes as the header says, little-endian
//! ```
//!
//! The parent trusts none of it: lengths are capped before anything is allocated.

use crate::foreign::{Decoded, Description, Shape};
use serde::{Deserialize, Serialize};
use std::io::{Read, Write};

const MAGIC: &[u8; 16] = b"radicand-frame-1";
const MAX_HEADER_BYTES: u32 = 1 << 16;
/// Samples that are turned into numbers at a time.
const CHUNK_SAMPLES: usize = 1 << 15;

/// What the parent accepts.
#[derive(Clone, Copy)]
pub(super) struct Caps {
    pub(super) max_pixels: u64,
    /// As many as the file can hold.
    pub(super) max_samples: u64,
}

/// Everything but the samples.
#[derive(Debug, Serialize, Deserialize)]
struct Header {
    shape: Shape,
    description: Result<Description, String>,
}

/// Why there is no frame.
#[derive(Debug, PartialEq)]
pub(super) enum Refusal {
    /// The message ended early: so did the child, most likely.
    BrokeOff(String),
    /// What the child said, or what is wrong with its message.
    Said(String),
}

/// Reads one message.
pub(super) fn read_answer(from: &mut dyn Read, caps: Caps) -> Result<Decoded, Refusal> {
    let broken =
        |error: std::io::Error| Refusal::BrokeOff(format!("its answer broke off ({error})"));
    let mut magic = [0; MAGIC.len()];
    from.read_exact(&mut magic).map_err(broken)?;
    if magic != *MAGIC {
        return Err(Refusal::Said(
            "its answer is in another language".to_owned(),
        ));
    }
    let mut length = [0; 4];
    from.read_exact(&mut length).map_err(broken)?;
    let length = u32::from_le_bytes(length);
    if length > MAX_HEADER_BYTES {
        return Err(Refusal::Said(format!(
            "its header has {length} bytes, {MAX_HEADER_BYTES} allowed"
        )));
    }
    let mut json = vec![0; length as usize];
    from.read_exact(&mut json).map_err(broken)?;
    let header: Result<Header, String> =
        serde_json::from_slice(&json).map_err(|error| Refusal::Said(error.to_string()))?;
    let Header { shape, description } = header.map_err(Refusal::Said)?;
    let n_samples = shape.n_samples();
    let n_pixels = (shape.width as u64).saturating_mul(shape.height as u64);
    for (asked, allowed, what) in [
        (n_pixels, caps.max_pixels, "pixels"),
        (n_samples, caps.max_samples, "values"),
    ] {
        if asked > allowed {
            return Err(Refusal::Said(format!("{asked} {what}, {allowed} allowed")));
        }
    }
    Ok(Decoded {
        shape,
        samples: read_samples(from, n_samples as usize)?,
        description,
    })
}

/// Grows with what arrives, never with what is announced.
fn read_samples(from: &mut dyn Read, n_samples: usize) -> Result<Vec<u16>, Refusal> {
    let mut samples = Vec::new();
    let mut bytes = [0; 2 * CHUNK_SAMPLES];
    while samples.len() < n_samples {
        let wanted = CHUNK_SAMPLES.min(n_samples - samples.len());
        let bytes = &mut bytes[..2 * wanted];
        from.read_exact(bytes).map_err(|error| {
            Refusal::BrokeOff(format!(
                "its answer broke off after {} of {n_samples} values ({error})",
                samples.len()
            ))
        })?;
        let (pairs, _) = bytes.as_chunks::<2>();
        if samples.len() + wanted > samples.capacity() {
            // Once half has arrived, the rest is believed.
            let trusted = n_samples.min(2 * samples.len() + CHUNK_SAMPLES);
            samples.reserve_exact(trusted - samples.len());
        }
        samples.extend(pairs.iter().map(|&pair| u16::from_le_bytes(pair)));
    }
    Ok(samples)
}

/// Writes one message: what was decoded, or why nothing was.
pub(super) fn write_answer(
    answer: &Result<Decoded, String>,
    to: &mut dyn Write,
) -> std::io::Result<()> {
    let header = match answer {
        Ok(decoded) => Ok(Header {
            shape: decoded.shape,
            description: decoded.description.clone(),
        }),
        Err(error) => Err(error.chars().take(2000).collect::<String>()),
    };
    let json = serde_json::to_vec(&header)?;
    to.write_all(MAGIC)?;
    to.write_all(&(json.len() as u32).to_le_bytes())?;
    to.write_all(&json)?;
    let samples = answer.as_ref().map_or(&[][..], |decoded| &decoded.samples);
    for values in samples.chunks(CHUNK_SAMPLES) {
        let bytes: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
        to.write_all(&bytes)?;
    }
    to.flush()
}

#[cfg(test)]
mod tests {
    use super::*;

    const CAPS: Caps = Caps {
        max_pixels: 100_000,
        max_samples: 250_000,
    };

    fn message() -> Decoded {
        let shape = Shape {
            width: 300,
            height: 200,
            samples_per_pixel: 1,
        };
        let description = Description {
            cfa: "RGGB".to_owned(),
            cfa_width: 2,
            ..Description::default()
        };
        Decoded {
            shape,
            samples: (0..60_000).collect(),
            description: Ok(description),
        }
    }

    fn bytes_of(answer: Result<Decoded, String>) -> Vec<u8> {
        let mut bytes = Vec::new();
        write_answer(&answer, &mut bytes).expect("memory takes all");
        bytes
    }

    fn read(bytes: &[u8]) -> Result<Decoded, Refusal> {
        read_answer(&mut &bytes[..], CAPS)
    }

    #[test]
    fn a_message_arrives_as_it_was_sent() {
        assert_eq!(read(&bytes_of(Ok(message()))), Ok(message()));
        let undescribed = || Decoded {
            description: Err("filters of nobody".to_owned()),
            ..message()
        };
        assert_eq!(read(&bytes_of(Ok(undescribed()))), Ok(undescribed()));
    }

    #[test]
    fn every_truncation_is_an_error() {
        let bytes = bytes_of(Ok(message()));
        let header = bytes.len() - 2 * 60_000;
        let lengths = (0..header + 5).chain((header..bytes.len()).step_by(997));
        for length in lengths {
            let answer = read(&bytes[..length]);
            assert!(
                matches!(answer, Err(Refusal::BrokeOff(_))),
                "{length} of {} bytes",
                bytes.len()
            );
        }
    }

    #[test]
    fn a_refusal_arrives_as_its_reason() {
        let answer = read(&bytes_of(Err("unknown camera".to_owned())));
        assert_eq!(answer, Err(Refusal::Said("unknown camera".to_owned())));
    }

    #[test]
    fn absurd_sizes_are_refused_before_anything_is_allocated() {
        let mut large = message();
        large.shape.width = usize::MAX;
        let said = format!("{} pixels, 100000 allowed", u64::MAX);
        assert_eq!(read(&bytes_of(Ok(large))), Err(Refusal::Said(said)));
        let mut deep = message();
        deep.shape.samples_per_pixel = 1 << 20;
        let said = format!("{} values, 250000 allowed", 60_000_u64 << 20);
        assert_eq!(read(&bytes_of(Ok(deep))), Err(Refusal::Said(said)));
        let mut long = bytes_of(Ok(message()));
        long[16..20].copy_from_slice(&u32::MAX.to_le_bytes());
        assert!(read(&long).is_err());
    }
}
