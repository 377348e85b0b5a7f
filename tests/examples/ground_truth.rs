//! dev
#![allow(clippy::print_stdout, reason = "dev")]
use ndarray::{Array2, ArrayView2};
use std::io::Write;
fn dump(path: &str, a: &Array2<f32>) {
    let mut f = std::fs::File::create(path).unwrap();
    let (h, w) = a.dim();
    f.write_all(&(h as u32).to_le_bytes()).unwrap();
    f.write_all(&(w as u32).to_le_bytes()).unwrap();
    for v in a {
        f.write_all(&v.to_le_bytes()).unwrap();
    }
}
fn main() {
    let name = std::env::args().nth(1).unwrap();
    let dir = format!("/tmp/g/{name}");
    let mut inputs = radicand::Inputs::default();
    inputs.lights = vec![dir.into()];
    let store = stack::MosaicStore::new(4 << 30, &std::env::temp_dir());
    let mut session = radicand::gather(&inputs, store, &()).unwrap();
    let cal = radicand::calibrator(&session).unwrap();
    let t = std::time::Instant::now();
    let solved =
        radicand::solve(&mut session, cal, None, &Default::default(), 2 << 30, &()).unwrap();
    println!("solve {:?}", t.elapsed());
    let layout = solved.calibrator.layout().clone();
    let cell = align::cell_px(layout.width, layout.height, layout.cfa.width());
    let t = std::time::Instant::now();
    let planes: Vec<Array2<f32>> = solved
        .lights
        .iter()
        .map(|l| {
            let w = solved
                .calibrator
                .window(&l.light.mosaic, &layout.bounds())
                .unwrap();
            let m = ArrayView2::from_shape((layout.height, layout.width), &w.values).unwrap();
            align::cell_means(m, cell)
        })
        .collect();
    println!("cells {} {:?}", cell, t.elapsed());
    let maps: Vec<_> = solved.lights.iter().map(|l| l.light.map.clone()).collect();
    let t = std::time::Instant::now();
    let size = (layout.width, layout.height);
    let l = align::find_ground(&planes, &maps, cell, size);
    println!(
        "find {:?} lights {} ref {}",
        t.elapsed(),
        planes.len(),
        solved.reference
    );
    let o = format!("/tmp/g/{name}-");
    let l = l.unwrap_or_else(|| {
        println!("NO GROUND");
        Array2::from_elem((size.1, size.0), false)
    });
    dump(&(o.clone() + "label"), &l.mapv(|g| f32::from(u8::from(g))));
    if let Some(scene) = synth::Scene::named(&name) {
        let sim = synth::Simulator::new(&scene).unwrap();
        if let Some(cover) = sim.ground_cover(0) {
            let at = |y: usize, x: usize| l[(y, x)];
            let (mut miss, mut extra, mut n) = (0, 0, 0);
            for ((y, x), c) in cover.indexed_iter() {
                let g = *c > 0.5;
                n += usize::from(g);
                miss += usize::from(g && !at(y, x));
                extra += usize::from(!g && at(y, x));
            }
            let all = cover.len() as f64;
            println!(
                "truth: ground {:.4} missed {:.4} % extra {:.4} %",
                n as f64 / all,
                100.0 * miss as f64 / all,
                100.0 * extra as f64 / all
            );
            dump(&(o.clone() + "cover"), &cover);
        }
    }
    dump(&(o.clone() + "one"), &planes[0]);
}
