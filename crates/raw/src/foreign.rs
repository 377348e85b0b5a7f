//! The two foreign decoders: asked one after the other, each in a process of its own.
//!
//! They are many decoders for many cameras, panic on damaged files, loop long over absurd
//! sizes, and ask for memory as a file tells them to. So they run in a [child
//! process](crate::DecoderProcess) with limits that follow from the size of the file, and
//! what comes back is [`Decoded`], which is held against the file as any other input.

use crate::decode::{Decode, RawFile};
use crate::dng::{Dng, Linear};
use crate::mosaic::{Cfa, Channel, SitePattern};
use crate::sensor::{CameraFacts, Sensor};
use crate::{DecodeFault, Decoder, DecoderProcess, Rect};
use serde::{Deserialize, Serialize};

pub(crate) mod by_rawler;
pub(crate) mod by_rawloader;

/// What a foreign decoder made of a file.
#[derive(Debug, PartialEq)]
pub(crate) struct Decoded {
    pub(crate) shape: Shape,
    /// Row by row, the values of a pixel side by side.
    pub(crate) samples: Vec<u16>,
    /// What the decoder knows of the sensor, or why that is of no use; a DNG says itself.
    pub(crate) description: Result<Description, String>,
}

/// How many samples there are, and in what order.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Shape {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) samples_per_pixel: usize,
}

impl Shape {
    /// All samples.
    pub(crate) fn n_samples(&self) -> u64 {
        let Self {
            width,
            height,
            samples_per_pixel,
        } = *self;
        [height, samples_per_pixel]
            .into_iter()
            .fold(width as u64, |n, factor| n.saturating_mul(factor as u64))
    }
}

/// A sensor in plain numbers. Patterns count from the active area's first pixel.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Description {
    /// First column, first row, one past the last column and row.
    pub(crate) active_area: [usize; 4],
    /// Letters `R`, `G`, `B`, `L`, row by row.
    pub(crate) cfa: String,
    pub(crate) cfa_width: usize,
    pub(crate) black_dn: Vec<f32>,
    pub(crate) black_width: usize,
    pub(crate) white_dn: Vec<f32>,
    pub(crate) white_width: usize,
    pub(crate) camera: Option<String>,
    pub(crate) white_balance: Option<[f32; 3]>,
    pub(crate) color_matrix: Option<[[f32; 3]; 3]>,
}

/// One of the foreign decoders, and where it runs.
pub(crate) struct Foreign<'a> {
    pub(crate) decoder: Decoder,
    /// `None`: in this process, which only rawloader does.
    pub(crate) process: Option<&'a DecoderProcess>,
}

impl<'a> Foreign<'a> {
    /// Those there are, in the order in which they are asked.
    pub(crate) fn all(process: Option<&'a DecoderProcess>) -> Vec<Self> {
        let decoders = match process {
            Some(_) => &[Decoder::Rawloader, Decoder::Rawler][..],
            None => &[Decoder::Rawloader],
        };
        let foreign = |&decoder| Self { decoder, process };
        decoders.iter().map(foreign).collect()
    }

    fn ask(&self, file: &RawFile, samples_per_pixel: usize) -> Result<Decoded, DecodeFault> {
        let said = |said| DecodeFault::Undecodable {
            tried: vec![(self.decoder, said)],
        };
        let decoded = match self.process {
            Some(process) => process.ask(self.decoder, file),
            None => by_rawloader::decode(file.bytes),
        }
        .map_err(&said)?;
        let Shape {
            width,
            height,
            samples_per_pixel: found,
        } = decoded.shape;
        file.check_size(width.saturating_mul(height))?;
        if found != samples_per_pixel {
            return Err(said(format!(
                "{found} values a pixel, {samples_per_pixel} needed"
            )));
        }
        if decoded.samples.len() as u64 != decoded.shape.n_samples() {
            return Err(said(format!(
                "{} values for {width} x {height} px",
                decoded.samples.len()
            )));
        }
        Ok(decoded)
    }
}

impl Decode for Foreign<'_> {
    fn name(&self) -> Decoder {
        self.decoder
    }

    fn decode(&self, file: &RawFile) -> Result<Sensor, DecodeFault> {
        let decoded = self.ask(file, 1)?;
        let Shape { width, height, .. } = decoded.shape;
        // rawler applies the linearization table of a DNG, rawloader does not.
        let linear = match self.decoder {
            Decoder::Rawler => Linear::Already,
            _ => Linear::NotYet,
        };
        let fits = |dng: &&Dng| self.decoder == Decoder::Rawloader || dng.size() == (width, height);
        match file.dng.as_ref().filter(fits) {
            Some(dng) => Ok(dng.sensor(decoded.samples, linear)),
            None => decoded
                .into_sensor()
                .map_err(|said| DecodeFault::Undecodable {
                    tried: vec![(self.decoder, said)],
                }),
        }
    }
}

/// Size and values, side by side, of a raw with `samples_per_pixel` values a pixel.
pub(crate) fn full_color(
    file: &RawFile,
    samples_per_pixel: usize,
) -> Result<((usize, usize), Vec<u16>), DecodeFault> {
    let rawloader = Foreign {
        decoder: Decoder::Rawloader,
        process: file.options.decoder_process.as_ref(),
    };
    let Decoded { shape, samples, .. } = rawloader.ask(file, samples_per_pixel)?;
    Ok(((shape.width, shape.height), samples))
}

impl Decoded {
    fn into_sensor(self) -> Result<Sensor, String> {
        let known = self.description?;
        let incomplete = || "it gave no levels or filters".to_owned();
        let channels = known.cfa.chars().map(|letter| match letter {
            'R' => Some(Channel::R),
            'G' => Some(Channel::G),
            'B' => Some(Channel::B),
            'L' => Some(Channel::Mono),
            _ => None,
        });
        let cfa = channels.collect::<Option<Vec<_>>>();
        let cfa: Option<Cfa> = cfa.and_then(|cfa| SitePattern::new(known.cfa_width, cfa));
        let levels = |width, values| SitePattern::new(width, values).ok_or_else(incomplete);
        let [x0, y0, x1, y1] = known.active_area;
        if x0 >= x1 || y0 >= y1 {
            return Err(format!("an active area from ({x0}, {y0}) to ({x1}, {y1})"));
        }
        Ok(Sensor {
            width: self.shape.width,
            height: self.shape.height,
            data: self.samples,
            active_area: Rect { x0, y0, x1, y1 },
            cfa: cfa.ok_or_else(incomplete)?,
            black_level_dn: levels(known.black_width, known.black_dn)?,
            white_level_dn: levels(known.white_width, known.white_dn)?,
            known: CameraFacts {
                camera: known.camera,
                orientation: None,
                white_balance: known.white_balance,
                color_matrix: known.color_matrix,
            },
        })
    }
}
