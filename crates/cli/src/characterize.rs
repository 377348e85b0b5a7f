//! What the frames of a job tell about sensor and stars.

use crate::light::SolvedLight;
use crate::opened_result::scale_arcsec;
use crate::session::{Session, SessionFrame};
use align::{Background, BackgroundOptions, DetectOptions, Saturation, Smoothing, Star, detect};
use noise::{
    ChannelSensor, Exposure, SensorFrames, StarField, StarPair, StarShapeObserver,
    StarShapeOptions, StarShapes, bayer_green_variance_px2, frames_looked_at, measure_sensor,
};
use raw::Channel;
use report::{Geometry, ScaleSource};
use stack::{Kernel, SensorLayout, StackError, StackPart, StoredStack};

/// Index of the channel that stars are measured on: green, or the only one.
fn star_channel(layout: &SensorLayout) -> usize {
    let channels = layout.cfa.channels();
    let green = channels.iter().position(|&channel| channel == Channel::G);
    green.unwrap_or(0)
}

/// What measures the stars while the stack is made.
pub(crate) fn star_observer(
    stars: &[Star],
    lights: &[SolvedLight],
    layout: &SensorLayout,
    saturation_dn: f32,
    kernel: Kernel,
) -> StarShapeObserver {
    let options = StarShapeOptions {
        channel: star_channel(layout),
        smoothing_px2: match layout.cfa.is_bayer() {
            true => bayer_green_variance_px2(),
            false => 0.0,
        },
        saturation_dn: Some(saturation_dn),
        ..StarShapeOptions::default()
    };
    let maps = lights.iter().map(|light| light.light.map.clone()).collect();
    StarShapeObserver::new(stars, options).with_maps(kernel, maps)
}

/// The shapes of the stars that the observer saw.
pub(crate) fn star_shapes(
    observer: &StarShapeObserver,
    tiles: &[Vec<StarPair>],
    lights: &[SolvedLight],
    layout: &SensorLayout,
    scale: Option<&FieldScale>,
) -> StarShapes {
    let trail = |x: f64, y: f64| trail_px(lights, x, y).unwrap_or((f64::NAN, f64::NAN));
    let (center_x, center_y) = (0.5 * layout.width as f64, 0.5 * layout.height as f64);
    let timed = trail_px(lights, center_x, center_y).is_some();
    let known = StarField {
        width: layout.width,
        height: layout.height,
        arcsec_per_px: scale.map(|scale| scale.arcsec_per_px),
        trail_px: if timed { Some(&trail) } else { None },
    };
    StarShapes::from_stars(observer, tiles, &known)
}

/// Scale at the center of the field.
pub(crate) struct FieldScale {
    pub arcsec_per_px: f64,
    /// One standard error; `None` where the file states the scale.
    pub error_arcsec_per_px: Option<f64>,
    pub source: ScaleSource,
}

/// Relative error up to which the stars' focal length stands for the one stated, which is
/// rounded and a per cent or two off itself. A judgment, no source.
const LENS_KNOWN: f64 = 0.03;

/// Scale at the center of the field by the lens, where the stars tell it well enough, else
/// by the focal length and pixel pitch that the file states; `None` where it does not.
pub(crate) fn field_scale(geometry: &Geometry, lights: &[SolvedLight]) -> Option<FieldScale> {
    by_lens(geometry).or_else(|| {
        let info = &lights.first()?.frame.frame.info;
        Some(FieldScale {
            arcsec_per_px: scale_arcsec(info.pixel_pitch_um?, info.focal_length_mm?),
            error_arcsec_per_px: None,
            source: ScaleSource::Exif,
        })
    })
}

fn by_lens(geometry: &Geometry) -> Option<FieldScale> {
    const ARCSEC_PER_RADIAN: f64 = 206_264.806;
    let focal_px = geometry.focal_px.filter(|&px| px > 0.0)?;
    let relative = geometry.focal_error_px? / focal_px;
    let arcsec_per_px = ARCSEC_PER_RADIAN / focal_px;
    (relative < LENS_KNOWN).then_some(FieldScale {
        arcsec_per_px,
        error_arcsec_per_px: Some(relative * arcsec_per_px),
        source: ScaleSource::Lens,
    })
}

/// How far a star moves over the sensor in one exposure, px: its drift from light to
/// light, by least squares over the capture times. `None` where they are not known.
fn trail_px(lights: &[SolvedLight], x: f64, y: f64) -> Option<(f64, f64)> {
    let first = lights.first()?.frame.frame.info.captured?;
    let exposure_s = lights.first()?.frame.frame.info.exposure_s?;
    let places: Option<Vec<(f64, f64, f64)>> = lights
        .iter()
        .map(|light| {
            let captured = light.frame.frame.info.captured?;
            let (own_x, own_y) = light.light.map.map(x, y);
            let finite = own_x.is_finite() && own_y.is_finite();
            finite.then(|| (captured.seconds_since(&first), own_x, own_y))
        })
        .collect();
    let places = places?;
    let n = places.len() as f64;
    let mean = |of: fn(&(f64, f64, f64)) -> f64| places.iter().map(of).sum::<f64>() / n;
    let (mt, mx, my) = (mean(|p| p.0), mean(|p| p.1), mean(|p| p.2));
    let (mut tt, mut tx, mut ty) = (0.0, 0.0, 0.0);
    for (t, x, y) in &places {
        tt += (t - mt) * (t - mt);
        tx += (t - mt) * (x - mx);
        ty += (t - mt) * (y - my);
    }
    (tt > 0.0).then(|| (tx / tt * exposure_s, ty / tt * exposure_s))
}

/// What the frames tell about the sensor.
///
/// - `stars`: of the reference, to be left out in every light.
///
/// # Errors
///
/// When samples cannot be read back from the scratch file.
pub(crate) fn sensor(
    session: &Session,
    lights: &[SolvedLight],
    stars: &[Star],
    layout: &SensorLayout,
) -> Result<Vec<ChannelSensor>, StackError> {
    let exposure = |frame: &SessionFrame, stars: Vec<Star>| Exposure {
        mosaic: frame.mosaic.clone(),
        exposure_s: frame.frame.info.exposure_s,
        stars,
    };
    let plain = |frames: &[SessionFrame]| -> Vec<Exposure> {
        frames
            .iter()
            .map(|frame| exposure(frame, Vec::new()))
            .collect()
    };
    let iso = |frame: &SessionFrame| frame.frame.info.iso;
    let light_iso = lights.first().and_then(|light| iso(&light.frame));
    // Flats serve the light's response at any sensitivity setting, but the gain is one's own.
    let flats: Vec<SessionFrame> = session
        .flats
        .iter()
        .filter(|flat| iso(flat) == light_iso || iso(flat).is_none() || light_iso.is_none())
        .cloned()
        .collect();
    let looked_at = frames_looked_at(lights.len());
    let of_lights: Vec<Exposure> = lights
        .iter()
        .enumerate()
        .map(|(i, light)| {
            let moved = |star: &Star| {
                let (x, y) = light.light.map.map(star.x, star.y);
                Star { x, y, ..*star }
            };
            let moved = match looked_at.contains(&i) {
                true => stars.iter().map(moved).collect(),
                false => Vec::new(),
            };
            exposure(&light.frame, moved)
        })
        .collect();
    let (bias, own_flats) = (plain(&session.bias), plain(&flats));
    // Of another exposure they are no darks of these lights.
    let darks = match session.dark_scale {
        None => plain(&session.darks),
        Some(_) => Vec::new(),
    };
    let frames = SensorFrames {
        layout,
        bias: &bias,
        darks: &darks,
        flats: &own_flats,
        lights: &of_lights,
    };
    let mut sensor = measure_sensor(&frames)?;
    if flats.is_empty() && !session.flats.is_empty() {
        let by_others = measure_sensor(&SensorFrames {
            flats: &plain(&session.flats),
            lights: &[],
            ..frames
        })?;
        for (own, by_others) in sensor.iter_mut().zip(by_others) {
            own.flat_noise = by_others.flat_noise;
        }
    }
    Ok(sensor)
}

/// The stars of the stack, which shows fainter ones than any light; in the light's
/// differences they would pass for noise.
///
/// # Errors
///
/// When the stack cannot be read back from its scratch file.
pub(crate) fn stars_of_stack(
    stack: &StoredStack,
    layout: &SensorLayout,
    saturation_dn: f32,
) -> Result<Vec<Star>, StackError> {
    let plane = stack.plane(StackPart::Mean, star_channel(layout))?;
    let background = Background::estimate(plane.view(), &BackgroundOptions::default());
    let options = DetectOptions {
        saturation: Some(Saturation::Level(saturation_dn)),
        smoothing: Smoothing::None,
        ..DetectOptions::default()
    };
    Ok(detect(plane.view(), &background, &options))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_scale_is_that_of_a_lens_known_well() {
        let lens = |focal_error_px: f64| Geometry {
            focal_px: Some(4000.0),
            focal_error_px: Some(focal_error_px),
            ..Geometry::default()
        };
        let scale = by_lens(&lens(20.0)).expect("known to half a per cent");
        // 206264.806 arcsec are a radian.
        assert!((scale.arcsec_per_px - 51.566_201_5).abs() < 1e-6);
        let error = scale.error_arcsec_per_px.expect("an error");
        assert!((error / scale.arcsec_per_px - 0.005).abs() < 1e-12);
        assert_eq!(scale.source, ScaleSource::Lens);
        assert!(by_lens(&lens(400.0)).is_none(), "a tenth is too much");
        assert!(by_lens(&lens(f64::NAN)).is_none());
        assert!(by_lens(&Geometry::default()).is_none());
    }
}
