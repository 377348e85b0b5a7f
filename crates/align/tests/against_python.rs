//! Star positions, fluxes and maps against sep, photutils and numpy
//! (fixtures/stars_checks: the values, the script that made them, versions, licences).

use ndarray::Array2;
use radicand_align::{
    Background, BackgroundOptions, DetectOptions, MatchOptions, Smoothing, Star, align_stars,
    detect, luminance,
};
use raw::Cfa;

fn fixture(name: &str) -> std::path::PathBuf {
    let root = concat!(env!("CARGO_MANIFEST_DIR"), "/../../fixtures/stars_checks");
    std::path::Path::new(root).join(name)
}

/// A square picture of little-endian 16-bit values, less a black level.
fn picture(name: &str, side: usize, black_dn: f32) -> Array2<f32> {
    let bytes = std::fs::read(fixture(name)).expect("a committed fixture");
    assert_eq!(bytes.len(), 2 * side * side);
    let value = |pair: &[u8]| f32::from(u16::from_le_bytes([pair[0], pair[1]])) - black_dn;
    let values = bytes.chunks_exact(2).map(value).collect();
    Array2::from_shape_vec((side, side), values).expect("the length was compared")
}

fn table(name: &str) -> Vec<Vec<f64>> {
    let text = std::fs::read_to_string(fixture(name)).expect("a committed fixture");
    let number = |cell: &str| cell.parse().expect("the script writes numbers");
    text.lines()
        .skip(1)
        .map(|line| line.split(',').map(number).collect())
        .collect()
}

/// The star nearest to a place, and its distance in px.
fn nearest(stars: &[Star], x: f64, y: f64) -> (&Star, f64) {
    let distance = |star: &Star| (star.x - x).hypot(star.y - y);
    let star = stars
        .iter()
        .min_by(|a, b| distance(a).total_cmp(&distance(b)));
    let star = star.expect("stars were found");
    (star, distance(star))
}

#[test]
fn a_drawn_field_is_measured_as_sep_and_photutils_measure_it() {
    let plane = picture("synthetic_256x256.u16le", 256, 512.0);
    let sky = Background::estimate(plane.view(), &BackgroundOptions::default());
    let options = DetectOptions {
        smoothing: Smoothing::None,
        ..DetectOptions::default()
    };
    let stars = detect(plane.view(), &sky, &options);
    let rows = table("synthetic_stars.csv");
    assert_eq!(stars.len(), rows.len());
    for row in rows {
        let [
            x_true,
            y_true,
            flux_true,
            x_sep,
            y_sep,
            flux_sep,
            x_gauss,
            y_gauss,
        ] = row[..]
        else {
            panic!("eight columns");
        };
        let (star, error_px) = nearest(&stars, x_true, y_true);
        // The photon limit of this star, times 4: position √2 σ/SNR a axis, over both axes.
        let noise_px = 4.0 * 2.0_f64.sqrt() * star.position_error_px();
        assert!(
            error_px < noise_px,
            "{error_px} {noise_px} at {x_true} {y_true}"
        );
        // Other windows see mostly the same noise: the difference is under half of it.
        let from_sep = (star.x - x_sep).hypot(star.y - y_sep);
        let from_gauss = (star.x - x_gauss).hypot(star.y - y_gauss);
        assert!(from_sep < 0.5 * noise_px, "{from_sep} of {noise_px}");
        assert!(from_gauss < 0.5 * noise_px, "{from_gauss} of {noise_px}");
        // Both sums see the same pixels; meshes and rims differ by 1 % and a third of the noise.
        let flux_error_dn = flux_true / star.snr;
        let limit_dn = 0.01 * flux_true + flux_error_dn / 3.0;
        assert!(
            (star.flux_dn - flux_sep).abs() < limit_dn,
            "{} {flux_sep}",
            star.flux_dn
        );
    }
}

fn real(name: &str) -> Vec<Star> {
    // A black level of 2048 is an assumption; it does not matter, the sky is taken off.
    let mosaic = picture(&format!("dslr_{name}_320x320.u16le"), 320, 2048.0);
    let plane = luminance(mosaic.view(), &Cfa::bayer("RGGB").expect("a Bayer array"));
    let sky = Background::estimate(plane.view(), &BackgroundOptions::default());
    detect(plane.view(), &sky, &DetectOptions::default())
}

#[test]
fn real_stars_are_where_sep_finds_them() {
    // The same window on the same plane; what differs is the background under it, of which a
    // Bayer array's noise and crowded cells make a few DN.
    const POSITION_TOLERANCE_PX: f64 = 0.01;
    const FLUX_TOLERANCE: f64 = 0.01;
    for name in ["first", "second"] {
        let stars = real(name);
        let rows = table(&format!("dslr_{name}_stars.csv"));
        let (mut agree, mut flux_agrees) = (0, 0);
        for row in &rows {
            let (star, distance_px) = nearest(&stars, row[0], row[1]);
            agree += usize::from(distance_px < POSITION_TOLERANCE_PX);
            let flux_error = star.flux_dn / row[2] - 1.0;
            flux_agrees += usize::from(flux_error.abs() < FLUX_TOLERANCE);
        }
        // What sep finds and we do not are hot pixels, and stars one of which touches.
        assert!(
            agree * 10 >= rows.len() * 9,
            "{name}: {agree} of {} agree",
            rows.len()
        );
        assert!(
            flux_agrees * 10 >= rows.len() * 8,
            "{name}: {flux_agrees} of {}",
            rows.len()
        );
    }
}

#[test]
fn two_real_frames_are_aligned_as_sep_aligns_them() {
    /// What the frames' source says of the shift, within its two digits at half resolution.
    const SHIFT_TOLERANCE_PX: f64 = 0.2;
    let (first, second) = (real("first"), real("second"));
    let found = align_stars(&first, &second, (320, 320), &MatchOptions::default());
    let found = found.expect("the frames show the same stars");
    assert!(found.matched >= 40, "{} matched", found.matched);
    let (x, y) = found.map.map(160.0, 160.0);
    // The source gives the shift that brings the second onto the first, (−0.25, −0.83) px at
    // half resolution: the map from the first to the second is twice its opposite.
    assert!(
        (x - 160.0 - 0.50).abs() < SHIFT_TOLERANCE_PX,
        "{}",
        x - 160.0
    );
    assert!(
        (y - 160.0 - 1.66).abs() < SHIFT_TOLERANCE_PX,
        "{}",
        y - 160.0
    );
    // sep's positions of the same stars; the median of sixty differences of 0.1 px.
    let differences = |axis: usize| {
        let (a, b) = (
            table("dslr_first_stars.csv"),
            table("dslr_second_stars.csv"),
        );
        let partner = |row: &Vec<f64>| {
            let near =
                |other: &&Vec<f64>| (other[0] - row[0] - 0.5).hypot(other[1] - row[1] - 1.7) < 0.7;
            b.iter().find(near).map(|other| other[axis] - row[axis])
        };
        let mut differences: Vec<f64> = a.iter().filter_map(partner).collect();
        differences.sort_by(f64::total_cmp);
        assert!(differences.len() >= 40);
        differences[differences.len() / 2]
    };
    const MEDIAN_TOLERANCE_PX: f64 = 0.05;
    assert!((x - 160.0 - differences(0)).abs() < MEDIAN_TOLERANCE_PX);
    assert!((y - 160.0 - differences(1)).abs() < MEDIAN_TOLERANCE_PX);
    // The same exposure of the same clear sky, a minute apart.
    assert!(
        (found.transparency.ratio - 1.0).abs() < 0.03,
        "{:?}",
        found.transparency
    );
}

#[test]
fn a_turning_sky_is_fitted_exactly() {
    /// f64 rounding over coordinates of 6000 px.
    const EXACT_PX: f64 = 1e-6;
    let star = |x: f64, y: f64, flux_dn: f64| Star {
        x,
        y,
        flux_dn,
        peak_dn: flux_dn / 10.0,
        fwhm_px: 3.0,
        ellipticity: 0.0,
        position_angle_rad: 0.0,
        snr: 1e3,
        saturated: false,
    };
    let rows = table("turning_sky.csv");
    // A lattice has no two different triangles: every third place, in an order without one.
    let order: Vec<usize> = (0..rows.len())
        .filter(|i| (i * i + i / 5) % 3 != 1)
        .collect();
    let flux = |i: usize| 1e3 + 1e3 * ((i * 37) % 101) as f64;
    let list = |column: usize| -> Vec<Star> {
        order
            .iter()
            .map(|&i| star(rows[i][column], rows[i][column + 1], flux(i)))
            .collect()
    };
    let found = align_stars(&list(0), &list(2), (6001, 4001), &MatchOptions::default());
    let found = found.expect("the same places");
    for row in &rows {
        let (x, y) = found.map.map(row[0], row[1]);
        assert!((x - row[2]).hypot(y - row[3]) < EXACT_PX, "{x} {y}");
    }
}
