//! The ground hides the sky, and the masks say where.

use ndarray::Array2;
use synth::{Band, Calibration, Glow, Ground, Scene, Simulator, Stars, Weather};

fn scene(name: &str) -> Scene {
    let mut scene = Scene::named(name).expect("a known scene");
    (scene.width, scene.height, scene.frames) = (300, 220, 3);
    scene.calibration = Calibration::NONE;
    scene.sessions.clear();
    // So that a small picture holds both sky and ground.
    if let Some(ground) = &mut scene.ground {
        (ground.ridge_deg, ground.trees_deg) = (scene.pointing.altitude_deg, 0.4);
        ground.relief_deg = 0.5;
    }
    scene
}

fn green(simulator: &Simulator, index: usize) -> Array2<f32> {
    let [_, green, _] = simulator
        .expected_light(index, Weather::Clear)
        .expect("a light");
    green
}

fn cover(simulator: &Simulator, index: usize) -> Array2<f32> {
    simulator.ground_cover(index).expect("ground")
}

#[test]
fn the_ground_lies_below_a_ragged_line() {
    let simulator = Simulator::new(&scene("tripod-ground")).expect("sound");
    let cover = cover(&simulator, 0);
    assert!(cover.iter().all(|share| (0.0..=1.0 + 1e-5).contains(share)));
    let share = f64::from(cover.sum()) / cover.len() as f64;
    assert!((0.2..0.8).contains(&share), "{share}");
    let mut lines = Vec::new();
    for column in cover.columns() {
        let top = column.iter().position(|&share| share > 0.5);
        lines.push(top.unwrap_or(cover.nrows()) as i64);
        assert!(column[0] < 1e-3 && column[cover.nrows() - 1] > 0.999);
    }
    let jumps = lines
        .windows(2)
        .map(|pair| (pair[1] - pair[0]).abs())
        .sum::<i64>();
    let span = lines.iter().max().unwrap_or(&0) - lines.iter().min().unwrap_or(&0);
    assert!(
        jumps > 3 * span && span > 10,
        "{jumps} px up and down over {span} px"
    );
}

#[test]
fn no_sky_and_no_star_shines_through_the_ground() {
    let mut bright = scene("tripod-ground");
    bright.ground = bright.ground.map(|ground| Ground {
        mag_arcsec2: 60.0,
        ..ground
    });
    bright.sky.stars = Stars::Catalog(12.0);
    let simulator = Simulator::new(&bright).expect("sound");
    let (light, cover) = (green(&simulator, 0), cover(&simulator, 0));
    // Rows below any tree, and far enough that no star above the line blurs into them.
    let mut n = 0;
    for (col, column) in cover.columns().into_iter().enumerate() {
        let deep = column
            .iter()
            .rposition(|&share| share < 0.999)
            .map_or(0, |row| row + 25);
        for row in deep..cover.nrows() {
            assert!(
                light[[row, col]] < 0.05,
                "{} e at {row} {col}",
                light[[row, col]]
            );
            n += 1;
        }
    }
    assert!(n > 5000, "{n} px of ground");
}

#[test]
fn glow_is_cut_by_the_cover_and_nothing_else() {
    let mut dark = scene("tripod-ground");
    (dark.sky.stars, dark.sky.band) = (Stars::Listed(Vec::new()), None::<Band>);
    dark.sky.glow = Glow {
        mag_arcsec2: Some(20.0),
        ..Glow::NONE
    };
    dark.ground = dark.ground.map(|ground| Ground {
        mag_arcsec2: 60.0,
        ..ground
    });
    let with = Simulator::new(&dark).expect("sound");
    let without = Simulator::new(&Scene {
        ground: None,
        ..dark
    })
    .expect("sound");
    let (cover, with, without) = (cover(&with, 1), green(&with, 1), green(&without, 1));
    for (site, &share) in cover.indexed_iter() {
        let want = without[site] * (1.0 - share);
        assert!(
            (with[site] - want).abs() <= 1e-5 * without[site],
            "{site:?}"
        );
    }
}

#[test]
fn a_lit_ground_has_its_brightness_and_texture() {
    let mut lit = scene("tripod-ground");
    (lit.sky.stars, lit.sky.glow) = (Stars::Listed(Vec::new()), Glow::NONE);
    lit.lens.vignetting = synth::Vignetting::None;
    let simulator = Simulator::new(&lit).expect("sound");
    let (light, cover) = (green(&simulator, 0), cover(&simulator, 0));
    let ground = lit.ground.expect("ground");
    let mean_e = synth::surface_electrons_per_s(ground.mag_arcsec2, &lit.lens, &lit.sensor)
        * lit.sensor.efficiency[1]
        * lit.exposure_s;
    let values: Vec<f64> = light
        .iter()
        .zip(&cover)
        .filter(|(_, cover)| **cover > 0.999)
        .map(|(&value, _)| f64::from(value) / mean_e)
        .collect();
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let spread = values
        .iter()
        .map(|value| (value - mean).powi(2))
        .sum::<f64>()
        / values.len() as f64;
    // "About" the mean: its texture is one draw of patches as large as this picture.
    assert!((0.3..1.7).contains(&mean), "{mean}");
    assert!(spread.sqrt() > 0.05, "{}", spread.sqrt());
    let sky = light.iter().zip(&cover).filter(|(_, cover)| **cover == 0.0);
    assert!(sky.clone().count() > 5000 && sky.into_iter().all(|(value, _)| *value == 0.0));
}

#[test]
fn a_tracker_smears_the_trees_that_a_tripod_keeps() {
    let edges = |name: &str| {
        let mut scene = scene(name);
        scene.exposure_s = 90.0;
        let simulator = Simulator::new(&scene).expect("sound");
        let cover = cover(&simulator, 0);
        let across = cover.rows().into_iter().map(|row| {
            let pairs = row.iter().zip(row.iter().skip(1));
            pairs.map(|(a, b)| f64::from(a - b).powi(2)).sum::<f64>()
        });
        across.sum::<f64>()
    };
    let (kept, smeared) = (edges("tripod-ground"), edges("tracked-ground"));
    assert!(smeared < 0.5 * kept, "{smeared} against {kept}");
}

#[test]
fn every_session_shows_the_same_hills() {
    // Panoramas differ in where their cells lie: a part of a pixel along steep edges.
    const ALIKE: f32 = 0.02;
    let mut night = scene("tracked-ground");
    night.sessions = Scene::named("tracked-ground").expect("known").sessions;
    night.exposure_s = 0.01;
    night.sessions[0].exposure_s = 0.01;
    let covers: Vec<_> = night
        .each_session()
        .into_iter()
        .map(|(_, session)| cover(&Simulator::new(&session).expect("sound"), 0))
        .collect();
    assert_eq!(covers.len(), 2);
    let differences = covers[0].iter().zip(&covers[1]).map(|(a, b)| (a - b).abs());
    let mean = differences.sum::<f32>() / covers[0].len() as f32;
    assert!(mean < ALIKE, "{mean}");
    let ground = |cover: &Array2<f32>| cover.iter().sum::<f32>() / cover.len() as f32;
    assert!(ground(&covers[0]) > 0.05);
}
