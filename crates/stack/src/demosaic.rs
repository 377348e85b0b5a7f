//! From one color a site to every channel at every pixel.

mod taps;
mod white;

use crate::CalibratedWindow;
use crate::simd::with_widest_vectors;
use raw::{Cfa, Channel, Rect};
pub(crate) use taps::Tap;
use taps::{bilinear, gradient_corrected};
pub use white::RecordedWhite;

/// How the channels that a site did not record are made.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum DemosaicMethod {
    /// Means of the sites of that color in the surrounding 3 x 3, weighted by the tent
    /// 1 2 1 / 2 4 2 / 1 2 1: for a Bayer array bilinear interpolation exactly. Where the
    /// 3 x 3 holds no such site (6 x 6 arrays), the 5 x 5 tent. Least noise per pixel.
    #[default]
    Bilinear,
    /// Bilinear interpolation corrected by the curvature of the channel that the site did
    /// record, 5 x 5 (Malvar, He & Cutler 2004, ICASSP III-485, figure 2): sharper, with
    /// less false color, and noisier per pixel. Made for colors that are alike where things
    /// are white: see [`Demosaic::balanced`]. Bayer arrays; others are bilinear.
    GradientCorrected,
    /// A picture of half the size, whose pixels are cells of two by two photosites: red, blue,
    /// and the mean of both greens, each where its photosites are. No color is interpolated.
    /// Bayer arrays alone.
    Superpixel,
}

/// Linear demosaicing for any color filter array.
///
/// A site keeps what it recorded in its own channel; the others come by
/// [`DemosaicMethod`]. At the border of the frame, where a kernel is not whole, the sites
/// of the bilinear one that exist are averaged.
#[derive(Clone, Debug)]
pub struct Demosaic {
    cfa: Cfa,
    /// `taps[channel][phase row * width + phase column]`.
    taps: Vec<Vec<Vec<Tap>>>,
    /// The bilinear ones, for the border.
    border_taps: Vec<Vec<Vec<Tap>>>,
    white: RecordedWhite,
}

impl Demosaic {
    /// A demosaicer for a color filter array.
    pub fn new(cfa: &Cfa, method: DemosaicMethod) -> Self {
        let table = |kernel: fn(&Cfa, Channel, usize, usize) -> Vec<Tap>| -> Vec<Vec<Vec<Tap>>> {
            let phases = 0..cfa.values().len();
            let of = |channel| {
                let taps = |phase| kernel(cfa, channel, phase / cfa.width(), phase % cfa.width());
                phases.clone().map(taps).collect()
            };
            cfa.channels().iter().map(|&channel| of(channel)).collect()
        };
        let border_taps = table(bilinear);
        Self {
            cfa: cfa.clone(),
            taps: match method {
                DemosaicMethod::GradientCorrected if cfa.is_bayer() => table(gradient_corrected),
                _ => border_taps.clone(),
            },
            border_taps,
            white: RecordedWhite::default(),
        }
    }

    /// The same for values that are divided by what is recorded of white, and multiplied by
    /// it again when all colors are made; zero is black, and negative values stay so.
    ///
    /// Both are in the weights: what one color takes of another is in the ratio of what they
    /// record of white, and what it takes of itself is as before, bit for bit.
    pub fn balanced(mut self, white: RecordedWhite) -> Self {
        let cfa = &self.cfa;
        for (by_phase, &channel) in self.taps.iter_mut().zip(cfa.channels()) {
            for (phase, taps) in by_phase.iter_mut().enumerate() {
                for tap in taps {
                    let row = (phase / cfa.width() + 4 * cfa.height()).wrapping_add_signed(tap.dy);
                    let col = (phase % cfa.width() + 4 * cfa.width()).wrapping_add_signed(tap.dx);
                    tap.weight *= white.of(channel) / white.of(cfa.at(row, col));
                }
            }
        }
        self.white = white;
        self
    }

    /// What a photosite records of something white, over what those of a channel do.
    pub(crate) fn white_ratio(&self, row: usize, col: usize, channel: usize) -> f32 {
        self.white.of(self.cfa.at(row, col)) / self.white.of(self.cfa.channels()[channel])
    }

    /// Width and height of the pattern, px.
    pub(crate) fn period(&self) -> (usize, usize) {
        (self.cfa.width(), self.cfa.height())
    }

    /// Channels that are made.
    pub(crate) fn channels(&self) -> usize {
        self.taps.len()
    }

    /// The sites that make a channel at a site of a phase.
    pub(crate) fn taps(&self, channel: usize, phase_row: usize, phase_col: usize) -> &[Tap] {
        &self.taps[channel][phase_row * self.cfa.width() + phase_col]
    }

    /// How far around a pixel sites are used, px.
    pub fn halo_px(&self) -> usize {
        let reach = |tap: &Tap| tap.dy.unsigned_abs().max(tap.dx.unsigned_abs());
        self.taps
            .iter()
            .flatten()
            .flatten()
            .map(reach)
            .max()
            .unwrap_or(0)
    }

    /// Fills one plane per channel with the pixels of `area`, row by row.
    ///
    /// - `window`: covers `area` grown by [`Self::halo_px`], or up to the frame's border.
    ///
    /// # Panics
    ///
    /// When `area` is not inside the window.
    pub fn run(&self, window: &CalibratedWindow, area: &Rect, planes: &mut [Vec<f32>]) {
        assert_eq!(
            area.intersect(&window.area),
            *area,
            "the area is inside the window"
        );
        let halo = self.halo_px();
        let (ww, wx0, wy0) = (window.area.width(), window.area.x0, window.area.y0);
        let mut sums = Vec::new();
        for ((taps, border_taps), plane) in self.taps.iter().zip(&self.border_taps).zip(planes) {
            plane.clear();
            plane.resize(area.area(), 0.0);
            for (row, out) in (area.y0..area.y1).zip(plane.chunks_exact_mut(area.width())) {
                let inner_row = row >= wy0 + halo && row + halo < window.area.y1;
                let inner =
                    area.x0.max(wx0 + halo)..area.x1.min(window.area.x1.saturating_sub(halo));
                if !inner_row || inner.is_empty() {
                    for (col, out) in (area.x0..area.x1).zip(out) {
                        *out = self.at_border(border_taps, window, row, col);
                    }
                    continue;
                }
                for col in (area.x0..inner.start).chain(inner.end..area.x1) {
                    out[col - area.x0] = self.at_border(border_taps, window, row, col);
                }
                for phase in 0..self.cfa.width() {
                    let phase_row = (row % self.cfa.height()) * self.cfa.width();
                    let start = inner.start + phase;
                    let taps = &taps[phase_row + start % self.cfa.width()];
                    let center = (row - wy0) * ww + start - wx0;
                    let out = &mut out[start.min(inner.end) - area.x0..inner.end - area.x0];
                    sums.clear();
                    sums.resize(out.len(), 0.0);
                    accumulate(taps, &window.values, ww, center, &mut sums);
                    let step = self.cfa.width();
                    let sums = sums.iter().step_by(step);
                    out.iter_mut()
                        .step_by(step)
                        .zip(sums)
                        .for_each(|(out, &sum)| *out = sum);
                }
            }
        }
    }

    fn at_border(
        &self,
        taps: &[Vec<Tap>],
        window: &CalibratedWindow,
        row: usize,
        col: usize,
    ) -> f32 {
        let phase = (row % self.cfa.height()) * self.cfa.width() + col % self.cfa.width();
        let (mut sum, mut weights) = (0.0, 0.0);
        for tap in &taps[phase] {
            let site = (
                row.checked_add_signed(tap.dy),
                col.checked_add_signed(tap.dx),
            );
            if let (Some(r), Some(c)) = site
                && window.area.contains(c, r)
            {
                sum += tap.weight * window.at(r, c);
                weights += tap.weight;
            }
        }
        if weights > 0.0 {
            sum / weights
        } else {
            f32::NAN
        }
    }
}

/// The weighted sums of the taps around the pixels from `center` on, also around those of
/// another phase: what lies side by side is added side by side.
fn accumulate(taps: &[Tap], values: &[f32], width: usize, center: usize, sums: &mut [f32]) {
    if sums.is_empty() {
        return;
    }
    for tap in taps {
        let offset = tap.dy * width as isize + tap.dx;
        let source = center
            .checked_add_signed(offset)
            .expect("the halo is inside the window");
        let (source, weight) = (&values[source..source + sums.len()], tap.weight);
        with_widest_vectors(
            #[inline(always)]
            || {
                for (sum, &value) in sums.iter_mut().zip(source) {
                    *sum += weight * value;
                }
            },
        );
    }
}

#[cfg(test)]
mod tests;
