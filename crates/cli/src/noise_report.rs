//! The measured noise in the words of the report.

use crate::sensor_report;
use noise::{
    ChannelSensor, Evidence, GainReport, GrowthCurve, Measured, Part, PatternBasis, RegionNoise,
};
use report::ByChannel;

/// The report's `noise`; `names` are the picture's channels in order.
pub(crate) fn noise(
    measured: &GainReport,
    sensor: &[ChannelSensor],
    names: &[report::Channel],
) -> report::Noise {
    let summary = &measured.summary;
    let pattern = &summary.pattern;
    report::Noise {
        summary: report::Summary {
            frames_used: summary.frames_used as u32,
            expected_gain: summary.expected_gain,
            gain_area: summary.gain_area,
            gain_pixel: summary.gain_pixel,
            gain_pixel_error: summary.gain_pixel_error,
            effective_frames: summary.effective_frames,
            efficiency: summary.efficiency,
            error: summary.realized_error,
            evidence: evidence(summary.evidence),
            effective_frames_at_upper_bound: summary.effective_frames_at_upper_bound,
            pattern: report::Pattern {
                visible: pattern.visible,
                drift_px: pattern.drift_px,
                fraction_of_variance: pattern.fraction_of_variance,
                columns: pattern.columns,
                rows: pattern.rows,
                direction_deg: pattern.direction_deg,
                walking: pattern.walking,
                upper_bound: pattern.upper_bound,
                basis: basis(pattern.basis),
            },
            growth: summary.growth.as_ref().map(growth).unwrap_or_default(),
        },
        regions: measured
            .regions
            .iter()
            .map(|measured| region(measured, names))
            .collect(),
        sensor: sensor_report::sensor(sensor, names),
    }
}

fn growth(curve: &GrowthCurve) -> report::Growth {
    let point = |point: &noise::GrowthPoint| report::GrowthPoint {
        n: point.n as u32,
        gain: point.gain,
        error: point.error,
    };
    let value = |figure: Option<Measured>| figure.map(|figure| figure.value);
    let error = |figure: Option<Measured>| figure.map(|figure| figure.error);
    report::Growth {
        points: curve.points.iter().map(point).collect(),
        floor: value(curve.floor),
        floor_error: error(curve.floor),
        frames_to_halve: value(curve.lights_to_halve),
        frames_to_halve_error: error(curve.lights_to_halve),
        stops_paying_at: value(curve.stops_paying_at),
        stops_paying_at_error: error(curve.stops_paying_at),
        includes_pattern: curve.includes_pattern,
    }
}

/// What a bound of the fixed pattern rests on.
pub(crate) fn basis(basis: PatternBasis) -> report::PatternBasis {
    match basis {
        PatternBasis::Drift => report::PatternBasis::Drift,
        PatternBasis::Calibration => report::PatternBasis::Calibration,
        PatternBasis::Flats => report::PatternBasis::Flats,
        PatternBasis::Darks => report::PatternBasis::Darks,
        PatternBasis::Assumed => report::PatternBasis::Assumed,
    }
}

fn evidence(evidence: Evidence) -> report::Evidence {
    match evidence {
        Evidence::Measured => report::Evidence::Measured,
        Evidence::Assumed => report::Evidence::Assumed,
        Evidence::Copies => report::Evidence::Copies,
    }
}

fn region(measured: &RegionNoise, names: &[report::Channel]) -> report::Region {
    let area = &measured.region;
    let channels: ByChannel<report::ChannelNoise> = measured
        .channels
        .iter()
        .map(|noise| (names[noise.channel], channel(noise)))
        .collect();
    report::Region {
        x0: area.x0 as u32,
        y0: area.y0 as u32,
        x1: area.x1 as u32,
        y1: area.y1 as u32,
        part: match area.part {
            Part::Sky => report::Part::Sky,
            Part::Ground => report::Part::Ground,
        },
        channels,
    }
}

fn channel(noise: &noise::ChannelNoise) -> report::ChannelNoise {
    let budget = &noise.budget;
    report::ChannelNoise {
        single: noise.single.area,
        single_error: noise.single.area_error,
        stack: noise.stack.area,
        stack_error: noise.stack.area_error,
        gain_area: noise.gain_area,
        gain_pixel: noise.gain_pixel,
        gain_pixel_error: noise.gain_pixel_error,
        expected: noise.expected,
        effective_frames: noise.effective_frames,
        error: noise.realized_error,
        evidence: evidence(noise.evidence),
        single_pixel: noise.single.pixel,
        single_pixel_error: noise.single.pixel_error,
        stack_pixel: noise.stack.pixel,
        stack_pixel_error: noise.stack.pixel_error,
        stack_random: noise.stack.random,
        stack_pattern: noise.stack.pattern,
        sky: noise.sky_dn,
        pixels: noise.pixels as u64,
        budget: report::Budget {
            coverage: budget.coverage,
            unequal_weights: budget.unequal_weights,
            unequal_lights: budget.unequal_lights,
            transparency: budget.transparency,
            rejected_samples: budget.rejected_samples,
            estimator: budget.estimator,
            pattern: budget.pattern,
            unexplained: budget.unexplained,
            borrowed: budget.borrowed,
        },
    }
}
