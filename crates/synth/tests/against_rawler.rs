//! The DNG files as rawler reads them, plain and packed.

mod pattern;

use rawler::RawImage;
use rawler::decoders::RawDecodeParams;
use rawler::rawimage::{RawImageData, RawPhotometricInterpretation};
use rawler::rawsource::RawSource;

fn decode(bytes: &[u8]) -> RawImage {
    let source = RawSource::new_from_slice(bytes);
    rawler::decode(&source, &RawDecodeParams::default()).expect("rawler reads it")
}

fn values(image: &RawImage) -> &[u16] {
    match &image.data {
        RawImageData::Integer(values) => values,
        RawImageData::Float(_) => panic!("the file holds integers"),
    }
}

#[test]
fn rawler_sees_the_mosaic_its_levels_and_its_filters() {
    for file in pattern::FILES {
        let name = file.name;
        let image = decode(&file.bytes());
        let mosaic = pattern::mosaic(file.size, file.letters, file.black_dn);
        assert_eq!((image.width, image.height), file.size, "{name}");
        assert_eq!(image.cpp, 1, "{name}");
        assert!(values(&image).iter().eq(&mosaic.data), "{name}");
        let RawPhotometricInterpretation::Cfa(filters) = &image.photometric else {
            panic!("{name} has filters")
        };
        assert_eq!(filters.cfa.name, file.letters, "{name}");
        let levels = image.blacklevel.levels.iter().map(|level| level.as_f32());
        assert!(levels.eq(file.black_dn), "{name}: {:?}", image.blacklevel);
        assert_eq!(image.whitelevel.0, [15_000], "{name}");
    }
}

#[test]
fn rawler_sees_full_color_as_it_was_put_in() {
    let image = decode(&pattern::full_color_bytes());
    let planes = pattern::full_color();
    assert_eq!(image.cpp, 3);
    for (channel, plane) in planes.iter().enumerate() {
        assert!(values(&image).iter().skip(channel).step_by(3).eq(plane));
    }
}

#[test]
fn rawler_sees_a_packed_light_as_it_was_exposed() {
    let mut scene = synth::Scene::named("ultra-wide").expect("a known scene");
    (scene.width, scene.height) = (400, 300);
    let mosaic = synth::render(&scene, 0).expect("a light").mosaic;
    let info = synth::DngInfo {
        compression: synth::Compression::LosslessJpeg,
        ..pattern::info()
    };
    let bytes = synth::encode_dng(&mosaic, &info).expect("it fits");
    assert!(values(&decode(&bytes)).iter().eq(&mosaic.data));
}
