//! Stars that all show twice at the same distance: the camera was moved during the exposure.

use crate::Star;
use crate::neighbors::Neighbors;

/// Bright stars looked at.
const STARS: usize = 300;
/// Fewest stars that tell.
const FEWEST: usize = 12;
/// Companions are looked for this far, px.
const REACH_PX: f64 = 40.0;
/// Equal distances agree within this, px.
const SAME_PX: f64 = 1.5;
/// Share of the stars that must have a companion at the same distance.
const SHARE: f64 = 0.3;
/// And this many times what chance gives.
const OVER_CHANCE: f64 = 5.0;

/// The offset at which stars repeat, to the right and down, px; `None` when they do not.
///
/// Of every bright star's neighbors the offsets are gathered, of either sign as one; the
/// one that most agree with counts when three in ten stars have it and chance, by the number of offsets
/// there are, would give a fifth of that. The two images of a star share its light as the
/// exposure was shared, so a companion has a fifth of the star's light at least.
pub(crate) fn double_image(stars: &[Star]) -> Option<[f64; 2]> {
    const LEAST_SHARE: f64 = 0.2;
    let mut bright: Vec<&Star> = stars.iter().collect();
    bright.sort_by(|a, b| b.flux_dn.total_cmp(&a.flux_dn));
    bright.truncate(STARS);
    if bright.len() < FEWEST {
        return None;
    }
    let places: Vec<[f64; 2]> = bright.iter().map(|star| [star.x, star.y]).collect();
    let neighbors = Neighbors::new(&places);
    let mut offsets: Vec<[f64; 2]> = Vec::new();
    for (i, place) in places.iter().enumerate() {
        for j in neighbors.within(place, REACH_PX) {
            let ratio = bright[j].flux_dn / bright[i].flux_dn;
            // Each pair once, and from left to right.
            if j > i && ratio > LEAST_SHARE {
                let (dx, dy) = (places[j][0] - place[0], places[j][1] - place[1]);
                let sign = if dx < 0.0 || (dx == 0.0 && dy < 0.0) {
                    -1.0
                } else {
                    1.0
                };
                offsets.push([sign * dx, sign * dy]);
            }
        }
    }
    let index = Neighbors::new(&offsets);
    let agreeing = |offset: &[f64; 2]| index.within(offset, SAME_PX).len();
    let best = offsets.iter().max_by_key(|offset| agreeing(offset))?;
    let found = agreeing(best) as f64;
    // Offsets fall on half a disk.
    let by_chance = offsets.len() as f64 * 2.0 * (SAME_PX / REACH_PX).powi(2);
    // Half of the images are companions of the others.
    let enough = found >= SHARE * 0.5 * bright.len() as f64 && found >= OVER_CHANCE * by_chance;
    let apart = best[0].hypot(best[1]) > SAME_PX;
    (enough && apart).then_some(*best)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::Noise;

    fn field(count: usize, second: Option<[f64; 2]>) -> Vec<Star> {
        let mut noise = Noise::new(9);
        let mut stars = Vec::new();
        for _ in 0..count {
            let star = Star {
                x: 1000.0 * noise.uniform(),
                y: 700.0 * noise.uniform(),
                flux_dn: 1e3 / (0.01 + noise.uniform()),
                peak_dn: 100.0,
                fwhm_px: 3.0,
                ellipticity: 0.0,
                position_angle_rad: 0.0,
                snr: 50.0,
                saturated: false,
            };
            stars.push(star);
            if let Some([dx, dy]) = second {
                stars.push(Star {
                    x: star.x + dx + 0.2 * noise.gaussian(),
                    y: star.y + dy + 0.2 * noise.gaussian(),
                    flux_dn: 0.6 * star.flux_dn,
                    ..star
                });
            }
        }
        stars
    }

    #[test]
    fn a_knock_shows_every_star_twice() {
        for second in [[9.0, -4.0], [-7.0, 20.0]] {
            for count in [20, 150, 600] {
                let found = double_image(&field(count, Some(second))).expect("doubled");
                let sign = if second[0] < 0.0 { -1.0 } else { 1.0 };
                let off = (found[0] - sign * second[0]).hypot(found[1] - sign * second[1]);
                assert!(off < 1.5, "{count}: {found:?}");
            }
        }
    }

    #[test]
    fn single_stars_are_not_double_however_dense() {
        for count in [0, 5, 20, 100, 300, 3000] {
            assert_eq!(double_image(&field(count, None)), None, "{count}");
        }
    }
}
