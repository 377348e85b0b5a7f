//! Mosaics of known numbers, as they stand in `fixtures/synth_checks`.

use raw::{Cfa, Mosaic, Rect, SitePattern};
use synth::{Compression, DngInfo};

/// One of the committed files.
pub struct File {
    /// Name without `.dng`.
    pub name: &'static str,
    /// Width and height, px.
    pub size: (usize, usize),
    /// Filters.
    pub letters: &'static str,
    /// Black levels of the four sites.
    pub black_dn: [f32; 4],
    /// How the numbers are packed.
    pub compression: Compression,
}

impl File {
    /// The bytes of the file.
    pub fn bytes(&self) -> Vec<u8> {
        let mosaic = mosaic(self.size, self.letters, self.black_dn);
        let info = DngInfo {
            compression: self.compression,
            ..info()
        };
        synth::encode_dng(&mosaic, &info).expect("it fits")
    }
}

/// The committed files: every phase of a Bayer array, one with odd sides, plain and packed.
pub const FILES: [File; 6] = [
    File {
        name: "rggb_64x48",
        size: (64, 48),
        letters: "RGGB",
        black_dn: [512.0; 4],
        compression: Compression::None,
    },
    File {
        name: "grbg_37x25",
        size: (37, 25),
        letters: "GRBG",
        black_dn: [0.0; 4],
        compression: Compression::None,
    },
    File {
        name: "gbrg_38x26",
        size: (38, 26),
        letters: "GBRG",
        black_dn: [256.0, 257.0, 258.0, 259.0],
        compression: Compression::None,
    },
    File {
        name: "bggr_40x24",
        size: (40, 24),
        letters: "BGGR",
        black_dn: [1024.0; 4],
        compression: Compression::None,
    },
    File {
        name: "packed_rggb_64x48",
        size: (64, 48),
        letters: "RGGB",
        black_dn: [512.0; 4],
        compression: Compression::LosslessJpeg,
    },
    File {
        name: "packed_grbg_302x270",
        size: (302, 270),
        letters: "GRBG",
        black_dn: [256.0, 257.0, 258.0, 259.0],
        compression: Compression::LosslessJpeg,
    },
];

/// A mosaic whose values no shift of pixels and no swap of bytes leaves alone.
pub fn mosaic(size: (usize, usize), letters: &str, black_dn: [f32; 4]) -> Mosaic {
    let (width, height) = size;
    Mosaic {
        data: ndarray::Array2::from_shape_fn((height, width), |(row, col)| {
            // Steps of all sizes, and on the larger picture smooth parts between them.
            let rough = (row * width + col + 1) * 40_503 % 65_521;
            let smooth = 30_000 + 13 * row + 7 * col;
            if row < 100 {
                rough as u16
            } else {
                smooth as u16
            }
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
        compression: Compression::None,
    }
}

/// Planes of R, G and B of known numbers, as they stand in `full_color_40x30.dng`.
#[allow(dead_code, reason = "not every test reads them")]
pub fn full_color() -> [ndarray::Array2<u16>; 3] {
    [0, 20_000, 41_000].map(|start| {
        ndarray::Array2::from_shape_fn((30, 40), |(row, col)| start + (row * 331 + col * 31) as u16)
    })
}

/// The bytes of that file.
#[allow(dead_code, reason = "not every test reads them")]
pub fn full_color_bytes() -> Vec<u8> {
    synth::encode_rgb_dng(&full_color(), 512, 15_000, &info()).expect("it fits")
}
