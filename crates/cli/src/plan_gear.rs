//! Camera and lens of a plan: from a frame, from numbers, or both.

use crate::JobError;
use crate::plan_args::PlanArgs;
use crate::session::decode_options;
use exposure::Camera;
use raw::{Channel, FrameInfo, SurveyedFrame};
use std::path::{Path, PathBuf};

/// Camera and lens, and what the frame shows.
#[derive(Clone, Debug)]
pub(crate) struct Gear {
    pub camera: Camera,
    pub file: Option<PathBuf>,
    pub camera_name: Option<String>,
    pub lens_name: Option<String>,
    pub iso: Option<u32>,
    /// What the frame was taken with, which need not be what is planned.
    pub frame_aperture: Option<f64>,
    pub sky: Option<FrameSky>,
}

/// The sky of a frame.
#[derive(Clone, Copy, Debug)]
pub(crate) struct FrameSky {
    /// Median of green (or the only channel) above black, DN.
    pub level_dn: f64,
    pub exposure_s: f64,
    /// From black to white, DN.
    pub range_dn: f64,
}

impl Gear {
    /// What numbers say, and of the rest the frame.
    pub(crate) fn of(args: &PlanArgs) -> Result<Self, JobError> {
        let frame = args.from.as_deref().map(read).transpose()?;
        let info = frame.as_ref().map(|frame| &frame.info);
        let stated = |of: fn(&FrameInfo) -> Option<f64>| {
            info.and_then(of)
                .filter(|value| value.is_finite() && *value > 0.0)
        };
        let needed = |given: Option<f64>, stated: Option<f64>, what, option| {
            given.or(stated).ok_or_else(|| missing(args, what, option))
        };
        let size = frame.as_ref().map(|frame| {
            let (width, height) = frame.size;
            (width as f64, height as f64)
        });
        let (pixels, pitch_um) = sensor(args, size, stated(|info| info.pixel_pitch_um))?;
        let turned = info.is_some_and(|info| info.orientation >= 5);
        let (width, height) = held(pixels, args.portrait || turned);
        Ok(Self {
            camera: Camera {
                width_px: whole(width)?,
                height_px: whole(height)?,
                pitch_um,
                focal_length_mm: needed(
                    args.focal_length,
                    stated(|info| info.focal_length_mm),
                    "focal length",
                    "--focal-length",
                )?,
                aperture: needed(
                    args.aperture,
                    stated(|info| info.aperture),
                    "f-number",
                    "--aperture",
                )?,
                projection: args.lens.into(),
            },
            file: args.from.clone(),
            camera_name: info.and_then(|info| info.camera.clone()),
            lens_name: info.and_then(|info| info.lens.clone()),
            iso: info.and_then(|info| info.iso),
            frame_aperture: stated(|info| info.aperture),
            sky: frame.as_ref().and_then(sky),
        })
    }
}

fn read(path: &Path) -> Result<SurveyedFrame, JobError> {
    let frame = raw::decode(path, &decode_options()).map_err(JobError::PlanFrame)?;
    Ok(SurveyedFrame::of(&frame))
}

fn sky(frame: &SurveyedFrame) -> Option<FrameSky> {
    let channels = &frame.stats.channels;
    let green = channels.iter().find(|found| found.channel == Channel::G);
    let level_dn = green.or(channels.first())?.level_dn;
    Some(FrameSky {
        level_dn,
        exposure_s: frame.info.exposure_s.filter(|seconds| *seconds > 0.0)?,
        range_dn: frame.range_dn,
    })
}

fn missing(args: &PlanArgs, what: &str, option: &str) -> JobError {
    JobError::Usage {
        problem: match &args.from {
            Some(path) => format!("{} does not state the {what}", raw::printable(path)),
            None => format!("the {what} is not known"),
        },
        remedy: format!("give it with {option}, or name a raw frame that has it with --from"),
    }
}

/// Pixels and their pitch, µm, of what was given of the three, the frame's last.
fn sensor(
    args: &PlanArgs,
    frame_px: Option<(f64, f64)>,
    frame_pitch_um: Option<f64>,
) -> Result<((f64, f64), f64), JobError> {
    if let (Some(pixels), Some(mm), Some(pitch_um)) = (args.pixels, args.sensor, args.pixel_pitch) {
        let wide_um = 1000.0 * mm.0 / pixels.0;
        // Sensors and pitches are printed with two or three digits.
        const ROUNDED: f64 = 0.03;
        if (wide_um / pitch_um - 1.0).abs() > ROUNDED {
            return Err(JobError::Usage {
                problem: format!(
                    "--pixels and --sensor make pixels of {wide_um:.2} µm, but --pixel-pitch says \
                     {pitch_um} µm"
                ),
                remedy: "two of the three are enough".to_owned(),
            });
        }
        return Ok((pixels, pitch_um));
    }
    let of_sensor =
        |mm: (f64, f64), pitch_um: f64| (1000.0 * mm.0 / pitch_um, 1000.0 * mm.1 / pitch_um);
    match (args.pixels.or(frame_px), args.sensor, args.pixel_pitch) {
        // Numbers alone, the frame's size unasked.
        (_, Some(mm), Some(pitch_um)) if args.pixels.is_none() => {
            Ok((of_sensor(mm, pitch_um), pitch_um))
        }
        (Some(pixels), _, Some(pitch_um)) => Ok((pixels, pitch_um)),
        (Some(pixels), Some(mm), None) => {
            Ok((pixels, 1000.0 * mm.0.max(mm.1) / pixels.0.max(pixels.1)))
        }
        (Some(pixels), None, None) => match frame_pitch_um {
            Some(pitch_um) => Ok((pixels, pitch_um)),
            None => Err(missing(args, "pixel pitch", "--pixel-pitch or --sensor")),
        },
        (None, Some(_), None) => Err(missing(args, "pixel pitch", "--pixel-pitch or --pixels")),
        (None, None, _) => Err(missing(
            args,
            "size of the sensor",
            "two of --pixels, --sensor and --pixel-pitch",
        )),
        (None, Some(mm), Some(pitch_um)) => Ok((of_sensor(mm, pitch_um), pitch_um)),
    }
}

/// Width and height as the camera is held.
fn held((width, height): (f64, f64), upright: bool) -> (f64, f64) {
    match upright && width > height {
        true => (height, width),
        false => (width, height),
    }
}

fn whole(pixels: f64) -> Result<u32, JobError> {
    const MOST: f64 = 1e6;
    let rounded = pixels.round();
    if (2.0..=MOST).contains(&rounded) {
        return Ok(rounded as u32);
    }
    Err(JobError::Usage {
        problem: format!("a sensor of {rounded} pixels along a side"),
        remedy: "give --pixels in pixels, --sensor in millimeters and --pixel-pitch in µm"
            .to_owned(),
    })
}
