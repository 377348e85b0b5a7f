//! Sound files to spoil: real raws, pictures of other libraries, and files made here.
//!
//! Those of cameras carry real signatures and names of models, since it is by these that a
//! decoder is chosen; what follows them is made up.

use crate::support::dng::Dng;
use crate::support::fits::{card, fits, picture, unsigned_16};
use crate::support::{fixtures, shared};
use rand::Rng;
use rand::seq::IndexedRandom;
use rand_chacha::ChaCha8Rng;
use rawler::ljpeg92::LjpegCompressor;
use std::path::Path;

/// Files beyond this many bytes are chosen less often.
const LARGE: usize = 200_000;

/// A sound file.
pub struct Seed {
    pub name: String,
    pub bytes: Vec<u8>,
    /// Read by foreign decoders, and never as a picture.
    pub is_camera_raw: bool,
}

impl Seed {
    fn new(name: impl Into<String>, bytes: Vec<u8>) -> Self {
        let name = name.into();
        let ends = |ends: &[&str]| ends.iter().any(|end| name.ends_with(end));
        Self {
            is_camera_raw: !ends(&[".dng", ".fits", ".fz", ".tif", ".png"]),
            name,
            bytes,
        }
    }

    pub fn extension(&self) -> &str {
        self.name.rsplit('.').next().unwrap_or_default()
    }
}

/// One of the seeds: large ones and those for processes of their own, of which there are
/// many, less often than the rest.
pub fn choose<'a>(seeds: &'a [Seed], rng: &mut ChaCha8Rng) -> &'a Seed {
    loop {
        let seed = seeds.choose(rng).expect("there are seeds");
        let is_costly = seed.bytes.len() > LARGE || seed.is_camera_raw;
        if !is_costly || rng.random_range(0..6) == 0 {
            return seed;
        }
    }
}

/// All there are, always in the same order.
pub fn seeds() -> Vec<Seed> {
    let mut seeds = Vec::new();
    for folder in ["raw", "open_checks", "synth_checks", "hostile"] {
        add_folder(&mut seeds, &fixtures(folder));
    }
    for folder in ["raw", "stars"] {
        if let Some(folder) = shared(folder) {
            add_folder(&mut seeds, &folder);
        }
    }
    seeds.extend(dngs());
    seeds.extend(fits_files());
    seeds.extend(makers());
    seeds.extend(containers());
    seeds
}

fn add_folder(seeds: &mut Vec<Seed>, folder: &Path) {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return;
    };
    let mut paths: Vec<_> = entries.flatten().map(|entry| entry.path()).collect();
    paths.sort();
    for path in paths {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let is_text = [".md", ".py", ".csv", ".json"].iter();
        if path.is_file() && !is_text.clone().any(|end| name.ends_with(end)) {
            let bytes = std::fs::read(&path).expect("a readable file");
            seeds.push(Seed::new(name, bytes));
        }
    }
}

fn samples(n: u32) -> Vec<u16> {
    let value = |i: u32| (i.wrapping_mul(40_503) >> 6) as u16 & 0x3ff;
    (0..n).map(value).collect()
}

fn dngs() -> Vec<Seed> {
    let mut seeds = Vec::new();
    for (bits, big_endian) in [(8, true), (10, false), (12, false), (14, true), (16, false)] {
        let mut dng = Dng::cfa(64, 48, samples(64 * 48), [0, 1, 1, 2]);
        (dng.bits, dng.big_endian, dng.rows_per_strip) = (bits, big_endian, 10);
        dng.short(50713, &[2, 2]);
        dng.short(50714, &[20, 21, 22, 23]);
        dng.long(50829, &[2, 2, 46, 62]);
        dng.exif = vec![(33434, 5, vec![30, 1]), (34855, 3, vec![1600])];
        dng.exif_texts = vec![(36867, "2026:01:19 21:04:05")];
        if bits == 12 {
            dng.short(50712, &[0, 10, 20, 500, 4000]);
        }
        seeds.push(Seed::new(format!("made_{bits}.dng"), dng.bytes()));
    }
    for predictor in [1, 6] {
        let pixels = samples(64 * 48);
        let jpeg = LjpegCompressor::new(&pixels, 32, 48, 2, 14, predictor, 0, 0);
        let mut dng = Dng::cfa(64, 48, pixels.clone(), [1, 0, 2, 1]);
        dng.encoded = jpeg.and_then(LjpegCompressor::encode).ok();
        dng.bits = 14;
        dng.short(259, &[7]);
        seeds.push(Seed::new(format!("jpeg_{predictor}.dng"), dng.bytes()));
    }
    seeds
}

fn fits_files() -> Vec<Seed> {
    let pixels = samples(64 * 48);
    let cards = [
        card("BAYERPAT", "'RGGB'"),
        card("EXPTIME", "30.0"),
        card("DATE-OBS", "'2026-01-19T21:04:05.5'"),
        card("IMAGETYP", "'Light Frame'"),
    ];
    let mut seeds = vec![Seed::new("made_16.fits", unsigned_16(64, &pixels, &cards))];
    for (bitpix, bytes) in [(8, 1), (32, 4), (64, 8), (-32, 4), (-64, 8)] {
        let data = vec![0; 64 * 48 * bytes];
        let file = fits(&picture(bitpix, 64, 48), &data);
        seeds.push(Seed::new(format!("made_{bitpix}.fits"), file));
    }
    // A second unit of a name, as a stack's own file has.
    let mut file = fits(&picture(-32, 64, 48), &vec![0; 64 * 48 * 4]);
    let extension = fits(
        &[picture(-32, 64, 48), vec![card("EXTNAME", "'VARIANCE'")]].concat(),
        &vec![0; 64 * 48 * 4],
    );
    let head = format!("{:<80}", "XTENSION= 'IMAGE   '");
    file.extend(head.bytes());
    file.extend(&extension[80..]);
    seeds.push(Seed::new("made_extension.fits", file));
    seeds
}

/// Directories signed by those makers whose formats have decoders of their own: the bytes
/// that follow are noise, which is what the decoders have to bear.
fn makers() -> Vec<Seed> {
    const MAKERS: [(&str, &str, &str); 16] = [
        ("Canon", "Canon EOS 5D Mark II", "cr2"),
        ("NIKON CORPORATION", "NIKON D90", "nef"),
        ("NIKON", "COOLPIX P7100", "nrw"),
        ("SONY", "SLT-A77V", "arw"),
        ("OLYMPUS IMAGING CORP.", "E-5", "orf"),
        ("PENTAX", "PENTAX K-5", "pef"),
        ("Panasonic", "DMC-GH2", "rw2"),
        ("LEICA", "D-LUX 5", "rwl"),
        ("SAMSUNG", "NX100", "srw"),
        ("EASTMAN KODAK COMPANY", "KODAK DSC Pro SLR/n", "dcr"),
        ("Kodak", "DCS560C", "dcs"),
        ("Hasselblad", "Hasselblad H3D", "3fr"),
        ("Mamiya-OP Co.,Ltd.", "Mamiya ZD", "mef"),
        ("Leaf", "Leaf Aptus 22", "mos"),
        ("Phase One A/S", "P45", "iiq"),
        ("SEIKO EPSON CORP.", "R-D1", "erf"),
    ];
    const COMPRESSIONS: [u32; 7] = [1, 6, 7, 32_767, 32_770, 34_713, 65_000];
    let mut seeds = Vec::new();
    for (n, (make, model, extension)) in MAKERS.into_iter().enumerate() {
        for (m, compression) in COMPRESSIONS.into_iter().enumerate() {
            let mut dng = Dng::cfa(320, 240, samples(320 * 40), [0, 1, 1, 2]);
            dng.big_endian = (n + m) % 2 == 0;
            dng.rows_per_strip = 40;
            dng.bits = [8, 12, 14, 16][(n + m) % 4];
            dng.fields.retain(|(tag, ..)| *tag != 50706);
            dng.texts = vec![(271, make), (272, model)];
            dng.long(259, &[compression]);
            dng.exif = vec![(37500, 7, (0..200).collect()), (33434, 5, vec![30, 1])];
            let name = format!("maker_{}_{compression}.{extension}", make.replace(' ', "_"));
            let mut bytes = dng.bytes();
            if extension == "orf" {
                bytes[2..4].copy_from_slice(if dng.big_endian { b"OR" } else { b"RO" });
            }
            if extension == "rw2" && !dng.big_endian {
                bytes[2] = 0x55;
            }
            seeds.push(Seed::new(name, bytes));
        }
    }
    seeds
}

/// Containers of their own: a signature, and numbers after it.
fn containers() -> Vec<Seed> {
    let noise: Vec<u8> = samples(4000)
        .into_iter()
        .flat_map(u16::to_be_bytes)
        .collect();
    let signed = |name: &str, head: &[u8]| Seed::new(name, [head, &noise].concat());
    let mut raf = b"FUJIFILMCCD-RAW 0201FF389501FinePix S5000".to_vec();
    raf.resize(84, 0);
    for number in [160_u32, 400, 600, 600, 1200, 6000, 1, 0, 0, 0] {
        raf.extend(number.to_be_bytes());
    }
    let mut boxes = vec![0, 0, 0, 24];
    boxes.extend(b"ftypcrx \0\0\0\x01crx isom");
    boxes.extend([0, 0, 0, 80]);
    boxes.extend(b"moov\0\0\0\x48trak\0\0\0\x40mdia\0\0\0\x38minf\0\0\0\x30stbl");
    let mut minolta = b"\0MRM\0\0\x02\0\0PRD\0\0\0\x18".to_vec();
    minolta.extend(b"21810002\x01\xe0\x02\x80\x01\xe0\x02\x80\x0c\x0c\x01\0\0\0\0\0");
    vec![
        signed("made.raf", &raf),
        signed("made.cr3", &boxes),
        signed("made.mrw", &minolta),
        signed("made.x3f", b"FOVb\0\0\x02\0"),
        signed("made.ari", b"ARRI\x12\x34\x56\x78"),
        signed("made.iiq", b"IIII\0\0\0\0"),
    ]
}
