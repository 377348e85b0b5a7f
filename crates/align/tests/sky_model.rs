//! The sky model against the simulator's lenses, whose every number is known.

mod burst;

use burst::{Aligned, Burst};
use radicand_align::{
    FocalPrior, Held, Projection, SIDEREAL_RATE_DEG_PER_DAY, SkyModel, SkyModelError, SkyOptions,
};
use synth::{Mapping, Pointing, Refraction, Site, Tracker};

/// The demand: maps over the whole field, corners included.
const MAP_RMS_PX: f64 = 0.05;
/// The demand: focal length as a share of it.
const FOCAL_SHARE: f64 = 1e-3;
/// The demand: the pole.
const POLE_DEG: f64 = 0.05;

fn axis() -> [f64; 3] {
    synth::south_pole_in_camera(46.2, 55.0, 190.0)
}

fn evenly(step_s: f64, n: usize) -> Vec<f64> {
    (0..n).map(|i| step_s * i as f64).collect()
}

/// Options with times as a camera writes them: whole seconds.
fn clocked(times_s: &[f64]) -> SkyOptions {
    SkyOptions {
        times_s: times_s.iter().map(|t| Some(t.floor())).collect(),
        ..SkyOptions::default()
    }
}

/// Solves a burst and holds every map against the truth.
#[track_caller]
fn check_maps(burst: &Burst, aligned: &Aligned, options: &SkyOptions) -> SkyModel {
    let model = check_maps_alone(burst, aligned, options);
    assert!(model.verdict.model_holds(), "{:?}", model.verdict);
    model
}

/// The same, whether or not a map for each frame would do as well.
#[track_caller]
fn check_maps_alone(burst: &Burst, aligned: &Aligned, options: &SkyOptions) -> SkyModel {
    let model = aligned.solve(options).expect("the stars tell a lens");
    for (frame, place) in aligned.places.iter().enumerate().skip(1) {
        assert!(place.is_some());
        let map = model
            .pixel_map(frame, burst.size)
            .expect("it has an attitude");
        let (rms_px, worst_px) = burst.map_errors_px(frame, |x, y| Some(map.map(x, y)));
        assert!(rms_px < MAP_RMS_PX, "frame {frame}: {rms_px} px rms");
        // Nowhere more than three times the rms that is allowed.
        assert!(worst_px < 3.0 * MAP_RMS_PX, "frame {frame}: {worst_px} px");
    }
    model
}

/// What the lens was fitted under.
fn held(model: &SkyModel) -> Option<Held> {
    model.tripod.as_ref().map(|tripod| tripod.held)
}

#[track_caller]
fn check_lens(model: &SkyModel, projection: Projection, focal_px: f64) {
    assert_eq!(model.lens.projection(), projection);
    let off = model.lens.focal_px() / focal_px - 1.0;
    assert!(
        off.abs() < FOCAL_SHARE,
        "{} px for {focal_px}",
        model.lens.focal_px()
    );
    // The stated error is that of the difference; four of them, once in 16 000.
    let sigmas = off * focal_px / model.lens_error.focal_px;
    assert!(sigmas.abs() < 4.0, "{sigmas} standard errors");
}

/// Terms of the polynomial are fitted, with an error, or zero; a lens without any has none
/// beyond its errors.
#[track_caller]
fn check_radial(model: &SkyModel, is_straight: bool) {
    let (radial, errors) = (model.lens.radial(), model.lens_error.radial);
    for (k, error) in radial.into_iter().zip(errors) {
        assert!(k == 0.0 || error > 0.0, "{radial:?} +- {errors:?}");
        assert!(
            !is_straight || k.abs() <= 4.0 * error,
            "{radial:?} +- {errors:?}"
        );
    }
}

/// The pole within the demand, and within four stated errors.
#[track_caller]
fn check_pole(model: &SkyModel) {
    let tripod = model.tripod.as_ref().expect("the camera stood still");
    let cosine: f64 = (0..3).map(|i| tripod.axis[i] * axis()[i]).sum();
    let off_deg = cosine.clamp(-1.0, 1.0).acos().to_degrees();
    assert!(off_deg < POLE_DEG, "{off_deg} deg");
    assert!(
        off_deg < 4.0 * tripod.axis_error_rad.to_degrees() + 1e-4,
        "{off_deg} deg"
    );
    assert!(tripod.moved.is_empty(), "{:?}", tripod.moved);
    assert!(tripod.excess < 1.01, "{}", tripod.excess);
}

#[test]
fn an_ultra_wide_lens_with_distortion_is_found() {
    // Five and a quarter minutes, 1.3 degrees.
    let times_s = evenly(35.0, 10);
    let burst = Burst::new(
        Mapping::Rectilinear,
        690.0,
        (1200, 900),
        [-0.045, 0.008, 0.0],
    )
    .turning(axis(), &times_s);
    let model = check_maps(&burst, &Aligned::of(&burst), &clocked(&times_s));
    check_lens(&model, Projection::Rectilinear, 690.0);
    check_radial(&model, false);
    check_pole(&model);
    assert_eq!(held(&model), Some(Held::SiderealRate));
    let clock = model
        .tripod
        .and_then(|tripod| tripod.clock)
        .expect("times are known");
    assert!(
        (clock.rate_ratio - 1.0).abs() < 4.0 * clock.rate_ratio_error,
        "{clock:?}"
    );
    assert!(clock.rate_ratio_error < 2e-3, "{clock:?}");
    assert!(
        clock.off.is_empty() && clock.backwards.is_empty(),
        "{clock:?}"
    );
}

#[test]
fn a_fisheye_is_found_and_a_homography_on_it_shows() {
    let times_s = evenly(43.0, 10);
    let burst =
        Burst::new(Mapping::Equisolid, 552.0, (1200, 900), [0.0; 3]).turning(axis(), &times_s);
    let model = check_maps(&burst, &Aligned::of(&burst), &clocked(&times_s));
    check_lens(&model, Projection::Equisolid, 552.0);
    check_pole(&model);
    assert_eq!(model.lens.air(), None, "there is none");
    let outer = model.zones.last().expect("there are zones");
    // Stars of 0.02 to 0.3 px fit the lens in every ring; the corner shows the wrong model.
    assert!(outer.model_px < 0.15, "{outer:?}");
    assert!(outer.homography_px > 1.0, "{outer:?}");
    assert!(
        model
            .zones
            .iter()
            .all(|zone| zone.model_px < 0.15 && zone.pairs > 100)
    );
}

#[test]
fn every_other_projection_is_chosen_by_the_data() {
    // A quarter of an hour: what is left of the pole's error falls with the arc.
    let times_s = evenly(75.0, 13);
    for (mapping, projection) in [
        (Mapping::Stereographic, Projection::Stereographic),
        (Mapping::Equidistant, Projection::Equidistant),
    ] {
        let burst = Burst::new(mapping, 560.0, (1200, 900), [0.0; 3]).turning(axis(), &times_s);
        let model = check_maps(&burst, &Aligned::of(&burst), &clocked(&times_s));
        check_lens(&model, projection, 560.0);
        check_pole(&model);
    }
}

#[test]
fn refraction_is_told_from_the_lens_in_minutes() {
    // The zenith is no demand; by it alone pole and focal length are right.
    const ZENITH_DEG: f64 = 3.0;
    let times_s = evenly(26.0, 16);
    let view = Pointing {
        altitude_deg: 52.0,
        azimuth_deg: 200.0,
        roll_deg: 0.0,
    };
    let site = Site {
        latitude_deg: 46.2,
        longitude_deg: 9.4,
    };
    let pole = view.south_pole(&site);
    let mut burst = Burst::new(Mapping::Equisolid, 552.0, (1200, 900), [-0.03, 0.005, 0.0])
        .turning(pole, &times_s);
    let air = Refraction {
        pressure_hpa: 960.0,
        temperature_c: 2.0,
    };
    burst.air = Some((air, view.zenith()));
    let options = SkyOptions {
        times_s: times_s.iter().copied().map(Some).collect(),
        time_resolution_s: 0.01,
        ..SkyOptions::default()
    };
    let model = check_maps(&burst, &Aligned::of(&burst), &options);
    let off = model.lens.focal_px() / 552.0 - 1.0;
    assert!(off.abs() < FOCAL_SHARE, "{off}");
    let tripod = model.tripod.as_ref().expect("the camera stood still");
    assert_eq!(tripod.held, Held::SiderealRate);
    assert!(apart_deg(tripod.axis, pole) < POLE_DEG);
    let found = model.lens.air().expect("air that bends");
    let zenith_deg = apart_deg(found.zenith(), view.zenith());
    assert!(zenith_deg < ZENITH_DEG, "{zenith_deg} deg");
    // 960 hPa over 1010 times 283 K over 275 K is 0.978; half of the doubt there was before.
    assert!((found.strength() - 0.978).abs() < 0.05, "{found:?}");
}

fn apart_deg(a: [f64; 3], b: [f64; 3]) -> f64 {
    let cosine: f64 = (0..3).map(|i| a[i] * b[i]).sum();
    cosine.clamp(-1.0, 1.0).acos().to_degrees()
}

#[test]
fn an_hour_through_a_bent_fisheye_is_matched_where_planes_fail() {
    let times_s = evenly(400.0, 10);
    let burst = Burst::new(Mapping::Equisolid, 552.0, (1200, 900), [-0.03, 0.005, 0.0])
        .turning(axis(), &times_s);
    let model = check_maps(&burst, &Aligned::of(&burst), &clocked(&times_s));
    check_lens(&model, Projection::Equisolid, 552.0);
    check_pole(&model);
    // A plane-to-plane map holds on a patch: the lens finds the rest.
    assert!(model.matched[9] > 700, "{:?}", model.matched);
}

#[test]
fn a_frame_turned_by_a_quarter_is_found_through_the_lens() {
    // Eight minutes to learn the lens, and frames four and six hours later: the fisheye draws
    // all triangles anew.
    let mut times_s = evenly(60.0, 8);
    times_s.extend([4.0 * 3600.0, 6.0 * 3600.0]);
    let burst = Burst::new(Mapping::Equisolid, 552.0, (1200, 900), [-0.02, 0.0, 0.0])
        .turning(axis(), &times_s);
    let model = check_maps(&burst, &Aligned::of(&burst), &clocked(&times_s));
    assert!(
        model.matched[8] > 200 && model.matched[9] > 100,
        "{:?}",
        model.matched
    );
    check_lens(&model, Projection::Equisolid, 552.0);
}

#[test]
fn a_short_burst_with_a_normal_lens_says_how_little_it_knows() {
    // A turn of 0.36 degrees: maps are exact, but a percent of focal length hides in the turn.
    let times_s = evenly(9.5, 10);
    let mut burst =
        Burst::new(Mapping::Rectilinear, 5517.0, (1200, 900), [0.0; 3]).turning(axis(), &times_s);
    burst.stars = 800;
    let aligned = Aligned::of(&burst);
    let model = check_maps_alone(&burst, &aligned, &clocked(&times_s));
    let error = model.lens.focal_px() / 5517.0 - 1.0;
    assert!(
        model.relative_focal_error() > 2e-3,
        "{}",
        model.relative_focal_error()
    );
    assert!(error.abs() < 4.0 * model.relative_focal_error(), "{error}");
    // With something known beforehand it is known better, and how much is said.
    let known = SkyOptions {
        focal: Some(FocalPrior {
            focal_px: 5517.0,
            relative_error: 1e-3,
        }),
        ..clocked(&times_s)
    };
    let told = check_maps_alone(&burst, &aligned, &known);
    assert!(told.relative_focal_error() < 1.001e-3);
    assert!(told.lens_error.focal_by_stars < model.lens_error.focal_by_stars);
}

#[test]
fn a_tracked_burst_tells_no_lens_and_says_so() {
    // A drive with a periodic error of 20 arcsec: half a pixel of this lens.
    let mut burst = Burst::new(Mapping::Rectilinear, 5517.0, (1200, 900), [0.0; 3]);
    let tracker = Tracker {
        axis: axis(),
        rate_arcsec_per_s: synth::SIDEREAL_RATE_ARCSEC_PER_S,
        periodic_error_arcsec: 20.0,
        period_s: 480.0,
        phase_turns: 0.1,
    };
    burst.stars = 800;
    burst.rotations = (0..12)
        .map(|i| {
            let turn =
                |t: f64| (t / tracker.period_s + tracker.phase_turns) * std::f64::consts::TAU;
            let error = turn(40.0 * f64::from(i)).sin() - turn(0.0).sin();
            let arcsec = tracker.periodic_error_arcsec * error;
            synth::rotation_about(tracker.axis, (arcsec / 3600.0).to_radians())
        })
        .collect();
    let aligned = Aligned::of(&burst);
    let reason = aligned.solve(&SkyOptions::default());
    let reason = reason.expect_err("nothing moved");
    assert!(matches!(reason, SkyModelError::TooLittleMotion { found_px, .. } if found_px < 2.0));
    for (frame, place) in aligned.places.iter().enumerate().skip(1) {
        let place = place
            .as_ref()
            .expect("not the reference")
            .as_ref()
            .expect("matched");
        let (rms_px, _) = burst.map_errors_px(frame, |x, y| Some(place.map.map(x, y)));
        assert!(rms_px < MAP_RMS_PX, "frame {frame}: {rms_px} px");
    }
}

#[test]
fn a_wrong_clock_and_a_knock_are_found() {
    let times_s = evenly(30.0, 14);
    let mut burst = Burst::new(Mapping::Rectilinear, 690.0, (1200, 900), [-0.03, 0.0, 0.0])
        .turning(axis(), &times_s);
    burst.stars = 600;
    let aligned = Aligned::of(&burst);
    // A clock that runs a hundredth slow, is set back by a minute, and once is wrong alone.
    let mut told: Vec<f64> = times_s.iter().map(|t| 0.99 * t).collect();
    told[4] += 7.0;
    let model = check_maps(&burst, &aligned, &clocked(&told));
    assert_eq!(held(&model), Some(Held::Axis));
    let clock = model
        .tripod
        .and_then(|tripod| tripod.clock)
        .expect("times are known");
    assert!(
        (clock.rate_ratio * 0.99 - 1.0).abs() < 4.0 * clock.rate_ratio_error,
        "{clock:?}"
    );
    assert!(
        (clock.rate_ratio - 1.0) > 4.0 * clock.rate_ratio_error,
        "{clock:?}"
    );
    assert_eq!(clock.off, vec![4]);
    let mut told = times_s.clone();
    for time in &mut told[9..] {
        *time -= 60.0;
    }
    let model = check_maps(&burst, &aligned, &clocked(&told));
    let clock = model
        .tripod
        .and_then(|tripod| tripod.clock)
        .expect("times are known");
    assert_eq!(clock.backwards, vec![9]);
    // A knock of a tenth of a degree before the eighth frame.
    let knock = synth::rotation_about([0.0, 1.0, 0.0], 0.1_f64.to_radians());
    for rotation in &mut burst.rotations[8..] {
        let turned = *rotation;
        *rotation = std::array::from_fn(|i| {
            std::array::from_fn(|j| (0..3).map(|k| knock[i][k] * turned[k][j]).sum())
        });
    }
    let model = check_maps(&burst, &Aligned::of(&burst), &clocked(&times_s));
    assert_eq!(held(&model), Some(Held::Free));
    let tripod = model.tripod.expect("most of it is one turn");
    assert_eq!(tripod.moved, vec![8]);
}

#[test]
fn lamps_on_the_ground_are_no_stars_even_below_the_pole() {
    // A village along the lower edge, its brightest lamps as bright as any star; and some
    // lamps near the pole, where the stars move by a few pixels in all.
    let pole = synth::south_pole_in_camera(-46.2, 40.0, 180.0);
    let times_s = evenly(35.0, 8);
    let mut burst = Burst::new(Mapping::Equisolid, 552.0, (1200, 900), [-0.02, 0.0, 0.0])
        .turning(pole, &times_s);
    burst.stars = 700;
    let (x, y) = burst.place(0, pole).expect("the pole is in the picture");
    let village = |i: u32| {
        let (east, up) = (i * 7919 % 1193, i * 104_729 % 61);
        (f64::from(east) + 3.3, 832.0 + f64::from(up))
    };
    let below_pole = |i: u32| {
        (
            x + f64::from(i * 37 % 101),
            y + 60.0 + f64::from(i * 29 % 23),
        )
    };
    burst.lamps = (1..33).map(village).chain((1..9).map(below_pole)).collect();
    let aligned = Aligned::of(&burst);
    let model = check_maps(&burst, &aligned, &clocked(&times_s));
    // So small a turn about a pole in the picture tells little of the focal length.
    let off_px = model.lens.focal_px() - 552.0;
    assert!(off_px.abs() < 4.0 * model.lens_error.focal_px, "{off_px}");
    assert_eq!(held(&model), Some(Held::SiderealRate));
    let is_lamp = |star: &radicand_align::Star| {
        let near = |lamp: &(f64, f64)| (star.x - lamp.0).hypot(star.y - lamp.1) < 0.15;
        burst.lamps.iter().any(near)
    };
    for (frame, pairs) in model.pairs.iter().enumerate().skip(1) {
        let lamps = pairs
            .iter()
            .filter(|&&(a, b)| is_lamp(&aligned.lists[0][a]) && is_lamp(&aligned.lists[frame][b]));
        assert_eq!(lamps.count(), 0, "frame {frame}");
    }
}

#[test]
fn few_stars_say_how_few() {
    let times_s = evenly(60.0, 4);
    let mut burst =
        Burst::new(Mapping::Rectilinear, 690.0, (1200, 900), [0.0; 3]).turning(axis(), &times_s);
    burst.stars = 20;
    let reason = Aligned::of(&burst).solve(&clocked(&times_s));
    let reason = reason.expect_err("too few");
    assert!(
        matches!(reason, SkyModelError::TooFewStars { needed: 30, .. }),
        "{reason}"
    );
    let lone = radicand_align::solve_sky(&[&[]], &[None], 0, (1200, 900), &SkyOptions::default());
    assert!(matches!(
        lone,
        Err(SkyModelError::TooFewStars { found: 0, .. })
    ));
}

#[test]
fn the_sidereal_rate_is_the_one_of_the_almanac() {
    // Source: 15.041 068 6 arcsec/s, a turn in 86 164.0905 s (IERS Conventions 2010, from
    // memory); the two sources print eight digits. Greenwich mean sidereal time of IAU 2006
    // grows by 360.985 647 370° in the day from 2025-11-21 on (erfa 2.0.1, `gmst06`).
    assert!((SIDEREAL_RATE_DEG_PER_DAY - 360.985_647_370).abs() < 1e-8);
    let arcsec_per_s = SIDEREAL_RATE_DEG_PER_DAY * 3600.0 / 86_400.0;
    assert!((arcsec_per_s - synth::SIDEREAL_RATE_ARCSEC_PER_S).abs() < 1e-7);
}
