//! The sky model against the simulator's lenses: maps, focal length, pole, choice.

mod burst;

use burst::{Burst, solve};
use radicand_align::SkyOptions;
use synth::Mapping;

#[test]
fn explore() {
    let axis = synth::south_pole_in_camera(46.2, 55.0, 190.0);
    for (name, mapping, f, k, step, n) in [
        (
            "uw",
            Mapping::Rectilinear,
            690.0,
            [-0.045, 0.008, 0.0],
            21.0,
            16,
        ),
        (
            "uw-long",
            Mapping::Rectilinear,
            690.0,
            [-0.045, 0.008, 0.0],
            240.0,
            16,
        ),
        ("fish", Mapping::Equisolid, 552.0, [0.0; 3], 26.0, 16),
        (
            "fish-long",
            Mapping::Equisolid,
            552.0,
            [-0.03, 0.005, 0.0],
            240.0,
            16,
        ),
        ("equidist", Mapping::Equidistant, 552.0, [0.0; 3], 120.0, 16),
        ("stereo", Mapping::Stereographic, 552.0, [0.0; 3], 120.0, 16),
        ("wide", Mapping::Rectilinear, 5517.0, [0.0; 3], 4.75, 20),
        ("wide60", Mapping::Rectilinear, 5517.0, [0.0; 3], 60.0, 20),
    ] {
        let times: Vec<f64> = (0..n).map(|i| step * i as f64).collect();
        let burst = Burst::new(mapping, f, (1200, 900), k).turning(axis, &times);
        let options = SkyOptions {
            times_s: times.iter().map(|&t| Some(t)).collect(),
            time_resolution_s: 0.01,
            ..SkyOptions::default()
        };
        let began = std::time::Instant::now();
        let lists = burst.lists();
        burst::align_all(&lists, burst.size);
        let t0 = began.elapsed();
        let (places, model) = solve(&burst, &options);
        let t1 = began.elapsed();
        let failed = places.iter().flatten().filter(|p| p.is_err()).count();
        let matched: Vec<usize> = places
            .iter()
            .flatten()
            .map(|p| p.as_ref().map_or(0, |p| p.matched))
            .collect();
        println!(
            "--- {name}: lists {:?} total {:?} stars {} failed {failed} {matched:?}",
            t0,
            t1,
            lists[0].len()
        );
        match model {
            Err(e) => println!("  {e}"),
            Ok(m) => {
                println!(
                    "  f {} +- {} ({}), c {:?} +- {:?}, k {:?} +- {:?}",
                    m.lens.focal_px(),
                    m.lens_error.focal_px,
                    m.lens_error.focal_by_stars,
                    m.lens.principal_point_px(),
                    m.lens_error.principal_point_px,
                    m.lens.radial(),
                    m.lens_error.radial
                );
                for t in m.trials.iter().take(5) {
                    println!("   {:?}", t);
                }
                println!(
                    "  scale {} matched {:?}\n  verdict {:?} {}",
                    m.scale,
                    m.matched,
                    m.verdict,
                    m.verdict.model_holds()
                );
                for z in &m.zones {
                    println!("   {z:?}");
                }
                if let Some(t) = &m.tripod {
                    let off = (0..3)
                        .map(|i| t.axis[i] * axis[i])
                        .sum::<f64>()
                        .clamp(-1.0, 1.0)
                        .acos()
                        .to_degrees();
                    println!(
                        "  pole off {off} deg, error {} deg, excess {} moved {:?} clock {:?}",
                        t.axis_error_rad.to_degrees(),
                        t.excess,
                        t.moved,
                        t.clock
                    );
                }
                for frame in [1, n / 2, n - 1] {
                    let e = burst.map_errors_px(frame, |x, y| {
                        let d = m.lens.unproject(x, y)?;
                        m.lens
                            .project(m.attitudes[frame]?.rotate(d))
                            .map(|p| (p[0], p[1]))
                    });
                    let h = places[frame]
                        .as_ref()
                        .and_then(|p| p.as_ref().ok())
                        .map(|p| burst.map_errors_px(frame, |x, y| Some(p.map.map(x, y))));
                    println!("   frame {frame}: map error {e:?} homography {h:?}");
                }
            }
        }
    }
}
