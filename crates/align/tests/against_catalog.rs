//! Angles between real stars through a lens that was found from lists of places alone
//! (fixtures/geometry_checks: positions, separations by astropy, licences).

mod burst;

use burst::{Aligned, Burst};
use radicand_align::SkyOptions;
use synth::Mapping;

fn rows(name: &str) -> Vec<Vec<String>> {
    let root = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../../fixtures/geometry_checks"
    );
    let text = std::fs::read_to_string(std::path::Path::new(root).join(name));
    let text = text.expect("a committed fixture");
    let row = |line: &str| line.split(',').map(str::to_owned).collect();
    text.lines().skip(1).map(row).collect()
}

fn number(cell: &str) -> f64 {
    cell.parse().expect("the script writes numbers")
}

/// Camera axes of a direction, looking at right ascension 92°, declination 8°: Y points south.
fn in_camera(ra_deg: f64, dec_deg: f64) -> [f64; 3] {
    let equatorial = |ra_deg: f64, dec_deg: f64| synth::equatorial(ra_deg, dec_deg);
    let star = equatorial(ra_deg, dec_deg);
    let ahead = equatorial(92.0, 8.0);
    let down = equatorial(92.0, -82.0);
    // East is to the left when north is up.
    let right = equatorial(2.0, 0.0);
    [right, down, ahead].map(|axis| (0..3).map(|k| axis[k] * star[k]).sum())
}

#[test]
fn separations_of_winter_stars_come_back_through_a_fisheye() {
    // Each star is placed to 0.02 px a frame (its error floor), 0.37 arcmin at 5.4 arcmin a
    // pixel at most; ten frames, two stars, both axes, four standard errors; and the focal
    // length's, below.
    const PLACES_ARCMIN: f64 = 4.0 * 0.02 * 6.2 * std::f64::consts::SQRT_2 / 3.16;
    let pole = in_camera(0.0, -90.0);
    let times_s: Vec<f64> = (0..10).map(|i| 300.0 * f64::from(i)).collect();
    let mut burst = Burst::new(Mapping::Equisolid, 640.0, (1200, 1000), [-0.02, 0.0, 0.0])
        .turning(pole, &times_s);
    let names: Vec<String> = rows("stars.csv").iter().map(|row| row[0].clone()).collect();
    burst.bright = rows("stars.csv")
        .iter()
        .map(|row| in_camera(number(&row[1]), number(&row[2])))
        .collect();
    let model = Aligned::of(&burst).solve(&SkyOptions::default());
    let model = model.expect("the stars tell a lens");
    let lists = burst.lists();
    // The mean over the frames of where the found lens sees each star.
    let seen: Vec<[f64; 3]> = burst
        .bright
        .iter()
        .map(|direction| {
            let mut sum = [0.0; 3];
            for (frame, list) in lists.iter().enumerate() {
                let Some((x, y)) = burst.place(frame, *direction) else {
                    continue;
                };
                let near = |star: &&radicand_align::Star| (star.x - x).hypot(star.y - y) < 0.15;
                let Some(star) = list.iter().find(near) else {
                    continue;
                };
                let found = model
                    .lens
                    .unproject(star.x, star.y)
                    .expect("in the picture");
                let attitude = model.attitudes[frame].expect("all frames are matched");
                let there = attitude.inverse().rotate(found);
                sum = [0, 1, 2].map(|k| sum[k] + there[k]);
            }
            sum
        })
        .collect();
    let mut compared = 0;
    for row in rows("separations.csv") {
        let place = |name: &str| {
            names
                .iter()
                .position(|known| known == name)
                .expect("listed")
        };
        let (a, b) = (seen[place(&row[0])], seen[place(&row[1])]);
        let dot: f64 = (0..3).map(|k| a[k] * b[k]).sum();
        let norm = |v: [f64; 3]| v.iter().map(|part| part * part).sum::<f64>().sqrt();
        let found_deg = (dot / norm(a) / norm(b))
            .clamp(-1.0, 1.0)
            .acos()
            .to_degrees();
        let want_deg = number(&row[2]);
        let limit_arcmin = PLACES_ARCMIN + 4.0 * 60.0 * want_deg * model.relative_focal_error();
        let error_arcmin = 60.0 * (found_deg - want_deg).abs();
        assert!(
            error_arcmin < limit_arcmin,
            "{} - {}: {error_arcmin} arcmin of {limit_arcmin}",
            row[0],
            row[1]
        );
        compared += 1;
    }
    assert_eq!(compared, 78);
}
