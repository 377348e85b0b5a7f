//! Nights at an invented place.

use super::gear::{fisheye_lens, landscape_lens, old_sensor, sensor, ultra_wide_lens, wide_lens};
use crate::{
    Air, Aircraft, Band, Calibration, Cloud, Compression, Dawn, Dew, Faults, GALACTIC_POLE_DEG,
    Glow, Ground, Layout, LightDome, Meteor, Mount, Pointing, Refraction, Satellite, Scene,
    SensorShift, Session, Shaken, Site, Sky, Stars, Sway, WrongExposure, equatorial,
};
use jiff::civil::date;

const SITE: Site = Site {
    latitude_deg: 46.2,
    longitude_deg: 9.4,
};

/// Clear winter air.
const AIR: Air = Air {
    extinction_mag: [0.12, 0.17, 0.28],
    refraction: Some(Refraction {
        pressure_hpa: 880.0,
        temperature_c: -6.0,
    }),
};

fn pointing(altitude_deg: f64, azimuth_deg: f64) -> Pointing {
    Pointing {
        altitude_deg,
        azimuth_deg,
        roll_deg: 0.0,
    }
}

/// The winter half of the galaxy, fainter than the summer's.
fn band(mag_arcsec2: f64) -> Band {
    Band {
        pole: equatorial(GALACTIC_POLE_DEG.0, GALACTIC_POLE_DEG.1),
        mag_arcsec2,
        width_deg: 7.0,
        crowding: 3.0,
        dust_mag: 1.2,
        clump_deg: 5.0,
    }
}

pub(super) fn tripod_burst() -> Scene {
    let view = pointing(46.0, 165.0);
    Scene {
        name: "tripod-burst".into(),
        place: "Orrendale Fell".into(),
        site: SITE,
        pointing: view,
        seed: 20_260_117,
        width: 1200,
        height: 900,
        frames: 20,
        exposure_s: 4.0,
        gap_s: 0.75,
        start: date(2026, 1, 17).at(22, 41, 8, 250_000_000),
        utc_offset_h: 1,
        sky: Sky {
            stars: Stars::Catalog(12.0),
            glow: Glow {
                mag_arcsec2: Some(20.8),
                tint: [1.05, 1.0, 1.0],
                gradient: [0.03, 0.12],
                dome: None,
                dawn: None,
            },
            band: None,
            air: None,
        },
        ground: None,
        lens: wide_lens(),
        sensor: sensor(),
        mount: Mount::tripod(view.south_pole(&SITE)),
        satellites: Vec::new(),
        meteors: Vec::new(),
        aircraft: Vec::new(),
        cloud: None,
        dew: None,
        calibration: Calibration::NONE,
        faults: Faults::default(),
        compression: Compression::None,
        sessions: Vec::new(),
    }
}

pub(super) fn tripod_ground() -> Scene {
    let mut scene = Scene {
        name: "tripod-ground".into(),
        seed: 20_260_122,
        ground: Some(Ground {
            ridge_deg: 14.0,
            relief_deg: 1.5,
            trees_deg: 0.9,
            mag_arcsec2: 20.3,
            tint: [1.3, 1.0, 0.6],
            lamps: None,
            seed: None,
        }),
        ..tripod_burst()
    };
    scene.sky.air = Some(AIR);
    scene.look(SITE, pointing(17.5, 200.0));
    scene
}

pub(super) fn tracked() -> Scene {
    let base = tripod_burst();
    let mut mount = Mount::tracked(base.mount.axis, 0.12);
    mount.dither_arcsec = 400.0;
    Scene {
        name: "tracked".into(),
        seed: 20_260_118,
        frames: 12,
        exposure_s: 30.0,
        gap_s: 2.0,
        mount,
        ..base
    }
}

pub(super) fn tracked_ground() -> Scene {
    let base = tripod_ground();
    let view = base.pointing;
    let mut mount = Mount::tracked(base.mount.axis, 0.0).misaligned(&view, 6.0, -9.0);
    if let Some(tracker) = &mut mount.tracker {
        tracker.periodic_error_arcsec = 22.0;
        tracker.period_s = 480.0;
        tracker.phase_turns = 0.1;
    }
    Scene {
        name: "tracked-ground".into(),
        seed: 20_260_123,
        frames: 10,
        exposure_s: 40.0,
        gap_s: 2.0,
        mount,
        sessions: vec![Session {
            folder: "ground".into(),
            start: date(2026, 1, 17).at(22, 52, 30, 0),
            pointing: view,
            mount: base.mount,
            frames: 4,
            exposure_s: 90.0,
        }],
        ..base
    }
}

pub(super) fn ultra_wide() -> Scene {
    let mut scene = Scene {
        name: "ultra-wide".into(),
        seed: 20_260_124,
        frames: 16,
        exposure_s: 20.0,
        gap_s: 1.0,
        lens: ultra_wide_lens(),
        compression: Compression::LosslessJpeg,
        ..tripod_burst()
    };
    scene.sky.stars = Stars::Catalog(10.0);
    scene.sky.band = Some(band(21.4));
    scene.look(SITE, pointing(55.0, 190.0));
    scene
}

pub(super) fn fisheye() -> Scene {
    let mut scene = Scene {
        name: "fisheye".into(),
        seed: 20_260_125,
        frames: 16,
        exposure_s: 25.0,
        gap_s: 1.0,
        lens: fisheye_lens(),
        ground: Some(Ground {
            ridge_deg: 5.0,
            relief_deg: 4.0,
            trees_deg: 2.5,
            mag_arcsec2: 23.5,
            tint: [1.0; 3],
            lamps: None,
            seed: None,
        }),
        ..tripod_burst()
    };
    scene.sky.stars = Stars::Catalog(9.5);
    scene.sky.band = Some(band(21.4));
    scene.sky.air = Some(AIR);
    scene.sky.glow.gradient = [0.0; 2];
    scene.sky.glow.dome = Some(LightDome {
        azimuth_deg: 225.0,
        strength: 3.0,
        height_deg: 12.0,
        width_deg: 35.0,
    });
    scene.look(SITE, pointing(52.0, 200.0));
    scene
}

pub(super) fn hand_held() -> Scene {
    let base = tripod_ground();
    let mut scene = Scene {
        name: "hand-held".into(),
        seed: 20_260_126,
        frames: 24,
        exposure_s: 0.5,
        gap_s: 0.3,
        start: date(2026, 1, 18).at(7, 3, 12, 0),
        sensor: sensor().at_iso(6400, 4.0),
        ..base
    };
    scene.mount.sway = Some(Sway {
        wander_arcsec: 900.0,
        roll_arcsec: 1500.0,
        tremor_arcsec: 40.0,
    });
    scene.sky.stars = Stars::Catalog(10.0);
    scene.sky.glow.dawn = Some(Dawn {
        equal_after_s: -240.0,
        mag_per_min: 0.16,
    });
    scene.look(SITE, pointing(18.0, 130.0));
    scene
}

pub(super) fn multi_shot() -> Scene {
    let base = tripod_burst();
    // Stars may not move between the shots: a tracker without fault, and without dither.
    let mut mount = Mount::tracked(base.mount.axis, 0.0);
    mount.sensor_shift = SensorShift::Four;
    Scene {
        name: "multi-shot".into(),
        seed: 20_260_127,
        frames: 4,
        exposure_s: 15.0,
        gap_s: 0.5,
        mount,
        ..base
    }
}

pub(super) fn multi_shot_fine() -> Scene {
    let base = multi_shot();
    let mut mount = base.mount;
    mount.sensor_shift = SensorShift::Eight;
    Scene {
        name: "multi-shot-fine".into(),
        frames: 8,
        mount,
        ..base
    }
}

pub(super) fn faults() -> Scene {
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
        aircraft: vec![Aircraft {
            light: 7,
            start: [1.05, 0.30],
            end: [0.45, 0.38],
            electrons_per_px: 700.0,
            flashes: 5,
            flash_electrons: 60_000.0,
            span_px: 7.0,
        }],
        meteors: vec![Meteor {
            light: 4,
            start: [0.72, 0.22],
            end: [0.51, 0.47],
            electrons_per_px: 2500.0,
        }],
        cloud: Some(Cloud {
            first_light: 8,
            last_light: 13,
            opacity: 0.6,
            added_glow: 1.2,
            clump_px: 700.0,
            drift_px_per_s: [9.0, -3.0],
        }),
        dew: Some(Dew {
            last_dry_light: 11,
            fwhm_growth: 0.8,
            loss: 0.35,
        }),
        sensor: old_sensor(),
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
            wrong_exposure: Some(WrongExposure {
                light: 1,
                factor: 0.25,
            }),
            shaken: Some(Shaken {
                light: 12,
                arcsec: 220.0,
            }),
        },
        ..tripod_burst()
    }
}

pub(super) fn three_sessions() -> Scene {
    let base = tripod_burst();
    let session = |folder: &str, hour, view: Pointing, exposure_s| Session {
        folder: folder.into(),
        start: date(2026, 1, 18).at(hour, 12, 40, 500_000_000),
        pointing: view,
        mount: base.mount,
        frames: 12,
        exposure_s,
    };
    Scene {
        name: "three-sessions".into(),
        seed: 20_260_128,
        frames: 12,
        sessions: vec![
            session("second", 0, pointing(60.0, 240.0), 4.0),
            session("third", 1, pointing(38.0, 285.0), 6.0),
        ],
        ..base.clone()
    }
}

pub(super) fn calibration() -> Scene {
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

pub(super) fn demo() -> Scene {
    let mut scene = Scene {
        name: "demo".into(),
        seed: 20_260_121,
        width: 1500,
        height: 1000,
        exposure_s: 8.0,
        gap_s: 1.5,
        start: date(2026, 1, 18).at(1, 22, 8, 250_000_000),
        lens: landscape_lens(),
        ground: Some(Ground {
            ridge_deg: 14.6,
            relief_deg: 1.1,
            trees_deg: 0.7,
            mag_arcsec2: 23.4,
            tint: [0.9, 1.0, 1.15],
            lamps: None,
            seed: None,
        }),
        calibration: Calibration {
            darks: 8,
            ..Calibration::NONE
        },
        ..tripod_burst()
    };
    scene.sky = Sky {
        stars: Stars::Catalog(11.5),
        glow: Glow {
            mag_arcsec2: Some(21.2),
            tint: [0.92, 1.0, 1.12],
            gradient: [0.0; 2],
            dome: Some(LightDome {
                azimuth_deg: 246.0,
                strength: 3.2,
                height_deg: 6.0,
                width_deg: 14.0,
            }),
            dawn: None,
        },
        band: Some(band(21.6)),
        air: Some(AIR),
    };
    scene.look(SITE, pointing(21.3, 238.0));
    scene
}
