//! The sensor: from expected electrons to recorded numbers.

use crate::poisson::poisson;
use crate::random::{Purpose, stream};
use ndarray::Array2;
use rand::Rng;
use rand_distr::{Distribution, Exp1, StandardNormal};
use raw::{Cfa, Channel, Mosaic, Rect, SitePattern};
use rayon::prelude::*;

/// A sensor and what is behind it, linear up to saturation.
///
/// `DN = round(black + (e + read + row + DSNU) / gain)`, cut to the converter's range,
/// where `e` is a Poisson number of light and dark electrons, at most the full well. The
/// light is multiplied by the pixel's response, whose standard deviation is the PRNU.
///
/// Source: EMVA 1288 Release 3.1 (2016), linear camera model; its system gain K is
/// `1 / gain_e_per_dn`.
#[derive(Clone, Debug, PartialEq)]
pub struct Sensor {
    /// Maker for the files' metadata.
    pub make: String,
    /// Model for the files' metadata.
    pub model: String,
    /// Distance between pixel centers, µm.
    pub pitch_um: f64,
    /// Filters.
    pub cfa: Cfa,
    /// Electrons per photon in R, G and B, lens and filters included.
    pub efficiency: [f64; 3],
    /// Gain, e⁻ per DN.
    pub gain_e_per_dn: f64,
    /// Standard deviation of one read, e⁻.
    pub read_noise_e: f64,
    /// Standard deviation of what a whole row shares in one read, e⁻.
    pub row_noise_e: f64,
    /// Standard deviation of what a whole column shares in every read, e⁻: columns have
    /// amplifiers of their own. Part of the fixed offsets.
    pub column_noise_e: f64,
    /// Dark current of an ordinary pixel at `rated_at_c`, e⁻/s.
    pub dark_current_e_per_s: f64,
    /// Temperature for which dark current and hot pixels are given, °C.
    pub rated_at_c: f64,
    /// Temperature, °C.
    pub temperature_c: f64,
    /// Warming that doubles the dark current, K: 5 to 9 near room temperature
    /// (Theuwissen 2009 states 5 to 8 °C).
    pub dark_doubling_k: f64,
    /// Extra dark current in the corner at the end of the last row, where the output
    /// amplifier glows, e⁻/s; the same at every temperature.
    pub amp_glow_e_per_s: f64,
    /// Share of pixels that are hot, 0 to 1.
    pub hot_fraction: f64,
    /// Mean extra dark current of a hot pixel at `rated_at_c`, e⁻/s; exponentially distributed.
    pub hot_mean_e_per_s: f64,
    /// Standard deviation of the pixels' response over its mean.
    pub prnu: f64,
    /// Standard deviation of the pixels' offsets, e⁻.
    pub dsnu_e: f64,
    /// Electrons a pixel can hold.
    pub full_well_e: f64,
    /// Number recorded without light, DN.
    pub black_level_dn: u16,
    /// Bits of the converter, 1 to 16.
    pub bits: u8,
    /// Sensitivity setting, a label.
    pub iso: u16,
    /// XYZ to camera R, G, B under D65, row by row.
    pub color_matrix: [[f32; 3]; 3],
}

/// What is fixed in a sensor, pixel by pixel.
#[derive(Clone, Debug)]
pub struct SensorMaps {
    /// Response over its mean.
    pub response: Array2<f32>,
    /// Offset, e⁻.
    pub offset_e: Array2<f32>,
    /// Pixels with extra dark current, row by row.
    pub hot_pixels: Vec<HotPixel>,
}

/// A pixel with a dark current of its own.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HotPixel {
    /// Column.
    pub x: usize,
    /// Row.
    pub y: usize,
    /// Dark current above that of an ordinary pixel, at the sensor's temperature, e⁻/s.
    pub rate_e_per_s: f64,
}

/// One exposure: what its rows share.
pub(crate) struct Exposure<'a> {
    sensor: &'a Sensor,
    maps: &'a SensorMaps,
    exposure_s: f64,
    seed: u64,
    shot: usize,
}

/// Distance in which the amplifier's glow falls by e, as a share of the sensor's width.
const AMP_GLOW_REACH: f64 = 0.12;

impl Sensor {
    /// The same sensor at another sensitivity setting: the gain goes with one over it. Of
    /// the read noise, `converter_noise_dn` (DN) arises behind the amplifier and shrinks in
    /// electrons as the gain does; the rest stays.
    pub fn at_iso(&self, iso: u16, converter_noise_dn: f64) -> Self {
        let gain_e_per_dn = self.gain_e_per_dn * f64::from(self.iso) / f64::from(iso);
        let behind = |gain: f64| (converter_noise_dn * gain).powi(2);
        let before2 = (self.read_noise_e.powi(2) - behind(self.gain_e_per_dn)).max(0.0);
        Self {
            iso,
            gain_e_per_dn,
            read_noise_e: (before2 + behind(gain_e_per_dn)).sqrt(),
            ..self.clone()
        }
    }

    /// Dark current at the sensor's temperature over that at `rated_at_c`.
    pub fn warmth(&self) -> f64 {
        libm::exp2((self.temperature_c - self.rated_at_c) / self.dark_doubling_k)
    }

    /// Extra dark current of the amplifier's glow at a pixel, e⁻/s.
    pub fn amp_glow_at(&self, x: usize, y: usize, width: usize, height: usize) -> f64 {
        let reach = AMP_GLOW_REACH * width as f64;
        let (dx, dy) = ((width - 1 - x) as f64, (height - 1 - y) as f64);
        self.amp_glow_e_per_s * libm::exp(-dx.hypot(dy) / reach)
    }

    /// Value at which a pixel is saturated, DN: a full well, or the converter's last number.
    pub fn white_level_dn(&self) -> u16 {
        let full_well_dn = f64::from(self.black_level_dn) + self.full_well_e / self.gain_e_per_dn;
        full_well_dn.floor().min(f64::from(self.last_dn())) as u16
    }

    fn last_dn(&self) -> u16 {
        ((1u32 << self.bits) - 1) as u16
    }

    /// What is fixed in a sensor of this kind with `width` by `height` pixels.
    pub fn maps(&self, seed: u64, width: usize, height: usize) -> SensorMaps {
        let normal_map = |purpose, mean: f64, sigma: f64| {
            let mut map = Array2::<f32>::zeros((height, width));
            rows_of(&mut map).for_each(|(row, values)| {
                let mut rng = stream(seed, purpose, 0, row);
                for value in values {
                    let normal: f64 = StandardNormal.sample(&mut rng);
                    *value = (mean + sigma * normal) as f32;
                }
            });
            map
        };
        let mut offset_e = normal_map(Purpose::DarkSignal, 0.0, self.dsnu_e);
        let mut rng = stream(seed, Purpose::ColumnSignal, 0, 0);
        for mut column in offset_e.columns_mut() {
            let shared = self.column_noise_e * normal(&mut rng);
            column.map_inplace(|value| *value += shared as f32);
        }
        SensorMaps {
            response: normal_map(Purpose::PixelResponse, 1.0, self.prnu),
            offset_e,
            hot_pixels: self.hot_pixels(seed, width, height),
        }
    }

    /// The hot pixels, row by row; each at most once.
    fn hot_pixels(&self, seed: u64, width: usize, height: usize) -> Vec<HotPixel> {
        let n = (self.hot_fraction * (width * height) as f64).round() as usize;
        let mut rng = stream(seed, Purpose::HotPixels, 0, 0);
        let mut pixels = std::collections::BTreeMap::new();
        for _ in 0..n {
            let site = (rng.random_range(0..height), rng.random_range(0..width));
            let exponential: f64 = Exp1.sample(&mut rng);
            pixels.insert(site, self.hot_mean_e_per_s * self.warmth() * exponential);
        }
        pixels
            .into_iter()
            .map(|((y, x), rate_e_per_s)| HotPixel { x, y, rate_e_per_s })
            .collect()
    }

    /// One exposure.
    ///
    /// - `light_e`: expected electrons of light in R, G and B at every pixel; `None` is darkness.
    /// - `shot`: number of the exposure; each has noise of its own.
    ///
    /// # Panics
    ///
    /// When the planes of `light_e` and `maps` differ in shape.
    pub fn expose(
        &self,
        maps: &SensorMaps,
        light_e: Option<&[Array2<f32>; 3]>,
        exposure_s: f64,
        seed: u64,
        shot: usize,
    ) -> Mosaic {
        let shape = maps.response.dim();
        for plane in light_e.into_iter().flatten() {
            assert_eq!(plane.dim(), shape, "light and sensor differ in shape");
        }
        let mut data = Array2::<u16>::zeros(shape);
        let exposure = self.exposure(maps, exposure_s, seed, shot);
        rows_of(&mut data).for_each_init(Vec::new, |expected_e, (row, out)| {
            let light = light_e.map(|planes| {
                let rows = planes.each_ref().map(|plane| plane.row(row));
                rows.map(|row| row.to_slice().expect("the last axis is unbroken"))
            });
            exposure.read_row(row, light, expected_e, out);
        });
        self.mosaic(data)
    }

    /// What the rows of one exposure share.
    pub(crate) fn exposure<'a>(
        &'a self,
        maps: &'a SensorMaps,
        exposure_s: f64,
        seed: u64,
        shot: usize,
    ) -> Exposure<'a> {
        Exposure {
            sensor: self,
            maps,
            exposure_s,
            seed,
            shot,
        }
    }

    /// Recorded numbers with what is known of them.
    pub(crate) fn mosaic(&self, data: Array2<u16>) -> Mosaic {
        let (height, width) = data.dim();
        Mosaic {
            data,
            cfa: self.cfa.clone(),
            black_level_dn: SitePattern::uniform(f32::from(self.black_level_dn)),
            white_level_dn: SitePattern::uniform(f32::from(self.white_level_dn())),
            active_area: Rect::of_size(width, height),
        }
    }

    /// The converter: rounds, and cuts to what it can say.
    fn convert(&self, electrons: f64) -> u16 {
        let dn = f64::from(self.black_level_dn) + electrons / self.gain_e_per_dn;
        // A cast cuts off the fraction, and stops at 0 and at the largest number.
        ((dn + 0.5) as u16).min(self.last_dn())
    }
}

impl Exposure<'_> {
    /// Reads a row: `light_e` is its light in R, G and B, `expected_e` room for as many
    /// values as `out` has.
    pub(crate) fn read_row(
        &self,
        row: usize,
        light_e: Option<[&[f32]; 3]>,
        expected_e: &mut Vec<f32>,
        out: &mut [u16],
    ) {
        let (sensor, maps) = (self.sensor, self.maps);
        let (height, width) = maps.response.dim();
        let dark_e = sensor.dark_current_e_per_s * sensor.warmth() * self.exposure_s;
        expected_e.clear();
        expected_e.resize(width, dark_e as f32);
        if let Some(planes) = light_e {
            self.gather(planes, row, expected_e);
        }
        if sensor.amp_glow_e_per_s > 0.0 {
            for (col, value) in expected_e.iter_mut().enumerate() {
                let glow_e_per_s = sensor.amp_glow_at(col, row, width, height);
                *value += (glow_e_per_s * self.exposure_s) as f32;
            }
        }
        for hot in maps.hot_in_row(row) {
            expected_e[hot.x] += (hot.rate_e_per_s * self.exposure_s) as f32;
        }
        let mut rng = stream(self.seed, Purpose::Exposure, self.shot, row);
        let row_e = sensor.row_noise_e * normal(&mut rng);
        let offsets = maps.offset_e.row(row);
        let pixels = out.iter_mut().zip(expected_e.iter()).zip(offsets);
        for ((value, &expected), &offset_e) in pixels {
            let well_e = poisson(f64::from(expected), &mut rng).min(sensor.full_well_e);
            let read_e = sensor.read_noise_e * normal(&mut rng);
            *value = sensor.convert(well_e + read_e + row_e + f64::from(offset_e));
        }
    }

    /// Adds the light of a row as the filters and the pixels' response let it through.
    fn gather(&self, planes: [&[f32]; 3], row: usize, expected_e: &mut [f32]) {
        let cfa = &self.sensor.cfa;
        let response = self.maps.response.row(row);
        for phase in 0..cfa.width() {
            let plane = planes[channel_index(cfa.at(row, phase))];
            let sites = expected_e.iter_mut().zip(plane).zip(response);
            for ((value, &light), &response) in sites.skip(phase).step_by(cfa.width()) {
                *value += light * response;
            }
        }
    }
}

impl SensorMaps {
    /// The hot pixels of one row.
    fn hot_in_row(&self, row: usize) -> &[HotPixel] {
        let start = self.hot_pixels.partition_point(|pixel| pixel.y < row);
        let end = self.hot_pixels.partition_point(|pixel| pixel.y <= row);
        &self.hot_pixels[start..end]
    }
}

/// Index of a channel's plane among R, G and B; a sensor without filters sees the green one.
pub(crate) fn channel_index(channel: Channel) -> usize {
    match channel {
        Channel::R => 0,
        Channel::G | Channel::Mono => 1,
        Channel::B => 2,
    }
}

/// The rows of a picture, in parallel.
pub(crate) fn rows_of<T: Send>(
    picture: &mut Array2<T>,
) -> impl IndexedParallelIterator<Item = (usize, &mut [T])> {
    let width = picture.ncols().max(1);
    let values = picture
        .as_slice_mut()
        .expect("made here, in standard layout");
    values.par_chunks_mut(width).enumerate()
}

fn normal(rng: &mut impl Rng) -> f64 {
    StandardNormal.sample(rng)
}
