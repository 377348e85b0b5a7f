//! A result as the user names it, ready to be compared: planes, scale on the sky, times.

use crate::JobError;
use crate::reporting::channel_name;
use crate::session::decode_options;
use ndarray::Array2;
use raw::{
    Channel, Encoding, Frame, FrameInfo, FrameStats, Opened, OpenedContent, Picture,
    PictureContainer,
};
use report::{FrameEntry, FrameKind, Report};
use stack::{
    Calibrator, DefectMap, DefectOptions, Demosaic, DemosaicMethod, SensorLayout, StackError,
    StoredMosaic,
};
use std::path::{Path, PathBuf};

/// What a result is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ResultKind {
    /// A single raw, demosaiced here.
    Raw,
    /// A stack of this program, with its report beside it.
    Stack,
    /// Put together by the camera.
    Composite,
    /// Any other picture.
    Picture,
}

impl ResultKind {
    /// Name for reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::Raw => "raw",
            Self::Stack => "stack",
            Self::Composite => "composite",
            Self::Picture => "picture",
        }
    }
}

/// A result in memory.
#[derive(Clone, Debug)]
pub struct OpenedResult {
    /// The file.
    pub path: PathBuf,
    /// What it is.
    pub kind: ResultKind,
    /// One plane per channel, linear as far as is known, DN above black.
    pub planes: Vec<Array2<f32>>,
    /// The channels.
    pub channels: Vec<Channel>,
    /// Value of a saturated pixel, DN.
    pub saturation_dn: Option<f32>,
    /// What the file says its values mean.
    pub encoding: Encoding,
    /// How it was taken, as far as known.
    pub info: FrameInfo,
    /// Side of a pixel on the sky, arcsec, from the file alone.
    pub scale_arcsec: Option<f64>,
    /// Exposures in it.
    pub shots: Option<u32>,
    /// The report beside it.
    pub report: Option<Report>,
    /// Noise of a photosite of a raw by channel over the root of the share of such sites, DN:
    /// the white-equivalent noise of a demosaiced pixel.
    pub site_noise_dn: Option<Vec<f64>>,
}

/// Finds the photosites of a single raw that are not to be used.
type FindDefects = fn(&SensorLayout, &StoredMosaic) -> Result<DefectMap, StackError>;

/// Arcseconds in a radian, by µm per mm.
const ARCSEC_PER_UM_PER_MM: f64 = 206.264_806;

/// Side of a pixel on the sky, arcsec.
pub fn scale_arcsec(pixel_pitch_um: f64, focal_length_mm: f64) -> f64 {
    ARCSEC_PER_UM_PER_MM * pixel_pitch_um / focal_length_mm
}

impl OpenedResult {
    /// Reads a file, and the report beside it when it is a stack of this program.
    ///
    /// # Errors
    ///
    /// When the file cannot be read or decoded.
    pub fn open(path: &Path) -> Result<Self, JobError> {
        // A comparison is of what is there.
        Self::open_with(path, |layout, _| {
            Ok(DefectMap::none(layout.width, layout.height))
        })
    }

    /// As [`open`](Self::open), without the hot pixels that stand out of a single raw.
    ///
    /// # Errors
    ///
    /// As there.
    pub fn open_clean(path: &Path) -> Result<Self, JobError> {
        Self::open_with(path, |layout, mosaic| {
            DefectMap::from_light(layout, mosaic, &DefectOptions::default())
        })
    }

    fn open_with(path: &Path, defects: FindDefects) -> Result<Self, JobError> {
        let Opened {
            content,
            shots,
            pixel_pitch_um,
        } = raw::open(path, &decode_options())?;
        let mut opened = match content {
            OpenedContent::Frame(frame) => Self::of_frame(*frame, defects)?,
            OpenedContent::Picture(picture) => Self::of_picture(*picture, path),
        };
        opened.shots = match opened.kind {
            ResultKind::Raw => Some(1),
            _ => shots,
        };
        opened.scale_arcsec = pixel_pitch_um
            .zip(opened.info.focal_length_mm)
            .map(|(pitch_um, focal_mm)| scale_arcsec(pitch_um, focal_mm));
        Ok(opened)
    }

    fn of_picture(picture: Picture, path: &Path) -> Self {
        let report = report_beside(path);
        let planes = match picture.encoding {
            Encoding::Srgb => decoded(picture.planes, picture.saturation_dn, srgb_to_light),
            Encoding::Power(exponent) => decoded(picture.planes, picture.saturation_dn, |value| {
                value.powf((1.0 / exponent) as f32)
            }),
            Encoding::Linear | Encoding::Unknown => picture.planes,
        };
        Self {
            path: path.to_owned(),
            kind: match (&report, picture.container) {
                (Some(_), _) => ResultKind::Stack,
                (None, PictureContainer::LinearDng) => ResultKind::Composite,
                _ => ResultKind::Picture,
            },
            planes,
            channels: picture.channels.to_vec(),
            saturation_dn: picture.saturation_dn,
            encoding: picture.encoding,
            info: picture.info,
            scale_arcsec: None,
            shots: None,
            report,
            site_noise_dn: None,
        }
    }

    fn of_frame(frame: Frame, defects: FindDefects) -> Result<Self, StackError> {
        let layout = SensorLayout::of(&frame.mosaic);
        let sites = layout.cfa.values();
        let share = |channel: &Channel| {
            sites.iter().filter(|&site| site == channel).count() as f64 / sites.len() as f64
        };
        let stats = FrameStats::of(&frame.mosaic);
        let noise = stats.channels.iter().zip(layout.cfa.channels());
        let site_noise_dn = noise
            .map(|(stats, channel)| stats.noise_dn / share(channel).sqrt())
            .collect();
        let bounds = layout.bounds();
        let mosaic = StoredMosaic::in_memory(frame.mosaic.data);
        let defects = defects(&layout, &mosaic)?;
        let calibrator = Calibrator::new(layout, None, None, defects)?;
        let window = calibrator.window(&mosaic, &bounds)?;
        let layout = calibrator.layout();
        let channels = layout.cfa.channels().to_vec();
        let mut planes = vec![Vec::new(); channels.len()];
        Demosaic::new(&layout.cfa, DemosaicMethod::default()).run(&window, &bounds, &mut planes);
        let planes = planes
            .into_iter()
            .map(|plane| {
                Array2::from_shape_vec((layout.height, layout.width), plane)
                    .expect("a value for every pixel of the frame")
            })
            .collect();
        Ok(Self {
            path: frame.info.path.clone(),
            kind: ResultKind::Raw,
            planes,
            channels,
            saturation_dn: Some(layout.full_scale_dn(0, 0)),
            encoding: Encoding::Linear,
            info: frame.info,
            scale_arcsec: None,
            shots: Some(1),
            report: None,
            site_noise_dn: Some(site_noise_dn),
        })
    }

    /// Width and height, px.
    pub fn size(&self) -> (usize, usize) {
        self.planes
            .first()
            .map_or((0, 0), |plane| (plane.ncols(), plane.nrows()))
    }

    /// Names of the frames in it, with the moment they were taken.
    pub fn frames(&self) -> Vec<String> {
        let name = |file: &str| {
            let file = Path::new(file).file_name();
            file.map_or_else(String::new, |name| name.to_string_lossy().into_owned())
        };
        match (&self.report, self.kind) {
            (Some(report), _) => lights(report)
                .map(|light| format!("{} {}", name(&light.file), stamp(&light.captured)))
                .collect(),
            (None, ResultKind::Raw) => {
                let captured = self.info.captured.as_ref();
                let captured = captured.map(crate::reporting::capture_text);
                let file = name(&report::file_name(&self.path));
                vec![format!("{file} {}", stamp(&captured))]
            }
            _ => Vec::new(),
        }
    }

    /// Shutter-open time and time on the clock, s, from the file and its report.
    ///
    /// A stack's clock runs from its first light to the end of its last; a camera-made
    /// composite costs one more exposure than it has shots (common practice, no source).
    pub fn times_s(&self) -> (Option<f64>, Option<f64>) {
        if let Some(report) = &self.report {
            let exposures: Option<Vec<f64>> = lights(report).map(|l| l.exposure_s).collect();
            let shutter = exposures.as_ref().map(|all| all.iter().sum());
            let last = exposures.and_then(|all| all.last().copied());
            return (
                shutter,
                span_s(report).zip(last).map(|(span, last)| span + last),
            );
        }
        let exposure = self.info.exposure_s;
        match (self.kind, self.shots, exposure) {
            (ResultKind::Raw, _, Some(exposure)) => (Some(exposure), Some(exposure)),
            (_, Some(shots), Some(exposure)) => {
                let shots = f64::from(shots);
                (Some(shots * exposure), Some((shots + 1.0) * exposure))
            }
            _ => (None, None),
        }
    }

    /// Exposure of a frame in it, s, as far as file or report say.
    pub fn exposure_s(&self) -> Option<f64> {
        let reported = self
            .report
            .as_ref()
            .and_then(|r| lights(r).next()?.exposure_s);
        reported.or(self.info.exposure_s)
    }

    /// Its sensitivity setting.
    pub fn iso(&self) -> Option<u32> {
        let reported = self.report.as_ref().and_then(|r| lights(r).next()?.iso);
        reported.or(self.info.iso)
    }

    /// Frames in it.
    pub fn n_frames(&self) -> Option<u32> {
        let reported = self.report.as_ref().map(|r| lights(r).count() as u32);
        reported.or(self.shots)
    }

    /// What its values are in proportion to under equal light: exposure times sensitivity.
    /// The aperture is taken to be the same.
    pub fn light_gathered(&self) -> Option<f64> {
        Some(self.exposure_s()? * f64::from(self.iso()?))
    }

    /// White-equivalent noise of a pixel by channel, DN: by the report, or of a raw from its
    /// photosites; empty where neither tells.
    pub fn noise_dn(&self) -> Vec<f64> {
        let reported = self.own_noise_dn();
        let reported = reported.map(|all| all.into_iter().map(|(dn, _)| dn).collect());
        reported
            .or_else(|| self.site_noise_dn.clone())
            .unwrap_or_default()
    }

    /// White-equivalent noise of a pixel by channel with its error, DN, as the report
    /// beside it has it: that of the typical region, so that ragged edges do not count.
    /// `None` for its preview, whose numbers are not those of the stack.
    pub fn own_noise_dn(&self) -> Option<Vec<(f64, f64)>> {
        if !matches!(self.encoding, Encoding::Linear) {
            return None;
        }
        let report = self.report.as_ref()?;
        let one = |channel: &Channel| {
            let name = channel_name(*channel);
            if let Some(mosaic) = &report.from_mosaic {
                // The regions speak of the first pass.
                let noise = mosaic.channels.get(&name)?;
                let per_pixel = |dn: f64| dn * mosaic.scale;
                return Some((
                    per_pixel(noise.noise_area_dn?),
                    per_pixel(noise.noise_area_error_dn?),
                ));
            }
            let cells = report.noise.regions.iter();
            let cells: Vec<_> = cells
                .filter_map(|region| region.channels.get(&name))
                .collect();
            let pixels: f64 = cells.iter().map(|cell| cell.pixels as f64).sum();
            let error = cells
                .iter()
                .map(|cell| (cell.pixels as f64 / pixels * cell.error / cell.gain_area).powi(2))
                .sum::<f64>();
            // Cells of two by two photosites have half of the noise.
            let scale = report
                .run
                .settings
                .get("scale")
                .and_then(|scale| scale.as_f64());
            let sigma = crate::cull::median(cells.iter().map(|cell| cell.stack))?;
            let sigma = scale.unwrap_or(1.0) * sigma;
            Some((sigma, sigma * error.sqrt()))
        };
        self.channels.iter().map(one).collect()
    }
}

fn stamp(captured: &Option<String>) -> &str {
    captured.as_deref().unwrap_or_default()
}

fn lights(report: &Report) -> impl Iterator<Item = &FrameEntry> {
    report
        .frames
        .iter()
        .filter(|frame| frame.used && frame.kind == Some(FrameKind::Light))
}

/// From the start of the first light to the start of the last.
fn span_s(report: &Report) -> Option<f64> {
    let times: Option<Vec<raw::CaptureTime>> = lights(report)
        .map(|light| raw::CaptureTime::parse(light.captured.as_deref()?))
        .collect();
    let times = times?;
    let first = times.first()?;
    let seconds = || times.iter().map(|time| time.seconds_since(first));
    let (least, most) = (
        seconds().fold(f64::INFINITY, f64::min),
        seconds().fold(f64::NEG_INFINITY, f64::max),
    );
    Some(most - least)
}

/// The report of the stack a file belongs to; another file in its folder has none.
fn report_beside(path: &Path) -> Option<Report> {
    if !crate::result_names::names(path) {
        return None;
    }
    let report = path.with_file_name(crate::result_names::REPORT);
    Report::from_json(&std::fs::read(report).ok()?).ok()
}

/// Values brought back to light, in units of the highest value.
fn decoded(
    planes: Vec<Array2<f32>>,
    highest: Option<f32>,
    to_light: impl Fn(f32) -> f32,
) -> Vec<Array2<f32>> {
    let highest = highest.unwrap_or(1.0);
    let light = |plane: Array2<f32>| plane.mapv_into(|value| highest * to_light(value / highest));
    planes.into_iter().map(light).collect()
}

/// Inverse of the sRGB curve (IEC 61966-2-1).
fn srgb_to_light(value: f32) -> f32 {
    match value {
        v if v <= 0.04045 => v / 12.92,
        v => ((v + 0.055) / 1.055).powf(2.4),
    }
}
