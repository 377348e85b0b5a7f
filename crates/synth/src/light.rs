//! The light on the sensor in one exposure: stars, glow, ground, what crosses the picture.

use crate::crossing::{add_flash, add_line};
use crate::ground_view::GroundView;
use crate::lattice::Lattice;
use crate::lens::{Blur, FWHM_PER_SIGMA, Projection};
use crate::path::Turn;
use crate::rotation;
use crate::sensor::Exposure;
use crate::star_image::{
    FAINT_SEGMENT_SIGMAS, Node, REACH_SIGMAS, Scratch, Strip, add_star, is_faint,
};
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
    /// Fewer moments, as many as a faint star needs.
    faint_turns: Vec<Turn>,
    /// The middle of the exposure.
    middle: Turn,
    /// The longest way of a star, px.
    longest_px: f64,
    /// Thickness of the cloud.
    cloud: Option<Lattice<1>>,
    /// Expected electrons of glow and band without vignetting.
    sky: Lattice<3>,
    ground: Option<Cow<'a, GroundView>>,
    /// The stars whose light reaches the picture.
    images: Vec<StarImage>,
    /// Numbers of those whose light reaches each strip.
    strips: Vec<Vec<usize>>,
}

/// A star's way through one light.
struct StarImage {
    /// Where it is at the moments at which nothing hides it, px, and their share of the exposure.
    path: Vec<(f64, f64, f64)>,
    blur: Blur,
    /// Its light in R, G and B, e⁻.
    electrons: [f64; 3],
    /// First and last strip that it reaches.
    strips: (usize, usize),
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
            turns: simulator.sky_turns(index, 1.0),
            faint_turns: simulator.sky_turns(index, FAINT_SEGMENT_SIGMAS),
            middle: simulator.turn(index, 0.0),
            longest_px: simulator.sky_path_px(index),
            sky: simulator.sky_light(index, cloud.as_ref()),
            cloud,
            ground: simulator.ground_view(index),
            images: Vec::new(),
            strips: vec![Vec::new(); height.div_ceil(STRIP_ROWS)],
        };
        view.assign_stars();
        view
    }

    /// Expected electrons in R, G and B at every pixel.
    pub(crate) fn planes(&self) -> [Array2<f32>; 3] {
        self.planes_of(|number, planes, scratch| self.draw(number, planes, scratch))
    }

    /// The same of what crosses the picture alone.
    pub(crate) fn crossing_planes(&self) -> [Array2<f32>; 3] {
        self.planes_of(|number, planes, scratch| {
            self.add_crossings(&mut self.strip(number, planes), scratch);
        })
    }

    /// Planes whose strips, by number, are drawn by `draw`.
    fn planes_of(
        &self,
        draw: impl Fn(usize, [&mut [f32]; 3], &mut Scratch) + Sync,
    ) -> [Array2<f32>; 3] {
        let (width, height) = (self.simulator.scene().width, self.simulator.scene().height);
        let mut planes = [0, 1, 2].map(|_| Array2::<f32>::zeros((height, width)));
        let [red, green, blue] = planes.each_mut().map(|plane| {
            let values = plane.as_slice_mut().expect("made here, in standard layout");
            values.par_chunks_mut(STRIP_ROWS * width)
        });
        let strips = red.zip(green).zip(blue).enumerate();
        strips.for_each_init(
            Scratch::default,
            |scratch, (number, ((red, green), blue))| draw(number, [red, green, blue], scratch),
        );
        planes
    }

    /// The light as a sensor records it. No plane of light is ever held whole.
    pub(crate) fn exposed(&self, exposure: &Exposure<'_>) -> Array2<u16> {
        let (width, height) = (self.simulator.scene().width, self.simulator.scene().height);
        let mut data = Array2::<u16>::zeros((height, width));
        let values = data.as_slice_mut().expect("made here, in standard layout");
        let strips = values.par_chunks_mut(STRIP_ROWS * width).enumerate();
        let room = || {
            let planes = [0, 1, 2].map(|_| vec![0.0f32; STRIP_ROWS * width]);
            (planes, Scratch::default(), Vec::new())
        };
        strips.for_each_init(room, |(planes, scratch, expected_e), (number, out)| {
            let drawn = planes.each_mut().map(|plane| &mut plane[..out.len()]);
            self.draw(number, drawn, scratch);
            for (i, out) in out.chunks_exact_mut(width).enumerate() {
                let row = i * width..(i + 1) * width;
                let light_e = planes.each_ref().map(|plane| &plane[row.clone()]);
                exposure.read_row(number * STRIP_ROWS + i, Some(light_e), expected_e, out);
            }
        });
        data
    }

    /// Draws a strip over whatever its planes hold.
    fn draw(&self, number: usize, planes: [&mut [f32]; 3], scratch: &mut Scratch) {
        let mut strip = self.strip(number, planes);
        self.add_surfaces(&mut strip);
        self.add_stars(&mut strip, number, scratch);
        self.add_crossings(&mut strip, scratch);
    }

    fn strip<'s>(&self, number: usize, planes: [&'s mut [f32]; 3]) -> Strip<'s> {
        Strip {
            first_row: number * STRIP_ROWS,
            width: self.simulator.scene().width,
            planes,
        }
    }

    /// Finds the stars' ways and notes which strips their light reaches.
    fn assign_stars(&mut self) {
        let n = self.simulator.stars().len();
        let images = (0..n).into_par_iter().filter_map(|star| self.image(star));
        self.images = images.collect();
        for (number, image) in self.images.iter().enumerate() {
            for strip in &mut self.strips[image.strips.0..=image.strips.1] {
                strip.push(number);
            }
        }
    }

    /// The way of a star; `None` when none of its light reaches the picture.
    fn image(&self, star: usize) -> Option<StarImage> {
        let scene = self.simulator.scene();
        let seen = self.simulator.seen_direction(&self.middle, star);
        let (x, y) = self.projection.project(seen)?;
        let blur = self.blur((x, y));
        let reach = 1.0 + blur.reach_px(REACH_SIGMAS) + self.color_shift_px();
        // No star goes farther from its middle than the longest path.
        let far = reach + self.longest_px;
        if x < -far || y < -far || x > scene.width as f64 + far || y > scene.height as f64 + far {
            return None;
        }
        let electrons = self.electrons(star, seen, (x, y));
        let turns = if is_faint(electrons, blur.sigma_px) {
            &self.faint_turns
        } else {
            &self.turns
        };
        let mut path = Vec::with_capacity(turns.len());
        let (mut top, mut bottom) = (f64::INFINITY, f64::NEG_INFINITY);
        for turn in turns {
            let seen = self.simulator.seen_direction(turn, star);
            if let Some((x, y)) = self.projection.project(seen)
                && !self.simulator.is_hidden(turn, seen)
            {
                path.push((x, y, turn.weight));
                (top, bottom) = (top.min(y), bottom.max(y));
            }
        }
        let strip = |y: f64| (y / STRIP_ROWS as f64).floor();
        let first = strip(top - reach).max(0.0);
        let last = strip(bottom + reach).min(self.strips.len() as f64 - 1.0);
        (first <= last).then_some(StarImage {
            path,
            blur,
            electrons,
            strips: (first as usize, last as usize),
        })
    }

    /// Electrons in R, G and B of a star that is seen in a direction, at a pixel.
    fn electrons(&self, star: usize, seen: [f64; 3], (x, y): (f64, f64)) -> [f64; 3] {
        let scene = self.simulator.scene();
        let light = scene.exposure_of(self.index)
            * scene.lens.throughput(&self.projection, x, y)
            * self.transparency_at(x, y)
            * scene.transmission(self.index);
        let air = scene.sky.air.map_or([1.0; 3], |air| {
            air.transmission(self.middle.altitude_azimuth_deg(seen).0)
        });
        let rates = self.simulator.rates(star);
        [0, 1, 2].map(|channel| rates[channel] * light * air[channel])
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

    /// Sky and ground, over whatever stood there.
    fn add_surfaces(&self, strip: &mut Strip<'_>) {
        let dew = self.simulator.scene().transmission(self.index) as f32;
        let ground_e = self.simulator.ground_electrons(self.index);
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
                for channel in 0..3 {
                    strip.planes[channel][start + col] =
                        light * ((1.0 - cover) * sky[channel] + own * ground_e[channel]);
                }
            });
        }
    }

    fn add_stars(&self, strip: &mut Strip<'_>, number: usize, scratch: &mut Scratch) {
        let lens = &self.simulator.scene().lens;
        let [cx, cy] = self.projection.principal_point_px;
        let mut nodes: Vec<Node> = Vec::new();
        for &image in &self.strips[number] {
            let image = &self.images[image];
            let mut draw =
                |scale: f64, channels: &[usize]| {
                    nodes.clear();
                    // The ground hides the star itself, not the blur of one that is in sight.
                    for &(x, y, weight) in &image.path {
                        let (x, y) = (cx + scale * (x - cx), cy + scale * (y - cy));
                        nodes.extend(image.blur.parts().map(|([dx, dy], sigma, share)| {
                            (x + dx, y + dy, sigma, weight * share)
                        }));
                    }
                    add_star(strip, &nodes, channels, image.electrons, scratch);
                };
            if lens.lateral_color == [0.0; 2] {
                draw(1.0, &[0, 1, 2]);
                continue;
            }
            for (channel, scale) in lens.magnification().into_iter().enumerate() {
                draw(scale, &[channel]);
            }
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

    /// Whether the ground hides a direction at a moment; under air without ground, whether
    /// it is below the horizon.
    fn is_hidden(&self, turn: &Turn, seen: [f64; 3]) -> bool {
        let Some(panorama) = self.panorama() else {
            return self.scene().sky.air.is_some() && turn.sin_altitude(seen) < 0.0;
        };
        if turn.sin_altitude(seen) > panorama.top_sine() {
            return false;
        }
        let (altitude_deg, azimuth_deg) = turn.altitude_azimuth_deg(seen);
        panorama.hides(altitude_deg, azimuth_deg)
    }
}
