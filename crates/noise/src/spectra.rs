//! What a track makes of a pattern that is white on the sensor: its spectrum in every sum
//! of lights, and its covariance between two contrasts.
//!
//! Of such a pattern, the contrasts `sum c_i x_i` and `sum d_j x_j` of different lights
//! have the covariance at lag l
//!
//! ```text
//! a * v * T(l),   T = inverse Fourier of  S(w) conj(F(w)) G(w) / (M(w) + a R(w))
//! F = sum c_i L_i,  G = sum d_j L_j,  L_i(w) = sum over m of h(t_i - m) exp(i w m)
//! ```
//!
//! with v and S the variance and the spectrum (of unit variance) that single lights show,
//! h the interpolation kernel, M the mean of `|L_i|^2` and R what light minus rest shows of
//! the pattern. Demosaicing treats pattern and noise alike, so it is in S and needs no
//! model. `a` is the pattern's variance over the noise's in one light, the same at every
//! scale.

use std::f64::consts::TAU;

use stack::HalfSplit;

use crate::covariance::half_plane;
use crate::layers::{LAGS, REACH_PX, SIDE, TileLayers};
use crate::pattern::PatternModel;
use crate::track::{CellTrack, SensorTrack};

/// Frequencies along an axis; displacements beyond half as many pixels would fold back.
pub(crate) const GRID: usize = 64;
/// Largest extent of a track that the grid holds with the kernel's and the noise's reach.
const LARGEST_TRACK_PX: f64 = 40.0;
/// Spectra below this share of their mean are not divided by.
const LEAST_POWER: f64 = 1e-3;

type Complex = (f64, f64);

/// What a cell's track makes of patterns, before spectra.
struct CellSpectrum {
    /// `conj(F) G`, row by row.
    product: Vec<Complex>,
}

/// The track's spectra; one for all channels.
pub(crate) struct TrackSpectra {
    cells: Vec<CellSpectrum>,
    /// Mean of `|L|^2` over lights and cells.
    power: Vec<f64>,
    /// Of a pattern in light minus rest, in the stack, and in halves in turn and in time.
    rest: Vec<f64>,
    stack: Vec<f64>,
    halves: [Vec<f64>; 2],
}

impl TrackSpectra {
    /// `None` for a track too long for the grid.
    pub(crate) fn of(track: &SensorTrack) -> Option<Self> {
        let long = |cell: &CellTrack| {
            let positions = &cell.positions_px;
            let far = |a: &Complex, b: &Complex| {
                (a.0 - b.0).abs() > LARGEST_TRACK_PX || (a.1 - b.1).abs() > LARGEST_TRACK_PX
            };
            let reaches = positions.iter().any(|at| far(at, &positions[0]));
            reaches && cell.contrast.iter().any(|&c| c != 0.0)
        };
        if track.cells().iter().any(long) {
            return None;
        }
        let mut spectra = Self {
            cells: Vec::with_capacity(track.cells().len()),
            power: vec![0.0; GRID * GRID],
            rest: vec![0.0; GRID * GRID],
            stack: vec![0.0; GRID * GRID],
            halves: [0, 1].map(|_| vec![0.0; GRID * GRID]),
        };
        for cell in track.cells() {
            spectra.add(track, cell);
        }
        Some(spectra)
    }

    fn add(&mut self, track: &SensorTrack, cell: &CellTrack) {
        let share = 1.0 / track.cells().len() as f64;
        let lights = track.lights();
        let n = lights as f64;
        let zero = || vec![(0.0, 0.0); GRID * GRID];
        let [mut even, mut odd, mut mean, mut in_turn, mut in_time] = [0; 5].map(|_| zero());
        let mut squares = vec![0.0; GRID * GRID];
        let scale = (lights.div_ceil(2) as f64 * (lights / 2) as f64).sqrt() / n;
        let signed = |split: HalfSplit, i: usize| match split.is_second(i, lights) {
            true => -scale / (lights / 2) as f64,
            false => scale / lights.div_ceil(2) as f64,
        };
        let origin = cell.positions_px[0];
        for (i, (at, c)) in cell.positions_px.iter().zip(&cell.contrast).enumerate() {
            // Whole pixels in common do not matter, but the phase does.
            let x = transfer(track, at.0 - origin.0.floor());
            let y = transfer(track, at.1 - origin.1.floor());
            let second = HalfSplit::OddEven.is_second(i, lights);
            let mut sums = [
                (*c, if second { &mut odd } else { &mut even }),
                (1.0 / n, &mut mean),
                (signed(HalfSplit::OddEven, i), &mut in_turn),
                (signed(HalfSplit::FirstLast, i), &mut in_time),
            ];
            for p in 0..GRID * GRID {
                let l = times(x[p % GRID], y[p / GRID]);
                for (factor, sum) in &mut sums {
                    sum[p] = (sum[p].0 + *factor * l.0, sum[p].1 + *factor * l.1);
                }
                squares[p] += power_of(l) / n;
            }
        }
        for p in 0..GRID * GRID {
            self.power[p] += share * squares[p];
            self.stack[p] += share * power_of(mean[p]);
            self.rest[p] += share * (squares[p] - power_of(mean[p])) * n / (n - 1.0);
            self.halves[0][p] += share * power_of(in_turn[p]);
            self.halves[1][p] += share * power_of(in_time[p]);
        }
        let pairs = even.iter().zip(&odd);
        self.cells.push(CellSpectrum {
            product: pairs.map(|(f, g)| times((f.0, -f.1), *g)).collect(),
        });
    }

    /// How a pattern shows at the scale of blocks, as shares of what it has in one light:
    /// each sum of lights by its own power, weighed by the source's spectrum and the
    /// block's window.
    pub(crate) fn model(&self, source: &[f64], window: &[f64]) -> PatternModel {
        let area = |power: &[f64]| -> f64 {
            let terms = power.iter().zip(source).zip(window);
            terms
                .map(|((power, source), window)| power * source * window)
                .sum()
        };
        let one = area(&self.power).max(f64::MIN_POSITIVE);
        PatternModel {
            stack: area(&self.stack) / one,
            odd_even: area(&self.halves[0]) / one,
            first_last: area(&self.halves[1]) / one,
            single: area(&self.rest) / one,
        }
    }

    fn least(&self) -> f64 {
        LEAST_POWER * self.power.iter().sum::<f64>() / self.power.len() as f64
    }

    pub(crate) fn source(&self, noise: &NoiseSpectrum, ratio: f64) -> Vec<f64> {
        let least = self.least();
        (0..GRID * GRID)
            .map(|p| noise.plane[p] / (self.power[p] + ratio * self.rest[p]).max(least))
            .collect()
    }

    pub(crate) fn axis(&self, line: &[f64], step: usize) -> Vec<f64> {
        let least = self.least();
        (0..GRID)
            .map(|k| line[k] / self.power[k * step].max(least))
            .collect()
    }

    /// Templates by term and cell for the noise of one channel.
    pub(crate) fn templates(&self, noise: &NoiseSpectrum, ratio: f64) -> Vec<[Vec<f64>; 3]> {
        let source = self.source(noise, ratio);
        let along_x = self.axis(&noise.along_x, 1);
        let along_y = self.axis(&noise.along_y, GRID);
        self.cells
            .iter()
            .map(|cell| cell.templates(&source, &along_x, &along_y))
            .collect()
    }
}

impl CellSpectrum {
    fn templates(&self, source: &[f64], along_x: &[f64], along_y: &[f64]) -> [Vec<f64>; 3] {
        let lags = || (0..SIDE).map(|k| k as f64 - REACH_PX as f64);
        let phase = |k: usize, lag: f64| turn(k as f64 * lag);
        let n = GRID as f64;
        // Over columns first, then over rows.
        let mut white = vec![0.0; LAGS];
        for (x, lag_x) in lags().enumerate() {
            let rows: Vec<Complex> = (0..GRID)
                .map(|row| {
                    (0..GRID).fold((0.0, 0.0), |sum, k| {
                        let p = row * GRID + k;
                        let term = times(self.product[p], phase(k, lag_x));
                        (sum.0 + source[p] * term.0, sum.1 + source[p] * term.1)
                    })
                })
                .collect();
            for (y, lag_y) in lags().enumerate() {
                let sum: f64 = (0..GRID)
                    .map(|row| times(rows[row], phase(row, lag_y)).0)
                    .sum();
                white[y * SIDE + x] = sum / (n * n);
            }
        }
        let line = |spectrum: &[f64], step: usize, lag: f64| -> f64 {
            let terms =
                (0..GRID).map(|k| spectrum[k] * times(self.product[k * step], phase(k, lag)).0);
            terms.sum::<f64>() / n
        };
        let across: Vec<f64> = lags().map(|lag| line(along_x, 1, lag)).collect();
        let down: Vec<f64> = lags().map(|lag| line(along_y, GRID, lag)).collect();
        [
            white,
            (0..LAGS).map(|l| across[l % SIDE]).collect(),
            (0..LAGS).map(|l| down[l / SIDE]).collect(),
        ]
    }
}

fn power_of(a: Complex) -> f64 {
    a.0 * a.0 + a.1 * a.1
}

fn times(a: Complex, b: Complex) -> Complex {
    (a.0 * b.0 - a.1 * b.1, a.0 * b.1 + a.1 * b.0)
}

/// `exp(2 pi i k / GRID)`.
fn turn(k: f64) -> Complex {
    let (sin, cos) = (TAU * k / GRID as f64).sin_cos();
    (cos, sin)
}

/// Taps of a kernel on either side, px; as many as the widest one has.
const TAPS: isize = 3;

/// `L(w) = sum over m of h(t - m) exp(i w m)` on the grid, h of unit sum.
fn transfer(track: &SensorTrack, t: f64) -> Vec<Complex> {
    let first = t.floor() as isize - TAPS + 1;
    let taps: Vec<(f64, f64)> = (first..first + 2 * TAPS)
        .map(|m| (m as f64, track.kernel().weight(t - m as f64)))
        .collect();
    let total: f64 = taps.iter().map(|(_, h)| h).sum();
    (0..GRID)
        .map(|k| {
            taps.iter().fold((0.0, 0.0), |sum, &(m, h)| {
                let (cos, sin) = turn(k as f64 * m);
                (sum.0 + h / total * cos, sum.1 + h / total * sin)
            })
        })
        .collect()
}

/// Spectrum of single lights' noise, of unit variance.
pub(crate) struct NoiseSpectrum {
    pub plane: Vec<f64>,
    pub along_x: Vec<f64>,
    pub along_y: Vec<f64>,
}

impl NoiseSpectrum {
    pub(crate) fn of(tiles: &[&TileLayers]) -> Option<Self> {
        let lags = tiles.first()?.noise.len();
        let mut sum = vec![0.0; lags];
        for tile in tiles {
            for (sum, value) in sum.iter_mut().zip(&tile.noise) {
                *sum += tile.pairs * value;
            }
        }
        let variance = sum[0];
        if variance.is_nan() || variance <= 0.0 {
            return None;
        }
        // 2 reach^2 - 2 reach + 1 lags in a half plane.
        let reach = (1..).find(|r| 2 * r * r - 2 * r + 1 >= lags)?;
        let table: Vec<(isize, usize, f64)> = half_plane(reach)
            .zip(&sum)
            .map(|((x, y), value)| (x, y, value / variance))
            .collect();
        let along = |line: Vec<(f64, f64)>| -> Vec<f64> {
            (0..GRID)
                .map(|k| {
                    let terms = line.iter().map(|&(lag, value)| {
                        let copies = if lag == 0.0 { 1.0 } else { 2.0 };
                        copies * value * turn(k as f64 * lag).0
                    });
                    terms.sum::<f64>().max(0.0)
                })
                .collect()
        };
        let cosines: Vec<f64> = (0..GRID).map(|k| turn(k as f64).0).collect();
        let plane = (0..GRID * GRID)
            .map(|p| {
                let (k_x, k_y) = ((p % GRID) as isize, (p / GRID) as isize);
                let terms = table.iter().map(|&(x, y, value)| {
                    let copies = if (x, y) == (0, 0) { 1.0 } else { 2.0 };
                    let turns = (k_x * x + k_y * y as isize).rem_euclid(GRID as isize);
                    copies * value * cosines[turns as usize]
                });
                terms.sum::<f64>().max(0.0)
            })
            .collect();
        // Only one half of the plane is in the table.
        let in_row = table.iter().filter(|entry| entry.1 == 0);
        let in_column = table.iter().filter(|entry| entry.0 == 0);
        Some(Self {
            plane,
            along_x: along(in_row.map(|&(x, _, value)| (x as f64, value)).collect()),
            along_y: along(in_column.map(|&(_, y, value)| (y as f64, value)).collect()),
        })
    }
}

/// Spectrum of a block's triangular window along one axis.
pub(crate) fn window(block_px: usize) -> Vec<f64> {
    let lags = || (1..block_px).map(|lag| (lag as f64, 1.0 - lag as f64 / block_px as f64));
    (0..GRID)
        .map(|k| {
            1.0 + lags()
                .map(|(lag, w)| 2.0 * w * turn(k as f64 * lag).0)
                .sum::<f64>()
        })
        .collect()
}

/// A line of frequencies, the others being 0.
pub(crate) fn on_axis(line: &[f64], step: usize) -> Vec<f64> {
    let mut plane = vec![0.0; GRID * GRID];
    for (k, value) in line.iter().enumerate() {
        plane[k * step] = *value;
    }
    plane
}

/// Area over pixel variance of a line, relative to that of the noise whose spectrum along
/// the line is given: a block averages the noise along it, but not the line.
pub(crate) fn line_factor(along: &[f64], window: &[f64]) -> f64 {
    let noise: f64 = along.iter().zip(window).map(|(s, w)| s * w).sum::<f64>() / GRID as f64;
    window[0] / noise.max(f64::MIN_POSITIVE)
}
#[cfg(test)]
mod tests {
    use super::*;
    use stack::Kernel;

    fn track(positions: &[(f64, f64)], kernel: Kernel) -> SensorTrack {
        let positions: Vec<_> = positions.iter().map(|&at| vec![at]).collect();
        SensorTrack::new((640, 480), (1, 1), &positions, kernel).expect("it moves")
    }

    fn white_noise() -> NoiseSpectrum {
        let mut noise = vec![0.0; 113];
        noise[0] = 4.0;
        let tile = TileLayers {
            cell: 0,
            pairs: 100.0,
            cross: vec![0.0; LAGS],
            noise,
        };
        NoiseSpectrum::of(&[&tile]).expect("noise")
    }

    #[test]
    fn whole_pixels_move_a_pattern_as_it_is() {
        let track = track(
            &[(0.0, 0.0), (1.0, 0.0), (2.0, 0.0), (3.0, 0.0)],
            Kernel::Cubic,
        );
        for (k, value) in transfer(&track, 2.0).iter().enumerate() {
            let want = turn(2.0 * k as f64);
            assert!((value.0 - want.0).abs() < 1e-12 && (value.1 - want.1).abs() < 1e-12);
        }
        // Two even lights against two odd ones, (x_2 - x_0) with (x_3 - x_1): +2 at a step
        // of one, -1 each at a step of -1 and 3.
        let spectra = TrackSpectra::of(&track).expect("short");
        let template = &spectra.templates(&white_noise(), 0.0)[0][0];
        for (lag, value) in template.iter().enumerate() {
            let (x, y) = (lag % SIDE, lag / SIDE);
            let want = match (x as isize - 3, y) {
                (-1, 3) => 2.0,
                (1 | -3, 3) => -1.0,
                _ => 0.0,
            };
            assert!((value - want).abs() < 1e-9, "lag {x} {y}: {value}");
        }
    }

    #[test]
    fn shares_of_blocks_are_those_of_overlaps() {
        let positions = [(0.0, 0.0), (2.0, 1.0), (4.0, 2.0), (6.0, 3.0)];
        let spectra = TrackSpectra::of(&track(&positions, Kernel::Cubic)).expect("short");
        let line = window(8);
        let plane: Vec<f64> = (0..GRID * GRID)
            .map(|p| line[p % GRID] * line[p / GRID])
            .collect();
        let found = spectra.model(&spectra.source(&white_noise(), 0.0), &plane);
        let places: Vec<_> = positions.iter().map(|&at| vec![at]).collect();
        let want = PatternModel::of_positions(&places, 8);
        for (found, want) in [
            (found.stack, want.stack),
            (found.odd_even, want.odd_even),
            (found.first_last, want.first_last),
            (found.single, want.single),
        ] {
            assert!((found - want).abs() < 1e-9, "{found} {want}");
        }
    }

    #[test]
    fn a_line_is_a_block_times_stronger_than_white_noise() {
        let factor = line_factor(&white_noise().along_y, &window(8));
        assert!((factor - 8.0).abs() < 1e-9);
    }

    #[test]
    fn tracks_beyond_the_grid_are_left_to_halves() {
        let positions = [(0.0, 0.0), (20.0, 0.0), (40.0, 0.0), (60.0, 0.0)];
        assert!(TrackSpectra::of(&track(&positions, Kernel::Cubic)).is_none());
    }
}
