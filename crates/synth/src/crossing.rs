//! What crosses the picture in one light: satellites, aircraft, meteors.

use crate::star_image::{REACH_SIGMAS, Scratch, Strip, add_star};

/// A satellite: an even line in one light.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Satellite {
    /// The light, counted from 0.
    pub light: usize,
    /// Where it is when the shutter opens, fractions of width and height.
    pub start: [f64; 2],
    /// Where it is when the shutter closes.
    pub end: [f64; 2],
    /// Light per px of its path at unit efficiency, e⁻.
    pub electrons_per_px: f64,
}

/// A meteor: a line that brightens, flares and goes out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Meteor {
    /// The light, counted from 0.
    pub light: usize,
    /// Where it begins, fractions of width and height.
    pub start: [f64; 2],
    /// Where it ends.
    pub end: [f64; 2],
    /// Light per px of its path at its brightest, at unit efficiency, e⁻.
    pub electrons_per_px: f64,
}

/// An aircraft: a steady red and a steady green light side by side, and a white one that
/// flashes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Aircraft {
    /// The light, counted from 0.
    pub light: usize,
    /// Where it is when the shutter opens, fractions of width and height.
    pub start: [f64; 2],
    /// Where it is when the shutter closes.
    pub end: [f64; 2],
    /// Light of either steady lamp per px of its path at unit efficiency, e⁻.
    pub electrons_per_px: f64,
    /// Flashes while the shutter is open.
    pub flashes: usize,
    /// Light of one flash at unit efficiency, e⁻.
    pub flash_electrons: f64,
    /// Distance of the two lamps, px.
    pub span_px: f64,
}

/// A line of light: how bright it is at a share of its length.
pub(crate) struct Line {
    pub ends: [[f64; 2]; 2],
    /// Light per px at unit efficiency in R, G and B, e⁻.
    pub electrons: [f64; 3],
    pub profile: fn(f64) -> f64,
}

/// A point of light.
pub(crate) struct Flash {
    pub place: [f64; 2],
    pub electrons: f64,
}

impl Satellite {
    /// Its path in a picture of `width` by `height` pixels: start and end, px.
    pub fn ends_px(&self, width: usize, height: usize) -> [[f64; 2]; 2] {
        ends_px([self.start, self.end], width, height)
    }

    pub(crate) fn line(&self, width: usize, height: usize) -> Line {
        Line {
            ends: self.ends_px(width, height),
            electrons: [self.electrons_per_px; 3],
            profile: |_| 1.0,
        }
    }
}

impl Meteor {
    /// Its path in a picture of `width` by `height` pixels: start and end, px.
    pub fn ends_px(&self, width: usize, height: usize) -> [[f64; 2]; 2] {
        ends_px([self.start, self.end], width, height)
    }

    /// It rises to its full light at 0.7 of its path and is gone at the end; green, as the
    /// oxygen in its track glows (invented shape).
    pub(crate) fn line(&self, width: usize, height: usize) -> Line {
        Line {
            ends: self.ends_px(width, height),
            electrons: [0.8, 1.2, 0.9].map(|tint| tint * self.electrons_per_px),
            profile: |share| {
                let share = share.clamp(0.0, 1.0);
                if share < 0.7 {
                    (share / 0.7).powi(2)
                } else {
                    ((1.0 - share) / 0.3).sqrt()
                }
            },
        }
    }
}

impl Aircraft {
    /// The path of its middle in a picture of `width` by `height` pixels: start and end, px.
    pub fn ends_px(&self, width: usize, height: usize) -> [[f64; 2]; 2] {
        ends_px([self.start, self.end], width, height)
    }

    pub(crate) fn lines(&self, width: usize, height: usize) -> [Line; 2] {
        let [from, to] = self.ends_px(width, height);
        let length = (to[0] - from[0]).hypot(to[1] - from[1]).max(1.0);
        let side = [
            -(to[1] - from[1]) / length * self.span_px / 2.0,
            (to[0] - from[0]) / length * self.span_px / 2.0,
        ];
        let lamp = |sign: f64, tint: [f64; 3]| Line {
            ends: [from, to].map(|end| [0, 1].map(|i| end[i] + sign * side[i])),
            electrons: tint.map(|tint| tint * self.electrons_per_px),
            profile: |_| 1.0,
        };
        [lamp(-1.0, [1.0, 0.1, 0.05]), lamp(1.0, [0.05, 1.0, 0.5])]
    }

    pub(crate) fn flashes(&self, width: usize, height: usize) -> impl Iterator<Item = Flash> {
        let [from, to] = self.ends_px(width, height);
        let (n, electrons) = (self.flashes, self.flash_electrons);
        (0..n).map(move |number| {
            let share = (number as f64 + 0.5) / n as f64;
            Flash {
                place: [0, 1].map(|i| from[i] + share * (to[i] - from[i])),
                electrons,
            }
        })
    }
}

fn ends_px(ends: [[f64; 2]; 2], width: usize, height: usize) -> [[f64; 2]; 2] {
    let extent = [width as f64 - 1.0, height as f64 - 1.0];
    ends.map(|end| [end[0] * extent[0], end[1] * extent[1]])
}

/// Adds a line, as wide as a star.
///
/// The profile across is the Gaussian of a star with the pixel's 1/12 px² in its variance,
/// taken at the pixel's center; the ends are blurred likewise.
pub(crate) fn add_line(
    strip: &mut Strip<'_>,
    line: &Line,
    sigma_px: f64,
    efficiency: [f64; 3],
    seen: impl Fn(usize) -> f32,
) {
    let [[x0, y0], [x1, y1]] = line.ends;
    let length = (x1 - x0).hypot(y1 - y0);
    if length == 0.0 {
        return;
    }
    let (ux, uy) = ((x1 - x0) / length, (y1 - y0) / length);
    let sigma = (sigma_px * sigma_px + 1.0 / 12.0).sqrt();
    let scale = std::f64::consts::FRAC_1_SQRT_2 / sigma;
    let peak = 1.0 / (sigma * std::f64::consts::TAU.sqrt());
    let reach = REACH_SIGMAS * sigma;
    let width = strip.width;
    for i in 0..strip.planes[0].len() {
        let (x, y) = (
            (i % width) as f64 - x0,
            (strip.first_row + i / width) as f64 - y0,
        );
        let along = x * ux + y * uy;
        let across = y * ux - x * uy;
        if across.abs() > reach || along < -reach || along > length + reach {
            continue;
        }
        let ends = 0.5 * (libm::erf(along * scale) - libm::erf((along - length) * scale));
        let share = peak * libm::exp(-(across * scale).powi(2)) * ends;
        let light = share * (line.profile)(along / length) * f64::from(seen(i));
        let electrons = [0, 1, 2].map(|channel| line.electrons[channel] * efficiency[channel]);
        for (plane, electrons) in strip.planes.iter_mut().zip(electrons) {
            plane[i] += (electrons * light) as f32;
        }
    }
}

/// Adds a flash, as wide as a star.
pub(crate) fn add_flash(
    strip: &mut Strip<'_>,
    flash: &Flash,
    sigma_px: f64,
    efficiency: [f64; 3],
    scratch: &mut Scratch,
) {
    let [x, y] = flash.place;
    let electrons = efficiency.map(|efficiency| efficiency * flash.electrons);
    add_star(
        strip,
        &[(x, y, sigma_px, 1.0)],
        &[0, 1, 2],
        electrons,
        scratch,
    );
}
