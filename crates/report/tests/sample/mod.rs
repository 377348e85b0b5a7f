//! A report with every field filled, for an invented night.

use radicand_report::*;
use std::collections::BTreeMap;
use std::path::Path;

/// Every optional field has a value, every list an entry.
pub fn full() -> Report {
    Report {
        schema_version: SCHEMA_VERSION,
        frames: vec![light(), left_out()],
        geometry: geometry(),
        noise: Noise {
            summary: summary(),
            regions: vec![region()],
            sensor: [(Channel::G, sensor())].into(),
        },
        ground: Some(Ground {
            found: GroundFound::Auto,
            fraction: 0.16,
            expected_gain: Some(4.47),
            gain_area: Some(4.45),
            effective_frames: Some(19.8),
            error: Some(0.03),
            motion: Some(GroundMotion {
                drift_px: 131.4,
                smear_px: 14.3,
                masked: 0.24,
            }),
        }),
        from_mosaic: Some(FromMosaic {
            scale: 2.0,
            drop_shape: "square".into(),
            drop_px: 0.7,
            width: 2400,
            height: 1800,
            channels: [(Channel::R, mosaic_channel())].into(),
            regions: vec![MosaicRegion {
                x0: 0,
                y0: 0,
                x1: 384,
                y1: 448,
                channels: [(
                    Channel::R,
                    MosaicNoise {
                        noise_pixel_dn: 4.3,
                        noise_area_dn: 3.3,
                        noise_area_error_dn: 0.08,
                        correlation: 1.51,
                    },
                )]
                .into(),
            }],
        }),
        sensor_pattern: Some(SensorPattern {
            subtracted: true,
            reason: None,
            drift_px: Some(28.7),
            tellable: Some(0.39),
            believed: Some(0.96),
            known: Some(0.99),
            stack_before_dn: Some(12.6),
            stack_after_dn: Some(10.4),
            noise_ratio: Some(0.825),
            noise_ratio_error: Some(0.001),
            channels: [(
                Channel::R,
                PatternChannel {
                    rms_dn: 12.3,
                    error_dn: 2.5,
                },
            )]
            .into(),
        }),
        stars: stars(),
        run: run(),
        warnings: all_warnings().iter().map(WarningEntry::from).collect(),
    }
}

fn mosaic_channel() -> MosaicChannel {
    MosaicChannel {
        empty: 0.031,
        thin: 0.12,
        rejected: 0.004,
        lights_needed: 54.1,
        noise_pixel_dn: Some(4.1),
        noise_area_dn: Some(3.1),
        noise_area_error_dn: Some(0.02),
        first_pass_area_dn: Some(3.2),
        correlation: Some(1.5),
        correlation_expected: Some(1.52),
    }
}

fn geometry() -> Geometry {
    Geometry {
        model: GeometryModel::Lens,
        reason: None,
        projection: Some("equisolid".into()),
        projection_margin: Some(31.5),
        focal_px: Some(551.9),
        focal_error_px: Some(0.08),
        focal_by_stars: Some(0.999),
        principal_point_px: Some([599.4, 449.6]),
        principal_point_error_px: Some([0.1, 0.12]),
        distortion: Some([-0.03, 0.005, 0.0]),
        distortion_error: Some([2e-5, 1e-5, 0.0]),
        pole: Some([0.0, 0.6, -0.8]),
        pole_px: Some([599.4, -20.5]),
        pole_error_deg: Some(0.008),
        zenith: Some([0.0, -0.62, 0.79]),
        refraction: Some(0.93),
        rate: Some(1.0002),
        rate_error: Some(0.0003),
        held: Some("sidereal_rate".into()),
        clock_off: vec!["0417.dng".into()],
        clock_backwards: Vec::new(),
        camera_moved: Vec::new(),
        advantage: Some(4102.0),
        zones: vec![Ring {
            from: 0.0,
            to: 0.25,
            pairs: 1846,
            lens_px: Some(0.091),
            homography_px: Some(0.879),
        }],
    }
}

pub fn all_warnings() -> Vec<Warning> {
    vec![
        Warning::TooFewFramesToClip {
            frames: 7,
            clip_sigmas: 3.0,
            largest_sigmas: 2.958,
            frames_needed: 8,
            not_predicted: None,
        },
        Warning::HeavyClip {
            share: 0.12,
            measured: true,
        },
        Warning::HeavyClip {
            share: 0.3,
            measured: false,
        },
        Warning::PatternNotVisible {
            drift_px: Some(0.8),
            upper_bound: 0.62,
            basis: PatternBasis::Assumed,
        },
        Warning::PatternNotVisible {
            drift_px: None,
            upper_bound: 0.62,
            basis: PatternBasis::Calibration,
        },
        Warning::SmallDrift { drift_px: 3.5 },
        Warning::Saturated {
            channel: Channel::G,
            share: 0.31,
        },
        Warning::SensorPatternTakenOff {
            noise_ratio: 0.825,
            error: 0.001,
        },
        Warning::SensorPatternLeft {
            reason: "the lights show none beyond the noise of finding it".into(),
        },
        Warning::NoDarks,
        Warning::NoFlats,
        Warning::FramesLeftOut {
            left_out: 2,
            of: 22,
        },
        Warning::CloudyFrames {
            cloudy: 3,
            of: 20,
            worst_transparency: 0.41,
        },
        Warning::PlaneMaps {
            file: "night/0419.dng".to_owned(),
            frames: 2,
            of: 20,
        },
        Warning::GroundSmears {
            smear_px: 14.3,
            drift_px: 131.4,
            masked: 0.24,
        },
        Warning::GroundGuessed {
            file: "night/IMG_0042.dng".to_owned(),
            frames: 2,
        },
        Warning::GroundNotFollowed,
        Warning::SkiesDiffer {
            measured: 0.61,
            by_exposure: 0.44,
        },
        Warning::RidgeStep {
            channel: Channel::B,
            step: -0.08,
        },
        Warning::BrightnessUnknown,
        Warning::NoisyGround {
            ratio: 2.3,
            factor: 0.44,
        },
        Warning::GroundMissing {
            share: 0.028,
            columns: (31, 6000),
            rows: (0, 3988),
        },
        Warning::SkyMissing { share: 0.036 },
        Warning::SparsePhotosites {
            channel: Channel::R,
            scale: 2.0,
            empty: 0.03,
            thin: 0.12,
            frames: 20,
            needed: 55,
        },
        Warning::FewStars {
            file: "night/0412.dng".to_owned(),
            found: 9,
            needed: 20,
        },
        Warning::MastersMismatch {
            kind: MasterKind::Flat,
            what: "focal length".to_owned(),
            lights: "24 mm".to_owned(),
            masters: "35 mm".to_owned(),
        },
    ]
}

fn light() -> FrameEntry {
    let lattice = (0..35).map(|i| {
        let (x, y) = (f64::from(i % 7) * 200.0, f64::from(i / 7) * 225.0);
        [x, y, x + 1.25, y - 0.5]
    });
    FrameEntry {
        file: file_name(Path::new("night/0411.dng")),
        kind: Some(FrameKind::Light),
        used: true,
        reason: None,
        exposure_s: Some(20.0),
        iso: Some(1600),
        captured: Some("2031-01-14T23:12:20+01:00".to_owned()),
        decoder: Some("rawloader".to_owned()),
        stars: Some(812),
        fwhm_px: Some(2.31),
        ellipticity: Some(0.12),
        shake_px: Some(0.3),
        cloud_fraction: Some(0.0),
        sky: Some(
            [
                (Channel::R, 301.5),
                (Channel::G, 522.25),
                (Channel::B, 390.0),
            ]
            .into(),
        ),
        transparency: Some(0.98),
        weight: Some(0.97),
        matched: Some(640),
        residual_px: Some(0.07),
        map: Some("lens".to_owned()),
        mapping: Some(lattice.collect()),
    }
}

fn left_out() -> FrameEntry {
    FrameEntry {
        file: "night/0412.dng".to_owned(),
        reason: Some("strip 3 has 100 bytes but 120 are needed".to_owned()),
        ..FrameEntry::default()
    }
}

fn summary() -> Summary {
    Summary {
        frames_used: 20,
        expected_gain: 4.47,
        gain_area: 4.16,
        gain_pixel: 5.9,
        gain_pixel_error: 0.03,
        effective_frames: 17.3,
        efficiency: 0.865,
        error: 0.05,
        evidence: Evidence::Measured,
        effective_frames_at_upper_bound: 16.1,
        pattern: Pattern {
            visible: true,
            drift_px: Some(31.0),
            fraction_of_variance: Some(0.04),
            columns: Some(0.01),
            rows: Some(0.0),
            direction_deg: Some(212.0),
            walking: true,
            upper_bound: 0.09,
            basis: PatternBasis::Drift,
        },
        growth: Growth {
            points: vec![GrowthPoint {
                n: 8,
                gain: 2.7,
                error: 0.03,
            }],
            floor: Some(0.05),
            floor_error: Some(0.01),
            frames_to_halve: Some(190.0),
            frames_to_halve_error: Some(45.0),
            stops_paying_at: Some(750.0),
            stops_paying_at_error: Some(150.0),
            includes_pattern: true,
        },
    }
}

fn region() -> Region {
    let channel = ChannelNoise {
        single: 25.0,
        single_error: 0.3,
        stack: 6.0,
        stack_error: 0.1,
        gain_area: 4.17,
        gain_pixel: 5.9,
        gain_pixel_error: 0.05,
        expected: 4.47,
        effective_frames: 17.4,
        error: 0.08,
        evidence: Evidence::Measured,
        single_pixel: 19.0,
        single_pixel_error: 0.1,
        stack_pixel: 3.2,
        stack_pixel_error: 0.02,
        stack_random: 5.9,
        stack_pattern: 1.1,
        sky: 301.5,
        pixels: 41_000,
        budget: Budget {
            coverage: 1.0,
            unequal_weights: 0.99,
            unequal_lights: 1.01,
            transparency: 0.97,
            rejected_samples: 0.998,
            estimator: 0.999,
            pattern: 0.95,
            unexplained: 0.985,
            borrowed: 0.53,
        },
    };
    Region {
        x0: 0,
        y0: 0,
        x1: 192,
        y1: 256,
        part: Part::Sky,
        channels: [Channel::R, Channel::G, Channel::B]
            .map(|name| (name, channel.clone()))
            .into(),
    }
}

fn run() -> Run {
    Run {
        version: "0.1.0".to_owned(),
        settings: BTreeMap::from([
            ("combine".to_owned(), "sigma-clip".into()),
            ("clip".to_owned(), vec![3.0, 3.0].into()),
        ]),
        reference: "night/0411.dng".to_owned(),
        input_digest: "00".repeat(32),
        seconds: BTreeMap::from([("decode".to_owned(), 1.5), ("stack".to_owned(), 9.25)]),
        peak_memory_bytes: Some(1_200_000_000),
    }
}

fn figure(value: f64, error: f64) -> Option<Figure> {
    Some(Figure { value, error })
}

fn sensor() -> SensorChannel {
    SensorChannel {
        gain_e_per_dn: figure(0.4, 0.004),
        gain_source: Some(Source::Flats),
        gain_pairs: 4,
        read_noise_e: figure(2.2, 0.03),
        read_noise_dn: figure(5.5, 0.02),
        read_source: Some(Source::Bias),
        read_pairs: 4,
        step_dn: Some(1.0),
        dark_current_e_per_s: figure(0.02, 0.001),
        prnu: figure(0.006, 0.0001),
        dsnu_e: figure(0.8, 0.02),
        light: Some(SensorLight {
            level_dn: Some(522.0),
            total_dn: figure(36.7, 0.1),
            total_e: figure(14.7, 0.2),
            shot_e: Some(14.4),
            read_e: Some(2.2),
            dark_e: Some(0.6),
            quantization_e: Some(0.12),
            pairs: 6,
        }),
        notes: vec!["levels of the lights differ too little to tell the gain".to_owned()],
    }
}

fn stars() -> Stars {
    let effect = StarEffect {
        size_px: Some(1.3),
        error_px: Some(0.1),
        direction_deg: Some(32.0),
        direction_error_deg: Some(4.0),
        seen: true,
        limit_px: Some(1.5),
    };
    let shape = StarShape {
        fwhm_px: Some(2.3),
        fwhm_error_px: Some(0.02),
        fwhm_scatter_px: Some(0.1),
        fwhm_arcsec: Some(86.0),
        ellipticity: Some(0.12),
        ellipticity_error: Some(0.01),
        direction_deg: Some(31.0),
    };
    Stars {
        measured: 210,
        arcsec_per_px: Some(37.4),
        arcsec_per_px_error: Some(0.2),
        scale_source: Some(ScaleSource::Lens),
        zones: vec![StarZone {
            x0: 0,
            y0: 0,
            x1: 400,
            y1: 300,
            place: ZonePlace::Corner,
            measured: 21,
            single: Some(shape),
            stack: Some(shape),
            misalignment: Some(effect),
        }],
        trail: Some(effect),
        expected_trail_px: Some(1.4),
        expected_trail_deg: Some(30.0),
        radial: Some(RadialPattern {
            corner_px: Some(0.6),
            error_px: Some(0.1),
            seen: true,
        }),
        misalignment: Some(effect),
        findings: vec!["stars are trailed 1.3 px along 32° in a single light".to_owned()],
    }
}
