//! Mosaics of known numbers, as they stand in `fixtures/synth_checks`.

use raw::{Cfa, Mosaic, Rect, SitePattern};
use synth::DngInfo;

/// Name, size, filters and black levels of the committed files.
#[allow(
    dead_code,
    reason = "some tests that share this module read none of them"
)]
pub const FILES: [(&str, (usize, usize), &str, [f32; 4]); 2] = [
    ("rggb_64x48", (64, 48), "RGGB", [512.0; 4]),
    ("gbrg_38x26", (38, 26), "GBRG", [256.0, 257.0, 258.0, 259.0]),
];

/// A mosaic whose values no shift of pixels and no swap of bytes leaves alone.
pub fn mosaic(size: (usize, usize), letters: &str, black_dn: [f32; 4]) -> Mosaic {
    let (width, height) = size;
    Mosaic {
        data: ndarray::Array2::from_shape_fn((height, width), |(row, col)| {
            ((row * width + col) * 40_503 % 65_521) as u16
        }),
        cfa: Cfa::bayer(letters).expect("a Bayer array"),
        black_level_dn: SitePattern::new(2, black_dn.to_vec()).expect("two whole rows"),
        white_level_dn: SitePattern::uniform(15_000.0),
        active_area: Rect::of_size(width, height),
    }
}

/// What the files say of the exposure.
pub fn info() -> DngInfo {
    DngInfo {
        make: "Lumholt".into(),
        model: "Lumholt N24".into(),
        lens: "Lumholt 24mm f/1.4".into(),
        exposure_s: 4.0,
        iso: 800,
        f_number: 1.4,
        focal_length_mm: 24.0,
        captured: jiff::civil::date(2026, 1, 17).at(23, 59, 58, 50_000_000),
        utc_offset_h: 1,
        color_matrix: [[0.7, -0.15, -0.07], [-0.42, 1.22, 0.22], [-0.08, 0.2, 0.62]],
        neutral: [0.415, 1.0, 0.7525],
    }
}
