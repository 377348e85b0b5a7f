//! Sensor and stars in the words of the report.

use crate::characterize::FieldScale;
use noise::{ChannelSensor, Effect, Measured, StarShapes, StarZone, TransferSource, ZoneShape};

/// The report's `noise.sensor`; `names` are the picture's channels in order.
pub(crate) fn sensor(channels: &[ChannelSensor], names: &[report::Channel]) -> report::Sensor {
    channels
        .iter()
        .map(|sensor| (names[sensor.channel], sensor_channel(sensor)))
        .collect()
}

fn sensor_channel(sensor: &ChannelSensor) -> report::SensorChannel {
    report::SensorChannel {
        gain_e_per_dn: sensor.gain_e_per_dn.map(figure),
        gain_source: sensor.gain_source.map(source),
        gain_pairs: sensor.gain_pairs as u32,
        read_noise_e: sensor.read_noise_e().map(figure),
        read_noise_dn: sensor.read_noise_dn.map(figure),
        read_source: sensor.read_source.map(source),
        read_pairs: sensor.read_pairs as u32,
        step_dn: sensor.step_dn,
        dark_current_e_per_s: sensor.dark_current_e_per_s.map(figure),
        prnu: sensor.prnu.map(figure),
        dsnu_e: sensor.dsnu_e().map(figure),
        light: sensor.light.map(|light| report::SensorLight {
            level_dn: finite(light.level_dn),
            total_dn: Some(figure(light.total_dn)),
            total_e: light.total_e.map(figure),
            shot_e: light.shot_e,
            read_e: light.read_e,
            dark_e: light.dark_e,
            quantization_e: light.quantization_e,
            pairs: light.pairs as u32,
        }),
        notes: sensor.notes.iter().map(ToString::to_string).collect(),
    }
}

pub(crate) fn figure(measured: Measured) -> report::Figure {
    report::Figure {
        value: measured.value,
        error: measured.error,
    }
}

fn source(source: TransferSource) -> report::Source {
    match source {
        TransferSource::Flats => report::Source::Flats,
        TransferSource::Bias => report::Source::Bias,
        TransferSource::Darks => report::Source::Darks,
        TransferSource::Lights => report::Source::Lights,
    }
}

/// The report's `stars`.
pub(crate) fn stars(shapes: &StarShapes, scale: Option<&FieldScale>) -> report::Stars {
    let expected = shapes
        .expected_trail
        .filter(|(length_px, _)| length_px.is_finite());
    report::Stars {
        measured: shapes.stars as u32,
        arcsec_per_px: scale.map(|scale| scale.arcsec_per_px),
        arcsec_per_px_error: scale.and_then(|scale| scale.error_arcsec_per_px),
        scale_source: scale.map(|scale| scale.source),
        zones: shapes.zones.iter().map(zone).collect(),
        trail: shapes.trail.map(effect),
        expected_trail_px: expected.map(|(length_px, _)| length_px),
        expected_trail_deg: expected.map(|(_, direction_deg)| direction_deg),
        radial: shapes.radial.map(|radial| report::RadialPattern {
            corner_px: finite(radial.corner_px),
            error_px: finite(radial.error_px),
            seen: radial.seen,
        }),
        misalignment: shapes.misalignment.map(effect),
        findings: shapes.findings().iter().map(ToString::to_string).collect(),
    }
}

fn zone(zone: &StarZone) -> report::StarZone {
    report::StarZone {
        x0: zone.x0 as u32,
        y0: zone.y0 as u32,
        x1: zone.x1 as u32,
        y1: zone.y1 as u32,
        place: match zone.place {
            noise::ZonePlace::Center => report::ZonePlace::Center,
            noise::ZonePlace::Edge => report::ZonePlace::Edge,
            noise::ZonePlace::Corner => report::ZonePlace::Corner,
        },
        measured: zone.stars as u32,
        single: zone.single.map(shape),
        stack: zone.stack.map(shape),
        misalignment: zone.misalignment.map(effect),
    }
}

fn shape(shape: ZoneShape) -> report::StarShape {
    report::StarShape {
        fwhm_px: finite(shape.fwhm_px),
        fwhm_error_px: finite(shape.fwhm_error_px),
        fwhm_scatter_px: finite(shape.fwhm_scatter_px),
        fwhm_arcsec: shape.fwhm_arcsec,
        ellipticity: finite(shape.ellipticity),
        ellipticity_error: finite(shape.ellipticity_error),
        direction_deg: finite(shape.direction_deg),
    }
}

fn effect(effect: Effect) -> report::StarEffect {
    report::StarEffect {
        size_px: finite(effect.size_px),
        error_px: finite(effect.error_px),
        direction_deg: finite(effect.direction_deg),
        direction_error_deg: finite(effect.direction_error_deg),
        seen: effect.seen,
        limit_px: finite(effect.limit_px),
    }
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}
