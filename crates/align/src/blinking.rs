//! Lights of an aircraft: equal dots at equal distances along a line.

use crate::Star;
use crate::neighbors::Neighbors;

/// Brightest detections looked at: flashes are bright.
const BRIGHTEST: usize = 1000;
/// Nearest detections that may be the next dot.
const NEAREST: usize = 40;
/// Fewest dots that make a line. Among a thousand stars, four steps that all find a star of
/// equal light where one is due come together by chance less than once in a thousand fields.
const FEWEST: usize = 5;
/// How far a dot may be from where it is due, px, and in its light.
const SAME_PX: f64 = 1.5;
const SAME_LIGHT: f64 = 0.3;
/// A larger share of a field than this is no aircraft but a lattice, as only tests have.
const MOST_SHARE: f64 = 0.05;
/// Dots nearer than this are a broken line, px.
const LEAST_STEP_PX: f64 = 15.0;

/// Drops chains of dots from a list that is brightest first.
pub(crate) fn drop_blinking(stars: &mut Vec<Star>) {
    let bright = &stars[..stars.len().min(BRIGHTEST)];
    let places: Vec<[f64; 2]> = bright.iter().map(|star| [star.x, star.y]).collect();
    let neighbors = Neighbors::new(&places);
    let mut blinks = vec![false; bright.len()];
    for i in 0..bright.len() {
        for j in neighbors.nearest_n(&places[i], NEAREST) {
            let step = [places[j][0] - places[i][0], places[j][1] - places[i][1]];
            let far_enough = step[0].hypot(step[1]) > LEAST_STEP_PX;
            if !far_enough || (blinks[i] && blinks[j]) || !alike(&bright[i], &bright[j]) {
                continue;
            }
            let chain = chain(i, j, bright, &places, &neighbors);
            if chain.len() >= FEWEST {
                chain.into_iter().for_each(|dot| blinks[dot] = true);
            }
        }
    }
    let count = blinks.iter().filter(|&&blinks| blinks).count();
    if count as f64 > MOST_SHARE * blinks.len() as f64 {
        return;
    }
    let mut index = 0;
    stars.retain(|_| {
        index += 1;
        !blinks.get(index - 1).copied().unwrap_or(false)
    });
}

fn alike(a: &Star, b: &Star) -> bool {
    !a.saturated && !b.saturated && (a.flux_dn / b.flux_dn).ln().abs() < SAME_LIGHT
}

/// The dots that follow two, each where the last step leads once more.
fn chain(
    first: usize,
    second: usize,
    stars: &[Star],
    places: &[[f64; 2]],
    neighbors: &Neighbors<2>,
) -> Vec<usize> {
    let mut chain = vec![first, second];
    while let [.., a, b] = chain[..] {
        let due = [0, 1].map(|axis| 2.0 * places[b][axis] - places[a][axis]);
        match neighbors.nearest(&due, SAME_PX) {
            Some((next, _)) if alike(&stars[first], &stars[next]) && !chain.contains(&next) => {
                chain.push(next);
            }
            _ => break,
        }
    }
    chain
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::Noise;

    fn star(x: f64, y: f64, flux_dn: f64) -> Star {
        Star {
            x,
            y,
            flux_dn,
            peak_dn: 100.0,
            fwhm_px: 3.0,
            ellipticity: 0.0,
            position_angle_rad: 0.0,
            snr: 50.0,
            saturated: false,
        }
    }

    fn field(count: usize, seed: u64) -> Vec<Star> {
        let mut noise = Noise::new(seed);
        let mut stars: Vec<Star> = (0..count)
            .map(|_| {
                let (x, y) = (1200.0 * noise.uniform(), 900.0 * noise.uniform());
                star(x, y, 1e3 / (0.01 + noise.uniform()))
            })
            .collect();
        stars.sort_by(|a, b| b.flux_dn.total_cmp(&a.flux_dn));
        stars
    }

    #[test]
    fn a_chain_of_flashes_goes_and_stars_stay() {
        let mut stars = field(300, 1);
        for i in 0..7 {
            let i = f64::from(i);
            stars.push(star(100.0 + 60.0 * i, 80.0 + 83.0 * i, 3e4));
        }
        stars.sort_by(|a, b| b.flux_dn.total_cmp(&a.flux_dn));
        drop_blinking(&mut stars);
        assert_eq!(stars, field(300, 1));
    }

    #[test]
    fn stars_alone_are_never_a_chain() {
        drop_blinking(&mut Vec::new());
        for seed in 0..6 {
            let mut stars = field(2000, seed);
            drop_blinking(&mut stars);
            assert_eq!(stars.len(), 2000, "seed {seed}");
        }
    }
}
