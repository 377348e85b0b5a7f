//! The bright stars of the real sky: Hipparcos to V = 7.5, see `fixtures/hipparcos`.

use crate::horizon::equatorial;

/// A star of the catalogue.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CatalogStar {
    /// Hipparcos number.
    pub hip: u32,
    /// Right ascension, ICRS, epoch J1991.25, degrees.
    pub ra_deg: f64,
    /// Declination, degrees.
    pub dec_deg: f64,
    /// Proper motion in right ascension times cos(declination), mas/yr.
    pub pm_ra_mas: f64,
    /// Proper motion in declination, mas/yr.
    pub pm_dec_mas: f64,
    /// Visual magnitude.
    pub magnitude: f64,
    /// Color index B-V, mag.
    pub color_bv: f64,
}

/// Magnitude to which the catalogue goes.
pub const CATALOG_FAINTEST_MAG: f64 = 7.5;

/// Epoch of the positions, years from J2000.
const EPOCH: f64 = -8.75;
const RECORD_BYTES: usize = 20;
const RECORDS: &[u8] = include_bytes!("../../../fixtures/hipparcos/hipparcos_v75.bin");

/// All stars, brightest first.
///
/// Source: van Leeuwen (2007), A&A 474, 653; CDS I/311.
pub fn catalog() -> impl ExactSizeIterator<Item = CatalogStar> {
    RECORDS.chunks_exact(RECORD_BYTES).map(star)
}

fn star(record: &[u8]) -> CatalogStar {
    let word = |at: usize| {
        u32::from_le_bytes([record[at], record[at + 1], record[at + 2], record[at + 3]])
    };
    let short = |at: usize| f64::from(i16::from_le_bytes([record[at], record[at + 1]]));
    let turns = |value: f64| value / 4_294_967_296.0 * 360.0;
    CatalogStar {
        hip: word(0),
        ra_deg: turns(f64::from(word(4))),
        dec_deg: turns(f64::from(word(8).cast_signed())),
        pm_ra_mas: short(12),
        pm_dec_mas: short(14),
        magnitude: short(16) / 1000.0,
        color_bv: short(18) / 1000.0,
    }
}

impl CatalogStar {
    /// Direction in the axes of J2000's equator, `years` after J2000, of length 1. The star
    /// goes straight on; its distance is taken as constant.
    pub fn direction(&self, years: f64) -> [f64; 3] {
        let start = equatorial(self.ra_deg, self.dec_deg);
        let east = equatorial(self.ra_deg + 90.0, 0.0);
        let north = equatorial(self.ra_deg, self.dec_deg + 90.0);
        let shift = |mas_per_year: f64| (mas_per_year * (years - EPOCH) / 3.6e6).to_radians();
        let (e, n) = (shift(self.pm_ra_mas), shift(self.pm_dec_mas));
        let moved = [0, 1, 2].map(|i| start[i] + e * east[i] + n * north[i]);
        let norm = crate::rotation::dot(moved, moved).sqrt();
        moved.map(|component| component / norm)
    }
}
