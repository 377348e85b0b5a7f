//! Flat fields, ramps, noise, seams and the published kernels.

use super::*;
use raw::Channel;

const SIDE: usize = 12;

fn window(f: impl Fn(usize, usize) -> f32) -> CalibratedWindow {
    let area = Rect::of_size(SIDE, SIDE);
    CalibratedWindow {
        area,
        values: (0..SIDE * SIDE).map(|i| f(i / SIDE, i % SIDE)).collect(),
    }
}

fn demosaic(cfa: &Cfa, window: &CalibratedWindow, area: &Rect) -> Vec<Vec<f32>> {
    let mut planes = vec![Vec::new(); cfa.channels().len()];
    Demosaic::new(cfa, DemosaicMethod::Bilinear).run(window, area, &mut planes);
    planes
}

#[test]
fn a_colored_ramp_comes_back_inside_and_flat_color_everywhere() {
    for letters in ["RGGB", "GRBG", "GBRG", "BGGR"] {
        let cfa = Cfa::bayer(letters).expect("a Bayer array");
        let scale = |channel: Channel| match channel {
            Channel::R => 1.0,
            Channel::G => 10.0,
            _ => 100.0,
        };
        let ramp = |row: usize, col: usize| 5.0 + 0.5 * row as f32 + 0.25 * col as f32;
        let mosaic = window(|row, col| scale(cfa.at(row, col)) * ramp(row, col));
        let planes = demosaic(&cfa, &mosaic, &mosaic.area);
        for (plane, &channel) in planes.iter().zip(cfa.channels()) {
            for row in 1..SIDE - 1 {
                for col in 1..SIDE - 1 {
                    let want = scale(channel) * ramp(row, col);
                    let found = plane[row * SIDE + col];
                    assert!(
                        (found - want).abs() < 1e-4 * want,
                        "{letters} {found} {want}"
                    );
                }
            }
        }
        let flat = window(|row, col| scale(cfa.at(row, col)));
        for (plane, &channel) in demosaic(&cfa, &flat, &flat.area).iter().zip(cfa.channels()) {
            let want = scale(channel);
            assert!(
                plane.iter().all(|v| (v - want).abs() < 1e-5 * want),
                "{letters}"
            );
        }
    }
}

#[test]
fn noise_drops_as_bilinear_interpolation_says() {
    // The sums of squared weights over the phases: mean variance of a pixel 9/16 in R and B, 5/8 in G.
    let cfa = Cfa::bayer("RGGB").expect("a Bayer array");
    for (channel, want) in [(0, 9.0 / 16.0), (1, 5.0 / 8.0), (2, 9.0 / 16.0)] {
        let sum_sq: f32 = Demosaic::new(&cfa, DemosaicMethod::Bilinear).taps[channel]
            .iter()
            .map(|taps| taps.iter().map(|tap| tap.weight * tap.weight).sum::<f32>())
            .sum();
        assert!(
            (sum_sq / 4.0 - want).abs() < 1e-6,
            "channel {channel}: {}",
            sum_sq / 4.0
        );
    }
}

#[test]
fn tiles_join_without_a_seam() {
    let cfa = Cfa::bayer("GBRG").expect("a Bayer array");
    let mosaic = window(|row, col| ((row * 31 + col * 17) % 23) as f32);
    let whole = demosaic(&cfa, &mosaic, &mosaic.area);
    for tile in mosaic.area.tiles(5) {
        let part = mosaic.cropped(&tile.grown(1, &mosaic.area));
        let planes = demosaic(&cfa, &part, &tile);
        for (plane, whole) in planes.iter().zip(&whole) {
            for row in tile.y0..tile.y1 {
                for col in tile.x0..tile.x1 {
                    let found = plane[(row - tile.y0) * tile.width() + col - tile.x0];
                    assert_eq!(found.to_bits(), whole[row * SIDE + col].to_bits());
                }
            }
        }
    }
}

#[test]
fn a_monochrome_mosaic_passes_through() {
    let mosaic = window(|row, col| (row * SIDE + col) as f32);
    assert_eq!(
        demosaic(&Cfa::mono(), &mosaic, &mosaic.area),
        std::slice::from_ref(&mosaic.values)
    );
}

#[test]
fn a_six_by_six_array_gives_flat_color_everywhere() {
    let letters = "GBGGRGRGRBGBGBGGRGGRGGBGBGBRGRGRGGBG";
    let channel = |letter| match letter {
        'R' => Channel::R,
        'G' => Channel::G,
        _ => Channel::B,
    };
    let cfa = Cfa::new(6, letters.chars().map(channel).collect()).expect("6 x 6");
    let flat = window(|row, col| {
        if cfa.at(row, col) == Channel::R {
            3.0
        } else {
            8.0
        }
    });
    let planes = demosaic(&cfa, &flat, &flat.area);
    assert!(planes[0].iter().all(|v| (v - 3.0).abs() < 1e-5));
    assert!(planes[1].iter().all(|v| (v - 8.0).abs() < 1e-5));
}

#[test]
fn gradient_corrected_kernels_keep_flat_color() {
    // Weights of a channel sum to one over its own sites and to nought over the others, so
    // that flat color comes back and the correction is a pure second difference.
    let cfa = Cfa::bayer("RGGB").expect("a Bayer array");
    let demosaic = Demosaic::new(&cfa, DemosaicMethod::GradientCorrected);
    for (taps, &channel) in demosaic.taps.iter().zip(cfa.channels()) {
        for (phase, taps) in taps.iter().enumerate() {
            let of = |own: bool| -> f32 {
                let site = |tap: &&Tap| {
                    let row = (phase / 2 + 4).wrapping_add_signed(tap.dy);
                    let col = (phase % 2 + 4).wrapping_add_signed(tap.dx);
                    (cfa.at(row, col) == channel) == own
                };
                taps.iter().filter(site).map(|tap| tap.weight).sum()
            };
            assert!((of(true) - 1.0).abs() < 1e-6, "{channel:?} {phase}");
            assert!(of(false).abs() < 1e-6, "{channel:?} {phase}");
        }
    }
    assert_eq!(demosaic.halo_px(), 2);
}

#[test]
fn a_balance_divides_by_white_and_multiplies_by_it_again() {
    // Twelve sums of up to 2e3 in single precision.
    const ROUNDING_DN: f32 = 2e-3;
    let white = RecordedWhite::new([0.4, 1.0, 0.75]).expect("a white");
    for letters in ["RGGB", "GRBG", "GBRG", "BGGR"] {
        let cfa = Cfa::bayer(letters).expect("a Bayer array");
        let at = |row: usize, col: usize| ((row * 131 + col * 71) % 97) as f32 * 17.0 - 400.0;
        let mosaic = window(at);
        let divided = window(|row, col| at(row, col) / white.of(cfa.at(row, col)));
        let run = |demosaic: &Demosaic, window: &CalibratedWindow| {
            let mut planes = vec![Vec::new(); 3];
            demosaic.run(window, &window.area, &mut planes);
            planes
        };
        let plain = Demosaic::new(&cfa, DemosaicMethod::GradientCorrected);
        let apart = run(&plain, &divided);
        let found = run(&plain.balanced(white), &mosaic);
        for (channel, &color) in cfa.channels().iter().enumerate() {
            for (i, &found) in found[channel].iter().enumerate() {
                let wanted = apart[channel][i] * white.of(color);
                assert!(
                    (found - wanted).abs() < ROUNDING_DN,
                    "{letters} {found} {wanted}"
                );
                if cfa.at(i / SIDE, i % SIDE) == color {
                    assert_eq!(found.to_bits(), mosaic.values[i].to_bits());
                }
            }
        }
        let bilinear = Demosaic::new(&cfa, DemosaicMethod::Bilinear);
        assert_eq!(
            run(&bilinear, &mosaic),
            run(&bilinear.balanced(white), &mosaic)
        );
    }
}

#[test]
fn what_is_no_white_is_refused() {
    for levels in [
        [0.0, 1.0, 1.0],
        [1.0, -1.0, 1.0],
        [1.0, 1.0, f64::NAN],
        [0.1, 1.0, 1.0],
        [1.0, 0.0, 1.0],
    ] {
        assert_eq!(RecordedWhite::new(levels), None);
    }
    let white = RecordedWhite::new([100.0, 200.0, 150.0]).expect("a white");
    assert_eq!(white.over_green(), [0.5, 1.0, 0.75]);
}
