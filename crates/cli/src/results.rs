//! The files of a finished job.

use crate::JobError;
use crate::args::Format;
use crate::page::pictures;
use crate::reporting::report;
use crate::result_names::{DNG, FITS, PAGE, PNG, PRINT, REGIONS, REPORT, TIFF};
use crate::stack_job::{StackJob, StackOutcome};
use crate::stack_rows::PartRows;
use export::{
    AtomicFile, CardValue, DngOptions, FitsOptions, FitsPicture, HeaderCard, MapRegion, Overwrite,
    PictureRows, PreviewOptions, PrintOptions, TiffCompression, TiffOptions, refuse_existing,
    write_fits, write_linear_dng, write_png16, write_print_tiff, write_regions_png, write_tiff_f32,
};
use noise::{GainReport, Region, RegionNoise};
use raw::{CaptureTime, FrameInfo};
use report::Report;
use stack::StackPart;
use std::path::{Path, PathBuf};

/// Where results go and what may happen to earlier ones.
#[derive(Clone, Debug)]
pub struct ResultFolder {
    dir: PathBuf,
    formats: Vec<Format>,
    overwrite: Overwrite,
    is_new: bool,
    /// Whether there will be a noise report: then its regions are drawn, and it has a page.
    has_regions: bool,
}

impl ResultFolder {
    /// Makes the folder and checks that nothing in it would be overwritten, before any
    /// work is done.
    ///
    /// # Errors
    ///
    /// When the folder cannot be made, or holds a result and `overwrite` is `No`.
    pub fn prepare(dir: &Path, formats: &[Format], overwrite: Overwrite) -> Result<Self, JobError> {
        Self::prepare_for(dir, formats, overwrite, true)
    }

    /// The same for a picture without a noise report of its own.
    pub(crate) fn prepare_picture(
        dir: &Path,
        formats: &[Format],
        overwrite: Overwrite,
    ) -> Result<Self, JobError> {
        Self::prepare_for(dir, formats, overwrite, false)
    }

    fn prepare_for(
        dir: &Path,
        formats: &[Format],
        overwrite: Overwrite,
        has_regions: bool,
    ) -> Result<Self, JobError> {
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
            has_regions,
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
                Format::Dng => &[DNG],
                Format::Print => &[PRINT],
                Format::Png if self.has_regions => &[PNG, REGIONS],
                Format::Png => &[PNG],
            }
        };
        let pictures = self.formats.iter().flat_map(names).copied();
        let page = self.has_regions.then_some(PAGE);
        pictures.chain([REPORT]).chain(page).collect()
    }

    /// The report's file.
    pub fn report(&self) -> PathBuf {
        self.dir.join(REPORT)
    }

    /// The page for people.
    pub fn page(&self) -> PathBuf {
        self.dir.join(PAGE)
    }

    /// The folder.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// Writes the pictures, then the report that speaks of them, and its page.
    ///
    /// # Errors
    ///
    /// When a file cannot be written; those that can are there, whole.
    pub fn write(&self, job: &StackJob, outcome: &mut StackOutcome) -> Result<Report, JobError> {
        let info = outcome.lights[outcome.reference].frame.frame.info.clone();
        let mut cards = vec![HeaderCard {
            keyword: "NCOMBINE".to_owned(),
            value: CardValue::Integer(outcome.lights.len() as i64),
            comment: "lights combined".to_owned(),
        }];
        cards.extend(info.exposure_s.map(|exposure_s| HeaderCard {
            keyword: "EXPTIME".to_owned(),
            value: CardValue::Float(exposure_s),
            comment: "[s] of a single light".to_owned(),
        }));
        let captured = outcome.lights.iter();
        let captured = captured.filter_map(|light| light.frame.frame.info.captured);
        cards.extend(start_cards(&captured.collect::<Vec<_>>()));
        let scale = outcome.second_pass.as_ref().map(|seen| seen.grid.scale());
        cards.extend(scale.map(|scale| HeaderCard {
            keyword: "OUTSCALE".to_owned(),
            value: CardValue::Float(scale),
            comment: "pixels to one of the lights, each way".to_owned(),
        }));
        let ground = outcome.ground.as_ref();
        let sky = ground.and_then(|ground| ground.sky.as_ref());
        let part = |part| PartRows(&outcome.stack, part);
        let finished = Finished {
            picture: FitsPicture {
                mean: &part(StackPart::Mean),
                variance: &part(StackPart::Variance),
                weight: &part(StackPart::Weight),
                rejected: Some(&part(StackPart::Rejected)),
                sky: sky.map(|sky| sky as &dyn PictureRows),
            },
            made_of: format!("{} frames combined", outcome.lights.len()),
            cards,
            info: &info,
            saturation_dn: Some(outcome.layout.full_scale_dn(0, 0)),
        };
        let regions = map_regions(&outcome.noise, scale.unwrap_or(1.0));
        let path = self.page();
        // The page's pictures take no memory to speak of, and time to pack.
        let (written, drawn) = rayon::join(
            || self.write_pictures(&finished, &regions),
            || pictures(&path, &outcome.close_look, &info, &outcome.layout),
        );
        written?;
        let pictures = drawn?;
        outcome.stopwatch.lap("write");
        let report = report(job, outcome);
        self.write_report(&report.to_json())?;
        let page = report::report_page(&report, &pictures);
        AtomicFile::write_whole(&path, page.as_bytes(), self.overwrite)?;
        Ok(report)
    }

    /// Writes the pictures of a result in the formats asked for: those for looking at, which
    /// take time to pack, beside the others, which wait for the disk.
    ///
    /// - `regions`: drawn over a smaller preview, where the folder has one.
    pub(crate) fn write_pictures(
        &self,
        finished: &Finished,
        regions: &[MapRegion],
    ) -> Result<(), JobError> {
        let write = |format: &Format| match format {
            Format::Tiff => self.write_tiff(finished),
            Format::Fits => self.write_fits(finished),
            Format::Dng => self.write_dng(finished),
            Format::Print => self.write_print(finished),
            Format::Png => self.write_preview(finished, regions),
        };
        let all = |previews: bool| {
            let formats = self.formats.iter();
            let mut formats = formats.filter(|format| (**format == Format::Png) == previews);
            formats.try_for_each(write)
        };
        let (files, previews) = rayon::join(|| all(false), || all(true));
        files.and(previews)
    }

    /// Writes the report.
    pub(crate) fn write_report(&self, json: &[u8]) -> Result<(), JobError> {
        Ok(AtomicFile::write_whole(
            &self.report(),
            json,
            self.overwrite,
        )?)
    }

    fn write_tiff(&self, finished: &Finished) -> Result<(), JobError> {
        let description = format!(
            "{}; linear sensor values in DN above black, in the camera's own color",
            finished.made_of
        );
        let options = TiffOptions {
            description: Some(description),
            software: Some(software()),
            orientation: finished.info.orientation,
            // Noisy floats hardly compress, and not every reader knows the float predictor.
            compression: TiffCompression::None,
            overwrite: self.overwrite,
            ..TiffOptions::default()
        };
        write_tiff_f32(&self.dir.join(TIFF), finished.picture.mean, &options)?;
        Ok(())
    }

    fn write_fits(&self, finished: &Finished) -> Result<(), JobError> {
        let creator = HeaderCard {
            keyword: "CREATOR".to_owned(),
            value: CardValue::Text(software()),
            comment: "program that made this file".to_owned(),
        };
        let mut cards = vec![creator];
        cards.extend(finished.cards.iter().cloned());
        let options = FitsOptions {
            cards,
            overwrite: self.overwrite,
            ..FitsOptions::default()
        };
        write_fits(&self.dir.join(FITS), &finished.picture, &options)?;
        Ok(())
    }

    fn write_dng(&self, finished: &Finished) -> Result<(), JobError> {
        let info = finished.info;
        let options = DngOptions {
            camera: info.camera.clone(),
            lens: info.lens.clone(),
            exposure_s: info.exposure_s,
            iso: info.iso,
            f_number: info.aperture,
            focal_length_mm: info.focal_length_mm,
            captured: info.captured.map(|captured| exif_time(&captured)),
            white_balance: info.white_balance,
            color_matrix: info.color_matrix,
            saturation_dn: finished.saturation_dn,
            orientation: info.orientation,
            description: Some(finished.made_of.clone()),
            software: Some(software()),
            overwrite: self.overwrite,
        };
        write_linear_dng(&self.dir.join(DNG), finished.picture.mean, &options)?;
        Ok(())
    }

    fn write_print(&self, finished: &Finished) -> Result<(), JobError> {
        let options = PrintOptions {
            look: self.look(finished),
            description: Some(finished.made_of.clone()),
            software: Some(software()),
            ..PrintOptions::default()
        };
        write_print_tiff(&self.dir.join(PRINT), finished.picture.mean, &options)?;
        Ok(())
    }

    fn write_preview(&self, finished: &Finished, regions: &[MapRegion]) -> Result<(), JobError> {
        let preview = self.look(finished);
        write_png16(&self.dir.join(PNG), finished.picture.mean, &preview)?;
        match self.has_regions {
            true => self.write_regions(finished, &preview, regions),
            false => Ok(()),
        }
    }

    /// How the picture is made visible.
    fn look(&self, finished: &Finished) -> PreviewOptions {
        PreviewOptions {
            orientation: finished.info.orientation,
            white_balance: finished.info.white_balance,
            color_matrix: finished.info.color_matrix,
            saturation_dn: finished.saturation_dn,
            overwrite: self.overwrite,
            ..PreviewOptions::default()
        }
    }

    /// A smaller preview with the regions of the noise report over it.
    fn write_regions(
        &self,
        finished: &Finished,
        preview: &PreviewOptions,
        regions: &[MapRegion],
    ) -> Result<(), JobError> {
        let map = PreviewOptions {
            max_side_px: preview.max_side_px.map(|side_px| side_px / 2),
            ..preview.clone()
        };
        let path = self.dir.join(REGIONS);
        write_regions_png(&path, finished.picture.mean, regions, &map)?;
        Ok(())
    }
}

/// A picture to be written, and what is said of it.
pub(crate) struct Finished<'a> {
    /// The stack; its sky is there where the picture shows ground over it.
    pub picture: FitsPicture<'a>,
    /// What it is made of, in words.
    pub made_of: String,
    /// Further cards of the FITS header.
    pub cards: Vec<HeaderCard>,
    /// Orientation and colors.
    pub info: &'a FrameInfo,
    pub saturation_dn: Option<f32>,
}

/// The regions with their share of the expected gain, averaged over the channels.
///
/// - `scale`: pixels of the picture to one of the reference.
fn map_regions(noise: &GainReport, scale: f64) -> Vec<MapRegion> {
    let on_picture = |at: usize| (at as f64 * scale) as usize;
    let region = |measured: &RegionNoise| {
        let channels = &measured.channels;
        let shares = channels.iter().map(|c| c.gain_area / c.expected);
        let gain_share = shares.sum::<f64>() / channels.len() as f64;
        let area = &measured.region;
        MapRegion {
            x0: on_picture(area.x0),
            y0: on_picture(area.y0),
            x1: on_picture(area.x1),
            y1: on_picture(area.y1),
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

/// When the earliest of these frames was begun: in UTC where all of them state how far their
/// clock is from it, else by the camera's clock.
///
/// Source: FITS Standard 4.0 (2018), sect. 9.2.1 (`LOCAL` is what does not tell its scale).
fn start_cards(captured: &[CaptureTime]) -> Vec<HeaderCard> {
    let in_utc = |time: &CaptureTime| {
        let offset_s = time.utc_offset_s?;
        let size = std::time::Duration::from_secs(offset_s.unsigned_abs().into());
        let utc = match offset_s < 0 {
            true => time.local.checked_add(size),
            false => time.local.checked_sub(size),
        };
        utc.ok()
    };
    let utc: Option<Vec<_>> = captured.iter().map(in_utc).collect();
    let (times, scale) = match utc {
        Some(utc) => (utc, "UTC"),
        None => (captured.iter().map(|time| time.local).collect(), "LOCAL"),
    };
    let card = |keyword: &str, value: String, comment: &str| HeaderCard {
        keyword: keyword.to_owned(),
        value: CardValue::Text(value),
        comment: comment.to_owned(),
    };
    let start = times.into_iter().min();
    start.map_or_else(Vec::new, |start| {
        let meaning = match scale {
            "UTC" => "scale of the times here",
            _ => "the camera's clock; how far off UTC is not known",
        };
        vec![
            card("DATE-OBS", start.to_string(), "start of the earliest light"),
            card("TIMESYS", scale.to_owned(), meaning),
        ]
    })
}

/// A time as EXIF spells it.
fn exif_time(captured: &CaptureTime) -> String {
    captured.local.strftime("%Y:%m:%d %H:%M:%S").to_string()
}

fn software() -> String {
    concat!("radicand ", env!("CARGO_PKG_VERSION")).to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(captured: &[(&str, Option<i32>)], want: &[&str]) {
        let time = |(text, utc_offset_s): &(&str, Option<i32>)| CaptureTime {
            utc_offset_s: *utc_offset_s,
            ..CaptureTime::parse(text).expect("a time")
        };
        let captured: Vec<CaptureTime> = captured.iter().map(time).collect();
        let cards = start_cards(&captured);
        let values = cards.iter().map(|card| match &card.value {
            CardValue::Text(text) => text.as_str(),
            other => panic!("{other:?}"),
        });
        assert_eq!(values.collect::<Vec<_>>(), want);
    }

    #[test]
    fn a_stack_begins_with_its_earliest_light() {
        check(&[], &[]);
        let east = [
            ("2026-01-19T00:30:00", Some(3600)),
            ("2026-01-19T00:29:00.5", Some(3600)),
        ];
        check(&east, &["2026-01-18T23:29:00.5", "UTC"]);
        check(
            &[("2026-01-19T21:00:00", Some(-10800))],
            &["2026-01-20T00:00:00", "UTC"],
        );
        let unknown = [("2026-01-19T00:30:00", None), east[1]];
        check(&unknown, &["2026-01-19T00:29:00.5", "LOCAL"]);
    }
}
