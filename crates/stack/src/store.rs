//! Where the decoded mosaics wait: in memory while they fit, else in a scratch file.

use crate::StackError;
use crate::scratch::ScratchFile;
use ndarray::{Array2, s};
use raw::{Rect, SitePattern};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A decoded mosaic, kept as the `u16` the sensor recorded.
#[derive(Clone, Debug)]
pub struct StoredMosaic {
    width: usize,
    height: usize,
    place: Place,
    black_offset_dn: Option<Arc<SitePattern<f32>>>,
    sensor_pattern_dn: Option<Arc<Array2<f32>>>,
}

#[derive(Clone, Debug)]
enum Place {
    Memory(Arc<Array2<u16>>),
    Scratch { file: ScratchFile, offset: u64 },
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
            sensor_pattern_dn: None,
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

    /// The same mosaic with a pattern of the sensor that calibration takes off it after all
    /// else, `[row, column]`, DN of calibrated light.
    ///
    /// # Panics
    ///
    /// When the pattern is not of the mosaic's size.
    #[must_use]
    pub fn with_sensor_pattern(self, pattern_dn: Arc<Array2<f32>>) -> Self {
        let size = (pattern_dn.ncols(), pattern_dn.nrows());
        assert_eq!(size, self.size(), "a pattern of the mosaic's size");
        Self {
            sensor_pattern_dn: Some(pattern_dn),
            ..self
        }
    }

    /// The pattern of the sensor to be taken off.
    pub(crate) fn sensor_pattern_dn(&self) -> Option<&Array2<f32>> {
        self.sensor_pattern_dn.as_deref()
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
                out.resize(window.area(), 0);
                for band in bands(self.width, self.height) {
                    let part = band.intersect(window);
                    if !part.is_empty() {
                        read_band(file, *offset, &band, &part, window, out)?;
                    }
                }
            }
        }
        Ok(())
    }
}

/// Width of the bands in which a mosaic lies in the scratch file, one after the other and
/// row by row, px: the rows of a tile's window then are one or two pieces of the file, not
/// one for every row.
const BAND_PX: usize = 128;

fn bands(width: usize, height: usize) -> impl Iterator<Item = Rect> {
    (0..width).step_by(BAND_PX).map(move |x0| Rect {
        x0,
        y0: 0,
        x1: (x0 + BAND_PX).min(width),
        y1: height,
    })
}

/// Where a row of a band begins in a mosaic, bytes.
fn place_in_file(band: &Rect, row: usize) -> u64 {
    2 * (band.x0 * band.height() + row * band.width()) as u64
}

/// Reads the part of a window that lies in a band to its place in `out`.
fn read_band(
    file: &ScratchFile,
    offset: u64,
    band: &Rect,
    part: &Rect,
    window: &Rect,
    out: &mut [u16],
) -> Result<(), StackError> {
    let mut bytes = vec![0; 2 * part.height() * band.width()];
    file.read_at(offset + place_in_file(band, part.y0), &mut bytes)?;
    let inner = 2 * (part.x0 - band.x0)..2 * (part.x1 - band.x0);
    let rows = bytes.chunks_exact(2 * band.width());
    for (row, bytes) in (part.y0..).zip(rows) {
        let start = (row - window.y0) * window.width() + part.x0 - window.x0;
        let samples = out[start..].iter_mut();
        for (sample, bytes) in samples.zip(bytes[inner.clone()].chunks_exact(2)) {
            *sample = u16::from_ne_bytes([bytes[0], bytes[1]]);
        }
    }
    Ok(())
}

/// Keeps mosaics in memory up to a budget, and the rest in one scratch file.
#[derive(Debug)]
pub struct MosaicStore {
    memory_left: u64,
    scratch_dir: PathBuf,
    scratch: Option<(ScratchFile, u64)>,
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

    /// From now on keeps at most `memory_bytes` more in memory.
    pub fn limit(&mut self, memory_bytes: u64) {
        self.memory_left = self.memory_left.min(memory_bytes);
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
        let (file, offset) = match self.scratch.take() {
            Some(scratch) => scratch,
            None => (ScratchFile::create(&self.scratch_dir)?, 0),
        };
        let (height, width) = data.dim();
        let mut samples = Vec::new();
        for band in bands(width, height) {
            let columns = data.slice(s![.., band.x0..band.x1]);
            samples.resize(2 * columns.len(), 0);
            let rows = samples.chunks_exact_mut(2 * band.width());
            for (row, samples) in rows.zip(columns.rows()) {
                let slots = row.chunks_exact_mut(2).zip(samples);
                slots.for_each(|(slot, sample)| slot.copy_from_slice(&sample.to_ne_bytes()));
            }
            file.write_at(offset + place_in_file(&band, 0), &samples)?;
        }
        self.scratch = Some((file.clone(), offset + bytes));
        Ok(StoredMosaic {
            width,
            height,
            place: Place::Scratch { file, offset },
            black_offset_dn: None,
            sensor_pattern_dn: None,
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
            Array2::from_shape_fn((7, 300), |(row, col)| {
                (seed * 9000 + row * 310 + col) as u16
            })
        };
        // Room for one mosaic of 4200 bytes: the second and third go to the scratch file, in
        // three bands each.
        let mut store = MosaicStore::new(5000, dir.path());
        let stored: Vec<_> = (0..3)
            .map(|i| store.put(mosaic(i)).expect("room"))
            .collect();
        assert_eq!(store.scratch_bytes(), 2 * 4200);
        let windows = [(2, 9), (0, 300), (100, 290), (128, 256), (299, 300)];
        for (i, (x0, x1)) in (0..stored.len()).flat_map(|i| windows.map(|window| (i, window))) {
            let window = Rect {
                x0,
                y0: 1,
                x1,
                y1: 6,
            };
            let mut samples = Vec::new();
            stored[i]
                .read_window(&window, &mut samples)
                .expect("readable");
            let want = mosaic(i)
                .slice(s![1..6, x0..x1])
                .iter()
                .copied()
                .collect::<Vec<_>>();
            assert_eq!(samples, want, "mosaic {i}, columns {x0} to {x1}");
        }
    }
}
