use super::*;
use crate::testing::{Drawn, Noise, draw};
use crate::{BackgroundOptions, luminance};
use ndarray::Array2;
use raw::Cfa;

fn find(mosaic: &Array2<f32>, cfa: &Cfa, options: &DetectOptions) -> Vec<Star> {
    let plane = luminance(mosaic.view(), cfa);
    let background = Background::estimate(plane.view(), &BackgroundOptions::default());
    detect(plane.view(), &background, options)
}

#[test]
fn smoke() {
    let mut noise = Noise::new(3);
    let stars: Vec<Drawn> = (0..50)
        .map(|i| {
            Drawn::white(
                20.0 + 50.0 * (i % 10) as f64 + noise.uniform(),
                30.0 + 50.0 * (i / 10) as f64 + noise.uniform(),
                400.0 * 1.15_f64.powi(i),
                1.3,
            )
        })
        .collect();
    for cfa in [Cfa::mono(), Cfa::bayer("RGGB").unwrap()] {
        let mut mosaic = draw(&stars, 520, 300, &cfa);
        mosaic.mapv_inplace(|v| v + 300.0 + 5.0 * noise.gaussian() as f32);
        let found = find(&mosaic, &cfa, &DetectOptions::default());
        println!("{}", found.len());
        for star in &found {
            let t = stars
                .iter()
                .min_by(|a, b| {
                    (a.x - star.x)
                        .hypot(a.y - star.y)
                        .total_cmp(&(b.x - star.x).hypot(b.y - star.y))
                })
                .unwrap();
            println!(
                "{:.3} {:.3} ratio {:.4} peak {:.1} fwhm {:.3} (true {:.3}) e {:.3} snr {:.1}",
                star.x - t.x,
                star.y - t.y,
                star.flux_dn / t.flux_dn[1],
                star.peak_dn,
                star.fwhm_px,
                2.3548 * (1.69_f64 + 1.0 / 12.0).sqrt(),
                star.ellipticity,
                star.snr
            );
        }
    }
}
