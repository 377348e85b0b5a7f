//! What the child tells its parent: a magic number, a JSON header, the samples.
//!
//! ```text
//! "radicand-frame-1"   16 bytes
//! length of the header  4 bytes, little-endian
//! header                JSON
//! samples               width * height values of 2 bytes, little-endian; none on error
//! ```
//!
//! The parent trusts none of it: lengths are capped before anything is allocated.

use crate::mosaic::{Cfa, Channel, SitePattern};
use crate::sensor::{CameraFacts, Sensor};
use crate::{DecodeFault, Rect};
use serde::{Deserialize, Serialize};
use std::io::{Read, Write};

const MAGIC: &[u8; 16] = b"radicand-frame-1";
const MAX_HEADER_BYTES: u32 = 1 << 16;

/// What the parent accepts.
#[derive(Clone, Copy)]
pub(super) struct Caps {
    pub(super) max_pixels: u64,
}

/// Everything but the samples. Patterns count from the active area's first pixel.
#[derive(Debug, Default, Serialize, Deserialize, PartialEq)]
pub(super) struct Header {
    pub(super) error: Option<String>,
    pub(super) width: usize,
    pub(super) height: usize,
    /// First column, first row, one past the last column and row.
    pub(super) active_area: [usize; 4],
    /// Letters `R`, `G`, `B`, `L`, row by row.
    pub(super) cfa: String,
    pub(super) cfa_width: usize,
    pub(super) black_dn: Vec<f32>,
    pub(super) black_width: usize,
    pub(super) white_dn: Vec<f32>,
    pub(super) white_width: usize,
    pub(super) camera: Option<String>,
    pub(super) white_balance: Option<[f32; 3]>,
    pub(super) color_matrix: Option<[[f32; 3]; 3]>,
}

/// A whole message.
#[derive(Debug, PartialEq)]
pub(super) struct Answer {
    pub(super) header: Header,
    pub(super) samples: Vec<u16>,
}

/// Why there is no frame.
#[derive(Debug, PartialEq)]
pub(super) enum Refusal {
    /// The message ended early: so did the child, most likely.
    BrokeOff(String),
    /// What the child said, or what is wrong with its message.
    Said(String),
}

impl Answer {
    /// Reads one message.
    pub(super) fn read(from: &mut dyn Read, caps: Caps) -> Result<Self, Refusal> {
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
        let header: Header =
            serde_json::from_slice(&json).map_err(|error| Refusal::Said(error.to_string()))?;
        if let Some(error) = header.error {
            return Err(Refusal::Said(error));
        }
        let n_pixels = (header.width as u64).saturating_mul(header.height as u64);
        if n_pixels > caps.max_pixels {
            return Err(Refusal::Said(format!(
                "{n_pixels} pixels, {} allowed",
                caps.max_pixels
            )));
        }
        let mut bytes = Vec::new();
        from.take(2 * n_pixels)
            .read_to_end(&mut bytes)
            .map_err(broken)?;
        if bytes.len() as u64 != 2 * n_pixels {
            return Err(Refusal::BrokeOff(format!(
                "{} bytes of samples found, {} needed",
                bytes.len(),
                2 * n_pixels
            )));
        }
        let (pairs, _) = bytes.as_chunks::<2>();
        let samples = pairs.iter().map(|&pair| u16::from_le_bytes(pair)).collect();
        Ok(Self { header, samples })
    }

    /// Writes the message.
    pub(super) fn write(&self, to: &mut dyn Write) -> std::io::Result<()> {
        let json = serde_json::to_vec(&self.header)?;
        to.write_all(MAGIC)?;
        to.write_all(&(json.len() as u32).to_le_bytes())?;
        to.write_all(&json)?;
        for values in self.samples.chunks(1 << 15) {
            let bytes: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
            to.write_all(&bytes)?;
        }
        to.flush()
    }

    /// A message that says why there is no frame.
    pub(super) fn refusal(error: String) -> Self {
        Self {
            header: Header {
                error: Some(error.chars().take(2000).collect()),
                ..Header::default()
            },
            samples: Vec::new(),
        }
    }
}

impl Header {
    /// The sensor described, with its `samples`.
    pub(super) fn into_sensor(self, samples: Vec<u16>) -> Result<Sensor, DecodeFault> {
        let incomplete = || DecodeFault::Malformed("the second decoder gave no levels".to_owned());
        let channels = self.cfa.chars().map(|letter| match letter {
            'R' => Some(Channel::R),
            'G' => Some(Channel::G),
            'B' => Some(Channel::B),
            'L' => Some(Channel::Mono),
            _ => None,
        });
        let cfa = channels.collect::<Option<Vec<_>>>();
        let cfa: Option<Cfa> = cfa.and_then(|cfa| SitePattern::new(self.cfa_width, cfa));
        let [x0, y0, x1, y1] = self.active_area;
        Ok(Sensor {
            width: self.width,
            height: self.height,
            data: samples,
            active_area: Rect { x0, y0, x1, y1 },
            cfa: cfa.ok_or_else(incomplete)?,
            black_level_dn: SitePattern::new(self.black_width, self.black_dn)
                .ok_or_else(incomplete)?,
            white_level_dn: SitePattern::new(self.white_width, self.white_dn)
                .ok_or_else(incomplete)?,
            known: CameraFacts {
                camera: self.camera,
                orientation: None,
                white_balance: self.white_balance,
                color_matrix: self.color_matrix,
            },
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CAPS: Caps = Caps { max_pixels: 100 };

    fn message() -> Answer {
        Answer {
            header: Header {
                width: 3,
                height: 2,
                cfa: "RGGB".to_owned(),
                cfa_width: 2,
                ..Header::default()
            },
            samples: vec![0, 1, 256, 65535, 4, 5],
        }
    }

    fn bytes_of(answer: &Answer) -> Vec<u8> {
        let mut bytes = Vec::new();
        answer.write(&mut bytes).expect("memory takes all");
        bytes
    }

    #[test]
    fn a_message_arrives_as_it_was_sent() {
        let bytes = bytes_of(&message());
        assert_eq!(Answer::read(&mut &bytes[..], CAPS), Ok(message()));
    }

    #[test]
    fn every_truncation_is_an_error() {
        let bytes = bytes_of(&message());
        for length in 0..bytes.len() {
            let answer = Answer::read(&mut &bytes[..length], CAPS);
            assert!(
                matches!(answer, Err(Refusal::BrokeOff(_))),
                "{length} of {} bytes",
                bytes.len()
            );
        }
    }

    #[test]
    fn a_refusal_arrives_as_its_reason() {
        let bytes = bytes_of(&Answer::refusal("unknown camera".to_owned()));
        let answer = Answer::read(&mut &bytes[..], CAPS);
        assert_eq!(answer, Err(Refusal::Said("unknown camera".to_owned())));
    }

    #[test]
    fn absurd_sizes_are_refused_before_anything_is_allocated() {
        let mut large = message();
        large.header.width = usize::MAX;
        let answer = Answer::read(&mut &bytes_of(&large)[..], CAPS);
        let said = format!("{} pixels, 100 allowed", u64::MAX);
        assert_eq!(answer, Err(Refusal::Said(said)));
        let mut long = bytes_of(&message());
        long[16..20].copy_from_slice(&u32::MAX.to_le_bytes());
        assert!(Answer::read(&mut &long[..], CAPS).is_err());
    }
}
