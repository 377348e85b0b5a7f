//! The light on the sensor in one exposure: stars, glow, ground, what crosses the picture.

use crate::crossing::{add_flash, add_line};
use crate::ground_view::GroundView;
use crate::lattice::Lattice;
use crate::lens::{Blur, FWHM_PER_SIGMA, Projection};
use crate::path::Turn;
use crate::rotation;
use crate::star_image::{Node, REACH_SIGMAS, Scratch, Strip, add_star};
use crate::{Simulator, Weather};
use ndarray::Array2;
use rayon::prelude::*;
use std::borrow::Cow;

/// Rows that one task renders; fixed, so that sums do not depend on the threads.
pub(crate) const STRIP_ROWS: usize = 32;

/// One light as it is being rendered: what its strips share.
pub(crate) struct View<'a> {
    simulator: &'a Simulator,
    index: usize,
    weather: Weather,
    /// The lens over the sensor where it is in this light.
    projection: Projection,
    /// Where sky and ground are, and the share of the exposure each moment stands for.
    turns: Vec<Turn>,
    /// The middle of the exposure.
    middle: Turn,
    /// Thickness of the cloud.
    cloud: Option<Lattice<1>>,
    /// Expected electrons of glow and band without vignetting.
    sky: Lattice<3>,
    ground: Option<Cow<'a, GroundView>>,
    /// Stars that fall on each strip.
    strips: Vec<Vec<usize>>,
}

impl<'a> View<'a> {
    pub(crate) fn new(simulator: &'a Simulator, index: usize, weather: Weather) -> Self {
        let height = simulator.scene().height;
        let cloud = match weather {
            Weather::AsItIs => simulator.cloud_thickness(index),
            Weather::Clear => None,
        };
        let mut view = Self {
            simulator,
            index,
            weather,
            projection: simulator.projection_of(index),
            turns: simulator.sky_turns(index),
            middle: simulator.turn(index, 0.0),
            sky: simulator.sky_light(index, cloud.as_ref()),
            cloud,
            ground: simulator.ground_view(index),
            strips: vec![Vec::new(); height.div_ceil(STRIP_ROWS)],
        };
        view.assign_stars();
        view
    }

    /// Expected electrons in R, G and B at every pixel.
    pub(crate) fn planes(&self) -> [Array2<f32>; 3] {
        let (width, height) = (self.simulator.scene().width, self.simulator.scene().height);
        let mut planes = [0, 1, 2].map(|_| Array2::<f32>::zeros((height, width)));
        let [red, green, blue] = planes.each_mut().map(|plane| {
            let values = plane.as_slice_mut().expect("made here, in standard layout");
            values.par_chunks_mut(STRIP_ROWS * width)
        });
        let strips = red.zip(green).zip(blue).enumerate();
        strips.for_each_init(
            Scratch::default,
            |scratch, (number, ((red, green), blue))| {
                let mut strip = Strip {
                    first_row: number * STRIP_ROWS,
                    width,
                    planes: [red, green, blue],
                };
                self.add_surfaces(&mut strip);
                self.add_stars(&mut strip, number, scratch);
                self.add_crossings(&mut strip, scratch);
            },
        );
        planes
    }

    /// Notes which strips every star's light reaches.
    fn assign_stars(&mut self) {
        let width = self.simulator.scene().width as f64;
        let n = self.strips.len() as f64;
        let stars = self.simulator.stars();
        let reached: Vec<_> = (0..stars.len())
            .into_par_iter()
            .filter_map(|star| {
                let middle = self.simulator.place(&self.middle, &self.projection, star)?;
                let reach = 1.0 + self.blur(middle).reach_px(REACH_SIGMAS) + self.color_shift_px();
                let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
                for turn in &self.turns {
                    let place = self.simulator.place(turn, &self.projection, star);
                    let (x, y) = place.unwrap_or(middle);
                    low = [low[0].min(x - reach), low[1].min(y - reach)];
                    high = [high[0].max(x + reach), high[1].max(y + reach)];
                }
                let strip = |y: f64| (y / STRIP_ROWS as f64).floor();
                let (first, last) = (strip(low[1]).max(0.0), strip(high[1]).min(n - 1.0));
                let outside = high[0] < 0.0 || low[0] > width || first > last;
                (!outside).then_some((star, first as usize, last as usize))
            })
            .collect();
        for (star, first, last) in reached {
            for strip in &mut self.strips[first..=last] {
                strip.push(star);
            }
        }
    }

    /// The image of a star at a pixel, dew included.
    fn blur(&self, (x, y): (f64, f64)) -> Blur {
        let scene = self.simulator.scene();
        let mut blur = scene.lens.blur(&self.projection, x, y);
        blur.sigma_px *= scene.fwhm_factor(self.index);
        blur
    }

    /// How far lateral color shifts a star at most, px.
    fn color_shift_px(&self) -> f64 {
        let [cx, cy] = self.projection.principal_point_px;
        let [red, blue] = self.simulator.scene().lens.lateral_color;
        red.abs().max(blue.abs()) * cx.hypot(cy)
    }

    /// Share of the starlight that comes through the cloud.
    fn transparency_at(&self, x: f64, y: f64) -> f64 {
        let opacity = self
            .simulator
            .scene()
            .cloud
            .map_or(0.0, |cloud| cloud.opacity);
        let thickness = self
            .cloud
            .as_ref()
            .map_or(0.0, |cloud| f64::from(cloud.at(x, y)[0]));
        1.0 - opacity * thickness
    }

    /// Sky and ground.
    fn add_surfaces(&self, strip: &mut Strip<'_>) {
        let dew = self.simulator.scene().transmission(self.index) as f32;
        let width = strip.width;
        let illumination = self.simulator.illumination_rows(strip.first_row);
        for row in 0..strip.planes[0].len() / width {
            let ground = self
                .ground
                .as_ref()
                .and_then(|ground| ground.row(strip.first_row + row));
            let start = row * width;
            self.sky.row(strip.first_row + row, width, |col, sky| {
                let light = dew * illumination[start + col];
                let [cover, own] = ground.map_or([0.0; 2], |cells| cells[col]);
                let ground_e = self.simulator.ground_electrons(self.index);
                for channel in 0..3 {
                    strip.planes[channel][start + col] =
                        light * ((1.0 - cover) * sky[channel] + own * ground_e[channel]);
                }
            });
        }
    }

    fn add_stars(&self, strip: &mut Strip<'_>, number: usize, scratch: &mut Scratch) {
        let scene = self.simulator.scene();
        let (mut nodes, mut shifted) = (Vec::new(), Vec::new());
        for &star in &self.strips[number] {
            let Some((x, y)) = self.simulator.place(&self.middle, &self.projection, star) else {
                continue;
            };
            self.nodes(star, (x, y), &mut nodes);
            let light = scene.exposure_of(self.index)
                * scene.lens.throughput(&self.projection, x, y)
                * self.transparency_at(x, y)
                * scene.transmission(self.index);
            let air = self.simulator.air_transmission(&self.middle, star);
            let rates = self.simulator.stars()[star].electrons_per_s(&scene.lens, &scene.sensor);
            let electrons = [0, 1, 2].map(|channel| rates[channel] * light * air[channel]);
            if scene.lens.lateral_color == [0.0; 2] {
                add_star(strip, &nodes, &[0, 1, 2], electrons, scratch);
                continue;
            }
            let [cx, cy] = self.projection.principal_point_px;
            for (channel, scale) in scene.lens.magnification().into_iter().enumerate() {
                shifted.clear();
                shifted.extend(nodes.iter().map(|&(x, y, sigma, weight)| {
                    (cx + scale * (x - cx), cy + scale * (y - cy), sigma, weight)
                }));
                add_star(strip, &shifted, &[channel], electrons, scratch);
            }
        }
    }

    /// The Gaussians of a star's light: those of its blur, along its path. The ground hides
    /// the star itself, not the blur of one that is in sight.
    fn nodes(&self, star: usize, middle: (f64, f64), out: &mut Vec<Node>) {
        out.clear();
        let blur = self.blur(middle);
        for turn in &self.turns {
            let Some((x, y)) = self.simulator.place(turn, &self.projection, star) else {
                continue;
            };
            if self.simulator.is_hidden(turn, star) {
                continue;
            }
            out.extend(
                blur.parts()
                    .map(|([dx, dy], sigma, share)| (x + dx, y + dy, sigma, turn.weight * share)),
            );
        }
    }

    fn add_crossings(&self, strip: &mut Strip<'_>, scratch: &mut Scratch) {
        let scene = self.simulator.scene();
        if self.weather == Weather::Clear {
            return;
        }
        let (width, height) = (scene.width, scene.height);
        let sigma = scene.lens.fwhm_px / FWHM_PER_SIGMA * scene.fwhm_factor(self.index);
        let efficiency = scene.sensor.efficiency;
        let (first_row, row_width) = (strip.first_row, strip.width);
        let seen = |i: usize| {
            let row = self
                .ground
                .as_ref()
                .and_then(|ground| ground.row(first_row + i / row_width));
            row.map_or(1.0, |cells| 1.0 - cells[i % row_width][0])
        };
        let satellites = scene.satellites.iter().filter(|s| s.light == self.index);
        for satellite in satellites {
            add_line(
                strip,
                &satellite.line(width, height),
                sigma,
                efficiency,
                seen,
            );
        }
        for meteor in scene.meteors.iter().filter(|m| m.light == self.index) {
            add_line(strip, &meteor.line(width, height), sigma, efficiency, seen);
        }
        for aircraft in scene.aircraft.iter().filter(|a| a.light == self.index) {
            for line in aircraft.lines(width, height) {
                add_line(strip, &line, sigma, efficiency, seen);
            }
            for flash in aircraft.flashes(width, height) {
                add_flash(strip, &flash, sigma, efficiency, scratch);
            }
        }
    }
}

impl Simulator {
    /// Where a star of the list is at a moment, px; `None` where the lens does not see it.
    pub(crate) fn place(
        &self,
        turn: &Turn,
        projection: &Projection,
        star: usize,
    ) -> Option<(f64, f64)> {
        projection.project(self.seen_direction(turn, star))
    }

    /// The direction a star is seen in, in the camera's axes.
    fn seen_direction(&self, turn: &Turn, star: usize) -> [f64; 3] {
        let direction = rotation::apply(&turn.sky, self.stars()[star].direction);
        let refraction = self.scene().sky.air.and_then(|air| air.refraction);
        match refraction {
            Some(refraction) => refraction.apparent(direction, turn.zenith),
            None => direction,
        }
    }

    /// Share of a star's light that comes through the air, in R, G and B.
    fn air_transmission(&self, turn: &Turn, star: usize) -> [f64; 3] {
        let Some(air) = self.scene().sky.air else {
            return [1.0; 3];
        };
        let direction = self.seen_direction(turn, star);
        let sine = rotation::dot(direction, turn.zenith).clamp(-1.0, 1.0);
        air.transmission(libm::asin(sine).to_degrees())
    }

    /// Whether the ground hides a star at a moment; under air, whether it is below the horizon.
    fn is_hidden(&self, turn: &Turn, star: usize) -> bool {
        if self.panorama().is_none() && self.scene().sky.air.is_none() {
            return false;
        }
        let (altitude_deg, azimuth_deg) =
            turn.altitude_azimuth_deg(self.seen_direction(turn, star));
        match self.panorama() {
            Some(panorama) => panorama.hides(altitude_deg, azimuth_deg),
            None => altitude_deg < 0.0,
        }
    }
}
