//! Whole jobs whose picture is on other pixels than its frames.

#![allow(clippy::print_stdout, reason = "a failing test shows its figures")]

use radicand::{Format, Inputs, ResultFolder, StackJob, StackOutcome};
use radicand_tests::{check_near, in_memory, read_float_tiff};
use stack::{DemosaicMethod, DropShape, FromMosaic};
use std::sync::OnceLock;
use synth::{CountLaw, Scene, Stars, write_scene};
use tempfile::TempDir;

const WIDTH: usize = 300;
const HEIGHT: usize = 202;

/// Six lights from a tripod, no ground.
fn night() -> &'static TempDir {
    static NIGHT: OnceLock<TempDir> = OnceLock::new();
    NIGHT.get_or_init(|| {
        let mut scene = Scene::named("tripod-burst").expect("a scene");
        (scene.width, scene.height, scene.frames) = (WIDTH, HEIGHT, 6);
        scene.sky.stars = Stars::Counted(CountLaw {
            brightest_mag: 3.0,
            faintest_mag: 9.5,
            density: 2.0,
        });
        let temp = tempfile::tempdir().expect("a folder");
        write_scene(&scene, temp.path(), |_| ()).expect("a scene on disk");
        temp
    })
}

fn job() -> StackJob {
    StackJob::new(Inputs {
        lights: vec![night().path().to_owned()],
        ..Inputs::default()
    })
}

fn bits(outcome: &StackOutcome) -> Vec<u32> {
    let stack = in_memory(outcome);
    let planes = [&stack.mean, &stack.variance, &stack.weight];
    planes.into_iter().flatten().map(|v| v.to_bits()).collect()
}

#[test]
fn a_finer_picture_says_what_it_lacks_and_how_noisy_it_is() {
    let mut job = job();
    job.from_mosaic = Some(FromMosaic {
        scale: 2.0,
        drop: DropShape::Square(0.8),
    });
    let mut outcome = job.run(&()).expect("a stack");
    assert_eq!(outcome.stack.shape(), (3, 2 * HEIGHT, 2 * WIDTH));
    let one = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build()
        .expect("a thread");
    let again = one.install(|| job.run(&())).expect("a stack");
    assert!(bits(&outcome) == bits(&again), "threads change no bit");

    let out = tempfile::tempdir().expect("a folder");
    let folder =
        ResultFolder::prepare(out.path(), &[Format::Tiff, Format::Png], Default::default());
    let report = folder
        .expect("a folder")
        .write(&job, &mut outcome)
        .expect("files");
    let planes = read_float_tiff(&out.path().join("stack.tif"));
    assert_eq!(planes.dim(), (3, 2 * HEIGHT, 2 * WIDTH));
    let warning = report
        .warnings
        .iter()
        .find(|w| w.code == "sparse_photosites");
    let warning = warning.expect("six frames are few for twice the scale");
    assert!(
        warning.text.contains("6 frames") && warning.text.contains("takes 55"),
        "{}",
        warning.text
    );
    let mosaic = report.from_mosaic.expect("a second pass");
    assert_eq!(
        (mosaic.width as usize, mosaic.height as usize),
        (2 * WIDTH, 2 * HEIGHT)
    );
    for (channel, found) in &mosaic.channels {
        println!("{channel:?} {found:?}");
        let (area, first) = (
            found.noise_area_dn.expect("noise"),
            found.first_pass_area_dn.expect("noise"),
        );
        // Both have the same photosites; demosaicking loses a little of the noise at blocks of
        // 8 px, and thin places have more.
        assert!(
            (0.9..1.5).contains(&(area / first)),
            "{channel:?} {area} {first}"
        );
        assert!(found.empty < 0.6 && found.thin >= found.empty && found.rejected < 0.02);
    }
    // Regions lie in the finer picture, and together have its noise.
    for (name, whole) in &mosaic.channels {
        let regions = mosaic.regions.iter();
        let here: Vec<_> = regions
            .filter_map(|region| region.channels.get(name))
            .collect();
        let squares = here.iter().map(|found| found.noise_pixel_dn.powi(2));
        let mean = (squares.sum::<f64>() / here.len() as f64).sqrt();
        let whole = whole.noise_pixel_dn.expect("noise");
        println!(
            "{name:?} {} regions: {mean:.2} of {whole:.2} DN",
            here.len()
        );
        assert!(here.len() > 12, "{}", here.len());
        // Corners are thinner than the middle, and no pixel is worth a region.
        check_near("regions", mean, whole, 0.1);
    }
    let last = mosaic.regions.last().expect("regions");
    assert!(last.x1 as usize <= 2 * WIDTH && last.y1 as usize <= 2 * HEIGHT);
    assert!(last.x1 as usize > WIDTH && last.y1 as usize > HEIGHT);
    // A pixel without photosites has a value, and says so by its weight.
    let weights = in_memory(&outcome).weight.indexed_iter();
    let empty = weights.filter(|((_, row, col), weight)| {
        let inner = (100..300).contains(row) && (100..500).contains(col);
        inner && **weight == 0.0
    });
    let values: Vec<f32> = empty.map(|(at, _)| in_memory(&outcome).mean[at]).collect();
    assert!(!values.is_empty() && values.iter().all(|value| value.is_finite()));
}

#[test]
fn gradients_go_by_the_daylight_of_the_camera() {
    let mut job = job();
    job.options.demosaic = DemosaicMethod::GradientCorrected;
    let mut outcome = job.run(&()).expect("a stack");
    let out = tempfile::tempdir().expect("a folder");
    let folder = ResultFolder::prepare(out.path(), &[Format::Tiff], Default::default());
    let folder = folder.expect("a folder");
    let report = folder.write(&job, &mut outcome).expect("files");
    let white = &report.run.settings["white"];
    // The invented camera's efficiencies over that of green; its matrix has two digits.
    for (channel, wanted) in [0.415, 1.0, 0.7525].into_iter().enumerate() {
        let found = white[channel].as_f64().expect("a number");
        check_near("white", found, wanted, 0.004);
    }
}

#[test]
fn superpixels_are_half_the_size_and_as_bright() {
    let full = job().run(&()).expect("a stack");
    let mut job = job();
    job.options.demosaic = DemosaicMethod::Superpixel;
    let half = job.run(&()).expect("a stack");
    assert_eq!(half.stack.shape(), (3, HEIGHT / 2, WIDTH / 2));
    for channel in 0..3 {
        // Blocks of the full picture against the pixels that they became, all over: stars and
        // sky at the same places.
        let (mut own, mut other, mut both) = (0.0, 0.0, 0.0);
        for row in 20..HEIGHT / 2 - 20 {
            for col in 20..WIDTH / 2 - 20 {
                let at = |r: usize, c: usize| {
                    f64::from(in_memory(&full).mean[(channel, 2 * row + r, 2 * col + c)])
                };
                let block = 0.25 * (at(0, 0) + at(0, 1) + at(1, 0) + at(1, 1));
                let pixel = f64::from(in_memory(&half).mean[(channel, row, col)]);
                (own, other, both) = (
                    own + pixel * pixel,
                    other + block * block,
                    both + pixel * block,
                );
            }
        }
        let alike = both / (own * other).sqrt();
        println!(
            "channel {channel}: {alike:.4}, brightness {:.4}",
            (own / other).sqrt()
        );
        assert!(alike > 0.97, "{channel}: {alike}");
    }
}
