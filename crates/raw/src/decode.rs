//! One file to one frame.

use crate::content::Content;
use crate::dng::{Dng, Linear};
use crate::fits::Fits;
use crate::foreign::Foreign;
use crate::metadata::Metadata;
use crate::sensor::Sensor;
use crate::{DecodeError, DecodeFault, Decoder, DecoderProcess, Frame, complete};
use std::fs::File;
use std::io::Read;
use std::path::Path;

/// What reading a file may cost, and who may read it.
#[derive(Clone, Debug)]
pub struct DecodeOptions {
    /// Largest file read, bytes. Default 1 GiB.
    pub max_file_bytes: u64,
    /// Largest sensor, pixels. Default 300 million.
    pub max_pixels: u64,
    /// Process in which the foreign decoders run. Default `None`: then rawloader runs in this
    /// one, without limits of memory and time, and rawler not at all.
    pub decoder_process: Option<DecoderProcess>,
}

impl Default for DecodeOptions {
    fn default() -> Self {
        Self {
            max_file_bytes: 1 << 30,
            max_pixels: 300_000_000,
            decoder_process: None,
        }
    }
}

/// Reads one raw, DNG or FITS file.
///
/// The content decides, never the name. A file that ends early is an error also where a
/// decoder would have filled the rest with zeros. Nothing is ever written.
///
/// Uncompressed DNG and FITS are read here; anything else is given to the library
/// rawloader, and what that cannot read to rawler, in a [`DecoderProcess`].
///
/// # Errors
///
/// [`DecodeError`] with the path and what is wrong with the file.
pub fn decode(path: &Path, options: &DecodeOptions) -> Result<Frame, DecodeError> {
    decode_file(path, options).map_err(|fault| DecodeError::new(path, fault))
}

/// A way to get at sensor data.
pub(crate) trait Decode {
    /// Who this is.
    fn name(&self) -> Decoder;
    /// The whole sensor as recorded.
    fn decode(&self, file: &RawFile) -> Result<Sensor, DecodeFault>;
}

/// A file in memory, checked to be whole.
pub(crate) struct RawFile<'a> {
    pub(crate) path: &'a Path,
    pub(crate) bytes: &'a [u8],
    /// What a DNG states of itself.
    pub(crate) dng: Option<Dng<'a>>,
    pub(crate) options: &'a DecodeOptions,
}

impl RawFile<'_> {
    /// Refuses sensors beyond [`DecodeOptions::max_pixels`].
    pub(crate) fn check_size(&self, n_pixels: usize) -> Result<(), DecodeFault> {
        let (asked, allowed) = (n_pixels as u64, self.options.max_pixels);
        if asked <= allowed {
            return Ok(());
        }
        Err(DecodeFault::LimitExceeded {
            what: "pixels of the sensor",
            asked,
            allowed,
        })
    }
}

fn decode_file(path: &Path, options: &DecodeOptions) -> Result<Frame, DecodeFault> {
    let bytes = read(path, options.max_file_bytes)?;
    decode_bytes(path, &bytes, options)
}

/// The frame of a file that is in memory already.
pub(crate) fn decode_bytes(
    path: &Path,
    bytes: &[u8],
    options: &DecodeOptions,
) -> Result<Frame, DecodeFault> {
    let content = Content::of_raw(bytes)?;
    complete::check(content, bytes)?;
    if content == Content::Tiff {
        crate::tiff_tags::refuse_picture(bytes)?;
    }
    let file = RawFile {
        path,
        bytes,
        dng: Dng::read(bytes)
            .filter(|_| content == Content::Tiff)
            .transpose()?,
        options,
    };
    if content == Content::Fits {
        return Fits.frame(&file);
    }
    let (decoder, sensor) = first_success(&file)?;
    let (mosaic, facts) = sensor.into_mosaic()?;
    let info = Metadata::read(&file).into_info(path, decoder, facts);
    Ok(Frame { info, mosaic })
}

/// Asks the decoders in turn; what one refuses as unsupported is asked of the next.
fn first_success(file: &RawFile) -> Result<(Decoder, Sensor), DecodeFault> {
    let foreign = Foreign::all(file.options.decoder_process.as_ref());
    let mut decoders: Vec<&dyn Decode> = Vec::new();
    if let Some(dng) = &file.dng {
        file.check_size(dng.n_pixels())?;
        dng.check_room()?;
        if dng.is_uncompressed() {
            decoders.push(&UncompressedDng);
        }
    }
    if decoders.is_empty() {
        decoders.extend(foreign.iter().map(|foreign| foreign as &dyn Decode));
    }
    let mut tried = Vec::new();
    for decoder in decoders {
        match decoder.decode(file) {
            Ok(sensor) => return Ok((decoder.name(), sensor)),
            Err(DecodeFault::Undecodable { tried: said }) => tried.extend(said),
            Err(fault) => return Err(fault),
        }
    }
    Err(DecodeFault::Undecodable { tried })
}

/// Uncompressed DNG, read by this crate.
struct UncompressedDng;

impl Decode for UncompressedDng {
    fn name(&self) -> Decoder {
        Decoder::Dng
    }

    fn decode(&self, file: &RawFile) -> Result<Sensor, DecodeFault> {
        let Some(dng) = &file.dng else {
            return Err(DecodeFault::Unsupported("not a DNG".to_owned()));
        };
        Ok(dng.sensor(dng.samples()?, Linear::NotYet))
    }
}

/// Refuses what is no regular file or too long to be a frame, without opening it.
///
/// # Errors
///
/// [`DecodeError`], as [`decode`] would give it.
pub fn check_file(path: &Path, options: &DecodeOptions) -> Result<(), DecodeError> {
    let checked = length(path, options.max_file_bytes).map(|_| ());
    checked.map_err(|fault| DecodeError::new(path, fault))
}

fn too_large(asked: u64, allowed: u64) -> DecodeFault {
    DecodeFault::LimitExceeded {
        what: "bytes of the file",
        asked,
        allowed,
    }
}

/// The length of a regular file, bytes, that may be read.
fn length(path: &Path, max_bytes: u64) -> Result<u64, DecodeFault> {
    // Asked before opening: a pipe would wait for a writer that never comes.
    let stated = std::fs::metadata(path)?;
    if !stated.is_file() {
        return Err(DecodeFault::Unsupported("not a regular file".to_owned()));
    }
    match stated.len() {
        length if length > max_bytes => Err(too_large(length, max_bytes)),
        length => Ok(length),
    }
}

pub(crate) fn read(path: &Path, max_bytes: u64) -> Result<Vec<u8>, DecodeFault> {
    let mut bytes = Vec::with_capacity(length(path, max_bytes)? as usize);
    // One byte more than allowed shows that the file has grown meanwhile.
    let file = File::open(path)?;
    file.take(max_bytes.saturating_add(1))
        .read_to_end(&mut bytes)?;
    if bytes.len() as u64 > max_bytes {
        return Err(too_large(bytes.len() as u64, max_bytes));
    }
    Ok(bytes)
}
