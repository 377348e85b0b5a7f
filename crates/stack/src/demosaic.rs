//! From one color a site to every channel at every pixel.

use crate::CalibratedWindow;
use raw::{Cfa, Rect};

/// Bilinear demosaicing for any color filter array.
///
/// A site keeps what it recorded in its own channel. The other channels are the mean
/// of the sites of that color in the surrounding 3 x 3, weighted by the tent
/// 1 2 1 / 2 4 2 / 1 2 1; for a Bayer array that is bilinear interpolation exactly. Where
/// the 3 x 3 holds no such site (6 x 6 arrays), the 5 x 5 tent is used. At the border of
/// the frame the sites that exist are averaged.
#[derive(Clone, Debug)]
pub struct Demosaic {
    cfa: Cfa,
    /// `taps[channel][phase row * width + phase column]`.
    taps: Vec<Vec<Vec<Tap>>>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Tap {
    dy: isize,
    dx: isize,
    weight: f32,
}

impl Demosaic {
    /// A demosaicer for a color filter array.
    pub fn new(cfa: &Cfa) -> Self {
        let phases = |channel| {
            let of_phase = |phase| taps(cfa, channel, phase / cfa.width(), phase % cfa.width());
            (0..cfa.values().len()).map(of_phase).collect()
        };
        Self {
            cfa: cfa.clone(),
            taps: cfa.channels().iter().map(|&c| phases(c)).collect(),
        }
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
        for (taps, plane) in self.taps.iter().zip(planes) {
            plane.clear();
            plane.resize(area.area(), 0.0);
            for (row, out) in (area.y0..area.y1).zip(plane.chunks_exact_mut(area.width())) {
                let inner_row = row >= wy0 + halo && row + halo < window.area.y1;
                let inner =
                    area.x0.max(wx0 + halo)..area.x1.min(window.area.x1.saturating_sub(halo));
                if !inner_row || inner.is_empty() {
                    for (col, out) in (area.x0..area.x1).zip(out) {
                        *out = self.at_border(taps, window, row, col);
                    }
                    continue;
                }
                for col in (area.x0..inner.start).chain(inner.end..area.x1) {
                    out[col - area.x0] = self.at_border(taps, window, row, col);
                }
                for phase in 0..self.cfa.width() {
                    let phase_row = (row % self.cfa.height()) * self.cfa.width();
                    let start = inner.start + phase;
                    let taps = &taps[phase_row + start % self.cfa.width()];
                    let center = (row - wy0) * ww + start - wx0;
                    let columns = (start..inner.end).step_by(self.cfa.width());
                    accumulate(taps, &window.values, ww, center, columns, area.x0, out);
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

/// The weighted sum of the taps around every `columns`' pixel of one row.
#[inline]
fn accumulate(
    taps: &[Tap],
    values: &[f32],
    width: usize,
    center: usize,
    columns: std::iter::StepBy<std::ops::Range<usize>>,
    x0: usize,
    out: &mut [f32],
) {
    let Some(first) = columns.clone().next() else {
        return;
    };
    for tap in taps {
        let offset = tap.dy * width as isize + tap.dx;
        let source = center
            .checked_add_signed(offset)
            .expect("the halo is inside the window");
        for col in columns.clone() {
            out[col - x0] += tap.weight * values[source + col - first];
        }
    }
}

/// The taps that make `channel` at a site of the given phase; weights sum to 1.
fn taps(cfa: &Cfa, channel: raw::Channel, phase_row: usize, phase_col: usize) -> Vec<Tap> {
    if cfa.at(phase_row, phase_col) == channel {
        return vec![Tap {
            dy: 0,
            dx: 0,
            weight: 1.0,
        }];
    }
    for reach in 1..=2_isize {
        let steps = || (-reach..=reach).flat_map(|dy| (-reach..=reach).map(move |dx| (dy, dx)));
        let site = |dy: isize, dx: isize| {
            // Whole periods are added so that the phase stays positive.
            let row = (phase_row + 4 * cfa.height()).wrapping_add_signed(dy);
            let col = (phase_col + 4 * cfa.width()).wrapping_add_signed(dx);
            cfa.at(row, col)
        };
        let tent = |step: isize| (reach + 1 - step.abs()) as f32;
        let mut taps: Vec<Tap> = steps()
            .filter(|&(dy, dx)| site(dy, dx) == channel)
            .map(|(dy, dx)| Tap {
                dy,
                dx,
                weight: tent(dy) * tent(dx),
            })
            .collect();
        let total: f32 = taps.iter().map(|tap| tap.weight).sum();
        if total > 0.0 {
            taps.iter_mut().for_each(|tap| tap.weight /= total);
            return taps;
        }
    }
    Vec::new()
}

#[cfg(test)]
mod tests {
    use super::*;
    use raw::Channel;

    const SIDE: usize = 12;

    fn window(f: impl Fn(usize, usize) -> f32) -> CalibratedWindow {
        let area = Rect::of_size(SIDE, SIDE);
        CalibratedWindow {
            area,
            values: (0..SIDE * SIDE).map(|i| f(i / SIDE, i % SIDE)).collect(),
        }
    }

    fn demosaic(cfa: &Cfa, window: &CalibratedWindow, area: &Rect) -> Vec<Vec<f32>> {
        let mut planes = vec![Vec::new(); cfa.channels().len()];
        Demosaic::new(cfa).run(window, area, &mut planes);
        planes
    }

    #[test]
    fn a_colored_ramp_comes_back_inside_and_flat_color_everywhere() {
        for letters in ["RGGB", "GRBG", "GBRG", "BGGR"] {
            let cfa = Cfa::bayer(letters).expect("a Bayer array");
            let scale = |channel: Channel| match channel {
                Channel::R => 1.0,
                Channel::G => 10.0,
                _ => 100.0,
            };
            let ramp = |row: usize, col: usize| 5.0 + 0.5 * row as f32 + 0.25 * col as f32;
            let mosaic = window(|row, col| scale(cfa.at(row, col)) * ramp(row, col));
            let planes = demosaic(&cfa, &mosaic, &mosaic.area);
            for (plane, &channel) in planes.iter().zip(cfa.channels()) {
                for row in 1..SIDE - 1 {
                    for col in 1..SIDE - 1 {
                        let want = scale(channel) * ramp(row, col);
                        let found = plane[row * SIDE + col];
                        assert!(
                            (found - want).abs() < 1e-4 * want,
                            "{letters} {found} {want}"
                        );
                    }
                }
            }
            let flat = window(|row, col| scale(cfa.at(row, col)));
            for (plane, &channel) in demosaic(&cfa, &flat, &flat.area).iter().zip(cfa.channels()) {
                let want = scale(channel);
                assert!(
                    plane.iter().all(|v| (v - want).abs() < 1e-5 * want),
                    "{letters}"
                );
            }
        }
    }

    #[test]
    fn noise_drops_as_bilinear_interpolation_says() {
        // The sums of squared weights over the phases: mean variance of a pixel 9/16 in R and B, 5/8 in G.
        let cfa = Cfa::bayer("RGGB").expect("a Bayer array");
        for (channel, want) in [(0, 9.0 / 16.0), (1, 5.0 / 8.0), (2, 9.0 / 16.0)] {
            let sum_sq: f32 = Demosaic::new(&cfa).taps[channel]
                .iter()
                .map(|taps| taps.iter().map(|tap| tap.weight * tap.weight).sum::<f32>())
                .sum();
            assert!(
                (sum_sq / 4.0 - want).abs() < 1e-6,
                "channel {channel}: {}",
                sum_sq / 4.0
            );
        }
    }

    #[test]
    fn tiles_join_without_a_seam() {
        let cfa = Cfa::bayer("GBRG").expect("a Bayer array");
        let mosaic = window(|row, col| ((row * 31 + col * 17) % 23) as f32);
        let whole = demosaic(&cfa, &mosaic, &mosaic.area);
        for tile in mosaic.area.tiles(5) {
            let part = mosaic.cropped(&tile.grown(1, &mosaic.area));
            let planes = demosaic(&cfa, &part, &tile);
            for (plane, whole) in planes.iter().zip(&whole) {
                for row in tile.y0..tile.y1 {
                    for col in tile.x0..tile.x1 {
                        let found = plane[(row - tile.y0) * tile.width() + col - tile.x0];
                        assert_eq!(found.to_bits(), whole[row * SIDE + col].to_bits());
                    }
                }
            }
        }
    }

    #[test]
    fn a_monochrome_mosaic_passes_through() {
        let mosaic = window(|row, col| (row * SIDE + col) as f32);
        assert_eq!(
            demosaic(&Cfa::mono(), &mosaic, &mosaic.area),
            std::slice::from_ref(&mosaic.values)
        );
    }

    #[test]
    fn a_six_by_six_array_gives_flat_color_everywhere() {
        let letters = "GBGGRGRGRBGBGBGGRGGRGGBGBGBRGRGRGGBG";
        let channel = |letter| match letter {
            'R' => Channel::R,
            'G' => Channel::G,
            _ => Channel::B,
        };
        let cfa = Cfa::new(6, letters.chars().map(channel).collect()).expect("6 x 6");
        let flat = window(|row, col| {
            if cfa.at(row, col) == Channel::R {
                3.0
            } else {
                8.0
            }
        });
        let planes = demosaic(&cfa, &flat, &flat.area);
        assert!(planes[0].iter().all(|v| (v - 3.0).abs() < 1e-5));
        assert!(planes[1].iter().all(|v| (v - 8.0).abs() < 1e-5));
    }
}
