//! Where the decoded mosaics wait: in memory while they fit, else in a scratch file.

use crate::StackError;
use ndarray::Array2;
use raw::{Rect, SitePattern};
use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A decoded mosaic, kept as the `u16` the sensor recorded.
#[derive(Clone, Debug)]
pub struct StoredMosaic {
    width: usize,
    height: usize,
    place: Place,
    black_offset_dn: Option<Arc<SitePattern<f32>>>,
}

#[derive(Clone, Debug)]
enum Place {
    Memory(Arc<Array2<u16>>),
    Scratch { file: Arc<File>, offset: u64 },
}

impl StoredMosaic {
    /// A mosaic held in memory.
    pub fn in_memory(data: Array2<u16>) -> Self {
        let (height, width) = data.dim();
        Self {
            width,
            height,
            place: Place::Memory(Arc::new(data)),
            black_offset_dn: None,
        }
    }

    /// The same mosaic with a black level of its own: by how much it lies above that of the
    /// layout it is used with, DN. Calibration and masters take it off.
    #[must_use]
    pub fn with_black_offset(self, offset_dn: SitePattern<f32>) -> Self {
        let differs = offset_dn.values().iter().any(|&offset| offset != 0.0);
        Self {
            black_offset_dn: differs.then(|| Arc::new(offset_dn)),
            ..self
        }
    }

    /// By how much the black level of a site lies above that of the layout, DN.
    pub fn black_offset_dn(&self, row: usize, col: usize) -> f32 {
        self.black_offset_dn
            .as_ref()
            .map_or(0.0, |offset| offset.at(row, col))
    }

    /// Whether [`black_offset_dn`](Self::black_offset_dn) is other than 0 anywhere.
    pub(crate) fn has_black_offset(&self) -> bool {
        self.black_offset_dn.is_some()
    }

    /// Width and height, px.
    pub fn size(&self) -> (usize, usize) {
        (self.width, self.height)
    }

    /// The whole picture as a rectangle.
    pub fn bounds(&self) -> Rect {
        Rect::of_size(self.width, self.height)
    }

    /// Reads the samples of `window`, row by row, into `out`.
    ///
    /// # Panics
    ///
    /// When `window` is not inside the mosaic.
    ///
    /// # Errors
    ///
    /// When the scratch file cannot be read.
    pub fn read_window(&self, window: &Rect, out: &mut Vec<u16>) -> Result<(), StackError> {
        assert_eq!(
            window.intersect(&self.bounds()),
            *window,
            "the window is inside the mosaic"
        );
        out.clear();
        match &self.place {
            Place::Memory(data) => {
                for row in window.y0..window.y1 {
                    let samples = data.row(row);
                    let samples = samples.as_slice().expect("mosaics are row-major");
                    out.extend_from_slice(&samples[window.x0..window.x1]);
                }
            }
            Place::Scratch { file, offset } => {
                let mut bytes = vec![0; 2 * window.width()];
                for row in window.y0..window.y1 {
                    let at = offset + 2 * (row * self.width + window.x0) as u64;
                    read_exact_at(file, &mut bytes, at).map_err(StackError::ScratchRead)?;
                    let samples = bytes
                        .chunks_exact(2)
                        .map(|b| u16::from_ne_bytes([b[0], b[1]]));
                    out.extend(samples);
                }
            }
        }
        Ok(())
    }
}

#[cfg(unix)]
fn read_exact_at(file: &File, bytes: &mut [u8], offset: u64) -> std::io::Result<()> {
    std::os::unix::fs::FileExt::read_exact_at(file, bytes, offset)
}

#[cfg(windows)]
fn read_exact_at(file: &File, mut bytes: &mut [u8], mut offset: u64) -> std::io::Result<()> {
    while !bytes.is_empty() {
        let n = std::os::windows::fs::FileExt::seek_read(file, bytes, offset)?;
        if n == 0 {
            return Err(std::io::ErrorKind::UnexpectedEof.into());
        }
        bytes = &mut bytes[n..];
        offset += n as u64;
    }
    Ok(())
}

/// Keeps mosaics in memory up to a budget, and the rest in one scratch file that the
/// operating system removes as soon as the program ends, however it ends.
#[derive(Debug)]
pub struct MosaicStore {
    memory_left: u64,
    scratch_dir: PathBuf,
    scratch: Option<(Arc<File>, u64)>,
}

impl MosaicStore {
    /// A store that holds at most `memory_bytes` of mosaics in memory.
    pub fn new(memory_bytes: u64, scratch_dir: &Path) -> Self {
        Self {
            memory_left: memory_bytes,
            scratch_dir: scratch_dir.to_path_buf(),
            scratch: None,
        }
    }

    /// Bytes written to the scratch file so far.
    pub fn scratch_bytes(&self) -> u64 {
        self.scratch.as_ref().map_or(0, |(_, end)| *end)
    }

    /// Takes a mosaic in.
    ///
    /// # Errors
    ///
    /// When the scratch file cannot be made or written.
    pub fn put(&mut self, data: Array2<u16>) -> Result<StoredMosaic, StackError> {
        let bytes = 2 * data.len() as u64;
        if bytes <= self.memory_left {
            self.memory_left -= bytes;
            let data = if data.is_standard_layout() {
                data
            } else {
                data.as_standard_layout().to_owned()
            };
            return Ok(StoredMosaic::in_memory(data));
        }
        let at = |source| StackError::ScratchWrite {
            dir: self.scratch_dir.clone(),
            source,
        };
        let (file, offset) = match self.scratch.take() {
            Some(scratch) => scratch,
            None => (
                Arc::new(tempfile::tempfile_in(&self.scratch_dir).map_err(at)?),
                0,
            ),
        };
        let (height, width) = data.dim();
        let samples: Vec<u8> = data
            .iter()
            .flat_map(|sample| sample.to_ne_bytes())
            .collect();
        (&*file).write_all(&samples).map_err(at)?;
        self.scratch = Some((file.clone(), offset + bytes));
        Ok(StoredMosaic {
            width,
            height,
            place: Place::Scratch { file, offset },
            black_offset_dn: None,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn memory_and_scratch_give_the_same_samples() {
        let dir = tempfile::tempdir().expect("a folder");
        let mosaic = |seed: usize| {
            Array2::from_shape_fn((7, 11), |(row, col)| (seed * 1000 + row * 31 + col) as u16)
        };
        // Room for one mosaic of 154 bytes: the second and third go to the scratch file.
        let mut store = MosaicStore::new(200, dir.path());
        let stored: Vec<_> = (0..3)
            .map(|i| store.put(mosaic(i)).expect("room"))
            .collect();
        assert_eq!(store.scratch_bytes(), 2 * 154);
        let window = Rect {
            x0: 2,
            y0: 1,
            x1: 9,
            y1: 6,
        };
        for (i, stored) in stored.iter().enumerate() {
            let mut samples = Vec::new();
            stored.read_window(&window, &mut samples).expect("readable");
            let want = mosaic(i)
                .slice(ndarray::s![1..6, 2..9])
                .iter()
                .copied()
                .collect::<Vec<_>>();
            assert_eq!(samples, want, "mosaic {i}");
        }
    }
}
