//! The scenes that come with the simulator.
//!
//! The place, the camera and the lenses are invented. The sensor's figures lie in the
//! range published for full-frame sensors of recent years (from memory).

use crate::mount::south_pole_in_camera;
use crate::{
    Band, Calibration, Cloud, CountLaw, Faults, Glow, Layout, Lens, Mount, Satellite, Scene,
    Sensor, Sky, Stars, Vignetting,
};
use jiff::civil::date;
use raw::Cfa;

/// Names that [`Scene::named`] knows, with what they show.
pub const SCENE_NAMES: [(&str, &str); 5] = [
    (
        "tripod-burst",
        "20 short lights from a tripod: drift and field rotation",
    ),
    (
        "tracked",
        "12 longer lights on a tracker that lags a little, with dither",
    ),
    (
        "faults",
        "a night with cloud, satellites, damaged and foreign files, darks mixed in",
    ),
    ("calibration", "darks, flats and bias frames alone"),
    (
        "demo",
        "a winter night with a band of stars over a light dome, and its darks",
    ),
];

/// North latitude of the invented place, degrees.
const LATITUDE_DEG: f64 = 46.0;

impl Scene {
    /// A scene of [`SCENE_NAMES`]; `None` for any other name.
    pub fn named(name: &str) -> Option<Self> {
        match name {
            "tripod-burst" => Some(tripod_burst()),
            "tracked" => Some(tracked()),
            "faults" => Some(faults()),
            "calibration" => Some(calibration()),
            "demo" => Some(demo()),
            _ => None,
        }
    }
}

fn tripod_burst() -> Scene {
    Scene {
        name: "tripod-burst".into(),
        place: "Orrendale Fell".into(),
        seed: 20_260_117,
        width: 1200,
        height: 900,
        frames: 20,
        exposure_s: 4.0,
        gap_s: 0.75,
        start: date(2026, 1, 17).at(22, 41, 8, 250_000_000),
        utc_offset_h: 1,
        sky: Sky {
            stars: Stars::Counted(CountLaw {
                brightest_mag: 2.0,
                faintest_mag: 12.0,
                density: 1.0,
            }),
            glow: Glow {
                mag_arcsec2: Some(20.8),
                tint: [1.05, 1.0, 1.0],
                gradient: [0.03, 0.12],
                dome: 0.0,
                dome_height: 0.3,
            },
            band: None,
        },
        lens: wide_lens(),
        sensor: sensor(),
        mount: Mount::tripod(south_pole_in_camera(LATITUDE_DEG, 52.0, 150.0)),
        satellites: Vec::new(),
        cloud: None,
        calibration: Calibration::NONE,
        faults: Faults::default(),
    }
}

fn tracked() -> Scene {
    let mut mount = Mount::tracked(south_pole_in_camera(LATITUDE_DEG, 48.0, 170.0), 0.12);
    mount.dither_arcsec = 400.0;
    Scene {
        name: "tracked".into(),
        seed: 20_260_118,
        frames: 12,
        exposure_s: 30.0,
        gap_s: 2.0,
        mount,
        ..tripod_burst()
    }
}

fn faults() -> Scene {
    let satellite = |light, start, end, electrons_per_px| Satellite {
        light,
        start,
        end,
        electrons_per_px,
    };
    Scene {
        name: "faults".into(),
        seed: 20_260_119,
        satellites: vec![
            satellite(2, [-0.05, 0.20], [1.05, 0.55], 900.0),
            satellite(3, [0.62, -0.05], [0.35, 1.05], 250.0),
            satellite(6, [0.15, 0.80], [0.60, 0.62], 400.0),
        ],
        cloud: Some(Cloud {
            first_light: 8,
            last_light: 13,
            opacity: 0.6,
            added_glow: 1.2,
            clump_px: 700.0,
            drift_px_per_s: [9.0, -3.0],
        }),
        calibration: Calibration {
            darks: 3,
            layout: Layout::OneFolder,
            ..Calibration::NONE
        },
        faults: Faults {
            truncated: 1,
            jpeg: 1,
            empty: 1,
            foreign_text: 1,
        },
        ..tripod_burst()
    }
}

fn calibration() -> Scene {
    Scene {
        name: "calibration".into(),
        seed: 20_260_120,
        frames: 0,
        calibration: Calibration {
            darks: 8,
            flats: 8,
            bias: 8,
            ..Calibration::NONE
        },
        ..tripod_burst()
    }
}

fn demo() -> Scene {
    // The band runs from the lower left to the upper right, a little off the center.
    let pole = [0.545, 0.834, 0.085];
    let norm = pole
        .iter()
        .map(|part: &f64| part * part)
        .sum::<f64>()
        .sqrt();
    Scene {
        name: "demo".into(),
        seed: 20_260_121,
        width: 1500,
        height: 1000,
        exposure_s: 8.0,
        gap_s: 1.5,
        sky: Sky {
            stars: Stars::Counted(CountLaw {
                brightest_mag: 1.0,
                faintest_mag: 11.0,
                density: 1.0,
            }),
            glow: Glow {
                mag_arcsec2: Some(20.9),
                tint: [0.92, 1.0, 1.12],
                gradient: [0.05, 0.15],
                dome: 1.6,
                dome_height: 0.22,
            },
            band: Some(Band {
                pole: pole.map(|part| part / norm),
                mag_arcsec2: 20.6,
                width_deg: 4.0,
                crowding: 4.0,
                dust_mag: 1.6,
                clump_deg: 4.5,
            }),
        },
        lens: Lens {
            model: "Lumholt 14mm f/1.8".into(),
            focal_length_mm: 14.0,
            f_number: 1.8,
            ..wide_lens()
        },
        mount: Mount::tripod(south_pole_in_camera(LATITUDE_DEG, 16.0, 205.0)),
        calibration: Calibration {
            darks: 8,
            ..Calibration::NONE
        },
        ..tripod_burst()
    }
}

fn wide_lens() -> Lens {
    Lens {
        model: "Lumholt 24mm f/1.4".into(),
        focal_length_mm: 24.0,
        f_number: 1.4,
        vignetting: Vignetting::Cos4,
        fwhm_px: 2.0,
        fwhm_growth: 0.25,
    }
}

fn sensor() -> Sensor {
    Sensor {
        make: "Lumholt".into(),
        model: "Lumholt N24".into(),
        pitch_um: 4.35,
        cfa: Cfa::bayer("RGGB").expect("a Bayer array"),
        // In the ratio that `color_matrix` gives a neutral gray under D65.
        efficiency: [0.166, 0.400, 0.301],
        gain_e_per_dn: 0.4,
        read_noise_e: 2.2,
        row_noise_e: 0.3,
        dark_current_e_per_s: 0.02,
        hot_fraction: 4e-4,
        hot_mean_e_per_s: 12.0,
        prnu: 0.006,
        dsnu_e: 0.8,
        full_well_e: 50_000.0,
        black_level_dn: 512,
        bits: 14,
        iso: 800,
        color_matrix: [
            [0.70, -0.15, -0.07],
            [-0.42, 1.22, 0.22],
            [-0.08, 0.20, 0.62],
        ],
    }
}
