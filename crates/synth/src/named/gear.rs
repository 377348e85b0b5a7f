//! Invented cameras and lenses.

use crate::{Lens, Mapping, Sensor, Vignetting};
use raw::Cfa;

/// A wide lens without distortion, so that a homography is the whole truth.
pub(super) fn wide_lens() -> Lens {
    Lens {
        model: "Lumholt 24mm f/1.4".into(),
        focal_length_mm: 24.0,
        f_number: 1.4,
        widest_f_number: 1.4,
        mapping: Mapping::Rectilinear,
        distortion: [0.0; 3],
        lateral_color: [0.0; 2],
        vignetting: Vignetting::Natural,
        fwhm_px: 2.0,
        fwhm_growth: 0.25,
        coma_px: 0.0,
    }
}

/// The lens of the demo: wider, and as good as one that is stopped down.
pub(super) fn landscape_lens() -> Lens {
    Lens {
        model: "Lumholt 14mm f/1.8".into(),
        focal_length_mm: 14.0,
        f_number: 1.8,
        widest_f_number: 1.8,
        vignetting: Vignetting::Mechanical(0.15),
        coma_px: 0.5,
        ..wide_lens()
    }
}

/// An ultra-wide lens with all that such lenses have, for the small sensor of these scenes.
pub(super) fn ultra_wide_lens() -> Lens {
    Lens {
        model: "Lumholt 3mm f/2".into(),
        focal_length_mm: 3.0,
        f_number: 2.0,
        widest_f_number: 2.0,
        distortion: [-0.045, 0.008, 0.0],
        lateral_color: [3e-4, -5e-4],
        vignetting: Vignetting::Mechanical(0.35),
        fwhm_px: 1.8,
        fwhm_growth: 0.5,
        coma_px: 2.0,
        ..wide_lens()
    }
}

/// A fisheye that maps areas truly, almost a half sphere from corner to corner.
pub(super) fn fisheye_lens() -> Lens {
    Lens {
        model: "Lumholt 2.4mm f/2.8 fisheye".into(),
        focal_length_mm: 2.4,
        f_number: 2.8,
        widest_f_number: 2.8,
        mapping: Mapping::Equisolid,
        lateral_color: [2e-4, -3e-4],
        vignetting: Vignetting::Mechanical(0.2),
        fwhm_px: 1.8,
        fwhm_growth: 0.3,
        coma_px: 0.8,
        ..wide_lens()
    }
}

pub(super) fn sensor() -> Sensor {
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
        column_noise_e: 0.0,
        dark_current_e_per_s: 0.02,
        rated_at_c: 5.0,
        temperature_c: 5.0,
        dark_doubling_k: 6.5,
        amp_glow_e_per_s: 0.0,
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

/// An older sensor: 12 bits, another phase, patterns of columns and a glowing amplifier.
pub(super) fn old_sensor() -> Sensor {
    Sensor {
        model: "Lumholt N12".into(),
        cfa: Cfa::bayer("GBRG").expect("a Bayer array"),
        gain_e_per_dn: 1.6,
        read_noise_e: 4.5,
        row_noise_e: 0.8,
        column_noise_e: 0.9,
        amp_glow_e_per_s: 3.0,
        temperature_c: 11.0,
        black_level_dn: 128,
        bits: 12,
        ..sensor()
    }
}
