//! The files of a finished job.

use crate::JobError;
use crate::args::Format;
use crate::reporting::report;
use crate::result_names::{FITS, PNG, REGIONS, REPORT, TIFF};
use crate::stack_job::{StackJob, StackOutcome};
use export::{
    AtomicFile, CardValue, FitsOptions, FitsPicture, HeaderCard, MapRegion, Overwrite,
    PreviewOptions, TiffCompression, TiffOptions, refuse_existing, write_fits, write_png16,
    write_regions_png, write_tiff_f32,
};
use ndarray::{Array3, ArrayView2, Axis};
use noise::{GainReport, Region, RegionNoise};
use report::Report;
use std::path::{Path, PathBuf};

/// Where results go and what may happen to earlier ones.
#[derive(Clone, Debug)]
pub struct ResultFolder {
    dir: PathBuf,
    formats: Vec<Format>,
    overwrite: Overwrite,
    is_new: bool,
}

impl ResultFolder {
    /// Makes the folder and checks that nothing in it would be overwritten, before any
    /// work is done.
    ///
    /// # Errors
    ///
    /// When the folder cannot be made, or holds a result and `overwrite` is `No`.
    pub fn prepare(dir: &Path, formats: &[Format], overwrite: Overwrite) -> Result<Self, JobError> {
        let failed = |source| JobError::OutputFolder {
            path: dir.to_owned(),
            source,
        };
        let is_new = !dir.exists();
        std::fs::create_dir_all(dir).map_err(failed)?;
        let mut once = Vec::new();
        for format in formats {
            if !once.contains(format) {
                once.push(*format);
            }
        }
        let folder = Self {
            dir: dir.to_owned(),
            formats: once,
            overwrite,
            is_new,
        };
        for name in folder.names() {
            refuse_existing(&dir.join(name), overwrite)?;
        }
        Ok(folder)
    }

    /// Takes an empty folder away again that [`prepare`](Self::prepare) made for a job
    /// that then failed.
    pub fn abandon(&self) {
        if self.is_new {
            // It stays where anything is in it, which is as it should be.
            let _ = std::fs::remove_dir(&self.dir);
        }
    }

    /// Files that will be written.
    pub fn names(&self) -> Vec<&'static str> {
        let names = |format: &Format| -> &[&'static str] {
            match format {
                Format::Tiff => &[TIFF],
                Format::Fits => &[FITS],
                Format::Png => &[PNG, REGIONS],
            }
        };
        let pictures = self.formats.iter().flat_map(names).copied();
        pictures.chain([REPORT]).collect()
    }

    /// The preview's file, if it is written.
    pub fn preview(&self) -> Option<PathBuf> {
        self.formats
            .contains(&Format::Png)
            .then(|| self.dir.join(PNG))
    }

    /// The report's file.
    pub fn report(&self) -> PathBuf {
        self.dir.join(REPORT)
    }

    /// The folder.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// Writes the pictures, then the report that speaks of them.
    ///
    /// # Errors
    ///
    /// When a file cannot be written; those before it stay, whole.
    pub fn write(&self, job: &StackJob, outcome: &mut StackOutcome) -> Result<Report, JobError> {
        for format in &self.formats {
            match format {
                Format::Tiff => self.write_tiff(outcome)?,
                Format::Fits => self.write_fits(outcome)?,
                Format::Png => self.write_preview(outcome)?,
            }
        }
        outcome.stopwatch.lap("write");
        let report = report(job, outcome);
        AtomicFile::write_whole(&self.report(), &report.to_json(), self.overwrite)?;
        Ok(report)
    }

    fn write_tiff(&self, outcome: &StackOutcome) -> Result<(), JobError> {
        let description = format!(
            "{} frames combined; linear sensor values in DN above black, in the camera's own color",
            outcome.lights.len()
        );
        let options = TiffOptions {
            description: Some(description),
            software: Some(software()),
            orientation: outcome.lights[outcome.reference]
                .frame
                .frame
                .info
                .orientation,
            // Noisy floats hardly compress, and not every reader knows the float predictor.
            compression: TiffCompression::None,
            overwrite: self.overwrite,
            ..TiffOptions::default()
        };
        write_tiff_f32(&self.dir.join(TIFF), &planes(&outcome.stack.mean), &options)?;
        Ok(())
    }

    fn write_fits(&self, outcome: &StackOutcome) -> Result<(), JobError> {
        let card = |keyword: &str, value: CardValue, comment: &str| HeaderCard {
            keyword: keyword.to_owned(),
            value,
            comment: comment.to_owned(),
        };
        let reference = &outcome.lights[outcome.reference].frame.frame.info;
        let mut cards = vec![
            card(
                "CREATOR",
                CardValue::Text(software()),
                "program that made this file",
            ),
            card(
                "NCOMBINE",
                CardValue::Integer(outcome.lights.len() as i64),
                "lights combined",
            ),
        ];
        if let Some(exposure_s) = reference.exposure_s {
            cards.push(card(
                "EXPTIME",
                CardValue::Float(exposure_s),
                "[s] of a single light",
            ));
        }
        let options = FitsOptions {
            cards,
            overwrite: self.overwrite,
            ..FitsOptions::default()
        };
        let stack = &outcome.stack;
        let picture = FitsPicture {
            mean: &planes(&stack.mean),
            variance: &planes(&stack.variance),
            weight: &planes(&stack.weight),
            rejected: Some(&stack.rejected.axis_iter(Axis(0)).collect::<Vec<_>>()),
        };
        write_fits(&self.dir.join(FITS), &picture, &options)?;
        Ok(())
    }

    /// The preview, and a smaller one with the regions of the noise report over it.
    fn write_preview(&self, outcome: &StackOutcome) -> Result<(), JobError> {
        let reference = &outcome.lights[outcome.reference].frame.frame.info;
        let preview = PreviewOptions {
            orientation: reference.orientation,
            white_balance: reference.white_balance,
            color_matrix: reference.color_matrix,
            saturation_dn: Some(outcome.layout.full_scale_dn(0, 0)),
            overwrite: self.overwrite,
            ..PreviewOptions::default()
        };
        let map = PreviewOptions {
            max_side_px: preview.max_side_px.map(|side_px| side_px / 2),
            ..preview.clone()
        };
        let planes = planes(&outcome.stack.mean);
        let regions = map_regions(&outcome.noise);
        write_png16(&self.dir.join(PNG), &planes, &preview)?;
        write_regions_png(&self.dir.join(REGIONS), &planes, &regions, &map)?;
        Ok(())
    }
}

/// The regions with their share of the expected gain, averaged over the channels.
fn map_regions(noise: &GainReport) -> Vec<MapRegion> {
    let region = |measured: &RegionNoise| {
        let channels = &measured.channels;
        let shares = channels.iter().map(|c| c.gain_area / c.expected);
        let gain_share = shares.sum::<f64>() / channels.len() as f64;
        let area = &measured.region;
        MapRegion {
            x0: area.x0,
            y0: area.y0,
            x1: area.x1,
            y1: area.y1,
            gain_share: gain_share.is_finite().then_some(gain_share),
        }
    };
    // A region that shows both parts is there twice: the one measured on more pixels speaks.
    let pixels = |measured: &RegionNoise| {
        let most = measured.channels.iter().map(|channel| channel.pixels);
        most.max().unwrap_or(0)
    };
    let mut shown: Vec<&RegionNoise> = Vec::new();
    for measured in &noise.regions {
        let place = |region: &Region| (region.x0, region.y0);
        match shown.last_mut() {
            Some(last) if place(&last.region) == place(&measured.region) => {
                if pixels(measured) > pixels(last) {
                    *last = measured;
                }
            }
            _ => shown.push(measured),
        }
    }
    shown.into_iter().map(region).collect()
}

fn software() -> String {
    concat!("radicand ", env!("CARGO_PKG_VERSION")).to_owned()
}

fn planes(stack: &Array3<f32>) -> Vec<ArrayView2<'_, f32>> {
    stack.axis_iter(Axis(0)).collect()
}
