//! The light between the stars, smooth enough for a lattice: glow, cloud, the band.

use crate::Simulator;
use crate::lattice::Lattice;
use crate::noise_field::NoiseField;
use crate::random::{Purpose, salt};
use crate::rotation;
use crate::sky::surface_electrons_per_s;

impl Simulator {
    /// Thickness of the cloud over light `index`; `None` where there is none.
    pub(crate) fn cloud_thickness(&self, index: usize) -> Option<Lattice<1>> {
        let scene = self.scene();
        let cloud = scene.cloud.filter(|cloud| cloud.covers(index))?;
        let field = NoiseField::new(salt(scene.seed, Purpose::CloudNoise));
        let elapsed_s = scene.elapsed_s(index, 0.0);
        Some(Lattice::new(scene.width, scene.height, |x, y| {
            [cloud.thickness(&field, index, elapsed_s, x, y)]
        }))
    }

    /// Expected electrons of glow and band in light `index`, in R, G and B, without
    /// vignetting.
    pub(crate) fn sky_light(&self, index: usize, cloud: Option<&Lattice<1>>) -> Lattice<3> {
        let scene = self.scene();
        let projection = self.projection_of(index);
        let turn = self.turn(index, 0.0);
        let elapsed_s = scene.elapsed_s(index, 0.0);
        let surface_e = |mag: f64| {
            let per_s = surface_electrons_per_s(mag, &scene.lens, &scene.sensor);
            let efficiency = scene.sensor.efficiency;
            efficiency.map(|efficiency| per_s * efficiency * scene.exposure_of(index))
        };
        let glow_e = scene.sky.glow.mag_arcsec2.map_or([0.0; 3], surface_e);
        let band_e = scene
            .sky
            .band
            .map_or([0.0; 3], |band| surface_e(band.mag_arcsec2));
        let field = self.band_field();
        let to_sky = rotation::multiply(&self.sky_axes(), &rotation::transpose(&turn.sky));
        let (added, opacity) = scene
            .cloud
            .map_or((0.0, 0.0), |cloud| (cloud.added_glow, cloud.opacity));
        Lattice::new(scene.width, scene.height, |x, y| {
            let direction = projection.direction(x, y);
            let (altitude_deg, from_pointing_deg) = turn.altitude_azimuth_deg(direction);
            let azimuth_deg = from_pointing_deg + scene.pointing.azimuth_deg;
            let (air, through_air) = scene.sky.air.map_or(([1.0; 3], [1.0; 3]), |air| {
                (air.glow(altitude_deg), air.transmission(altitude_deg))
            });
            let place = (
                (2.0 * x + 1.0) / scene.width as f64 - 1.0,
                (2.0 * y + 1.0) / scene.height as f64 - 1.0,
            );
            let glow = scene
                .sky
                .glow
                .relative(place, (altitude_deg, azimuth_deg), air, elapsed_s);
            let thickness = cloud.map_or(0.0, |cloud| f64::from(cloud.at(x, y)[0]));
            let band = scene.sky.band.map_or([0.0; 3], |band| {
                band.relative(&field, rotation::apply(&to_sky, direction))
            });
            [0, 1, 2].map(|channel| {
                let stars = band_e[channel] * band[channel] * through_air[channel];
                let glow = glow_e[channel] * glow[channel] * (1.0 + added * thickness);
                glow + stars * (1.0 - opacity * thickness)
            })
        })
    }

    /// The texture of the band; that of the real sky is the same in every scene.
    pub(crate) fn band_field(&self) -> NoiseField {
        let seed = match self.scene().sky.stars {
            crate::Stars::Catalog(_) => crate::sky::REAL_SKY_SEED,
            _ => self.scene().seed,
        };
        NoiseField::new(salt(seed, Purpose::BandNoise))
    }
}
