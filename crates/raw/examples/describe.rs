//! Says what frames hold: `cargo run -p radicand-raw --example describe -- FILE...`
//!
//! It is also its own second decoder, as any program that uses one should be.
#![allow(clippy::print_stdout, reason = "this program's job is to print")]

use radicand_raw::{DecodeOptions, DecoderProcess, Frame};
use std::path::Path;

fn main() {
    let args: Vec<_> = std::env::args_os().skip(1).collect();
    if let Some(status) = radicand_raw::run_child(&args) {
        std::process::exit(status);
    }
    let options = DecodeOptions {
        decoder_process: std::env::current_exe().ok().map(DecoderProcess::new),
        ..DecodeOptions::default()
    };
    for path in &args {
        match radicand_raw::decode(Path::new(path), &options) {
            Ok(frame) => describe(&frame),
            Err(error) => match radicand_raw::open(Path::new(path), &options) {
                Ok(opened) => println!("a picture, or many shots: {:?}", opened.shots),
                Err(of_picture) => println!("{error}\n{of_picture}"),
            },
        }
    }
}

fn describe(frame: &Frame) {
    let (Frame { info, mosaic }, (width, height)) = (frame, frame.mosaic.size());
    println!("{}", info.path.display());
    println!("  {width} x {height} px, read by {}", info.decoder.name());
    println!("  filters {:?}", mosaic.cfa);
    println!(
        "  black {:?}, white {:?}",
        mosaic.black_level_dn.values(),
        mosaic.white_level_dn.values()
    );
    println!("  {info:?}");
}
