//! A frame's pixels asked for between its pixel centers.

use crate::simd::with_widest_vectors;
use align::PixelMap;
use ndarray::{Array2, ArrayView2};
use raw::Rect;

/// Interpolation kernel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kernel {
    /// Linear between the four nearest pixels.
    Bilinear,
    /// Cubic convolution with a = −0.5 (Keys 1981).
    Cubic,
    /// Windowed sinc over six pixels, normalized to unit sum at every phase.
    Lanczos3,
}

/// Pixels to the left of (and above) the one at or before a position that a kernel uses.
pub(crate) const REACH_BEFORE_PX: usize = 2;
/// Pixels to the right of (and below) it; two more are read with weight zero, so that
/// eight lanes are filled.
pub(crate) const REACH_AFTER_PX: usize = 5;

const TAPS: usize = 6;
const LANES: usize = 8;

/// Phases between two pixels; positions are rounded to 1/1024 px, at most 0.0005 px off.
pub(crate) const PHASES: usize = 1024;

/// A kernel's weights at every phase.
#[derive(Clone, Debug)]
pub struct Resampler {
    weights: Vec<[f32; LANES]>,
}

impl Kernel {
    /// The kernel's value so far from its center, px; not normalized over the pixels.
    pub fn weight(self, distance_px: f64) -> f64 {
        let x = distance_px.abs();
        let sinc = |x: f64| {
            let angle = std::f64::consts::PI * x;
            if angle < 1e-9 {
                1.0
            } else {
                angle.sin() / angle
            }
        };
        match self {
            Self::Bilinear => (1.0 - x).max(0.0),
            Self::Cubic if x <= 1.0 => (1.5 * x - 2.5) * x * x + 1.0,
            Self::Cubic if x < 2.0 => ((-0.5 * x + 2.5) * x - 4.0) * x + 2.0,
            Self::Lanczos3 if x < 3.0 => sinc(x) * sinc(x / 3.0),
            Self::Cubic | Self::Lanczos3 => 0.0,
        }
    }
}

impl Resampler {
    /// The tables of a kernel.
    pub fn new(kernel: Kernel) -> Self {
        let at_phase = |phase: usize| {
            let offset = phase as f64 / PHASES as f64;
            let raw: [f64; TAPS] = std::array::from_fn(|tap| {
                kernel.weight(tap as f64 - REACH_BEFORE_PX as f64 - offset)
            });
            let total: f64 = raw.iter().sum();
            std::array::from_fn(|lane| raw.get(lane).map_or(0.0, |w| (w / total) as f32))
        };
        Self {
            weights: (0..=PHASES).map(at_phase).collect(),
        }
    }

    /// The weights at a phase of [`PHASES`], the first of the pixel two before.
    pub(crate) fn weights(&self, phase: usize) -> &[f32] {
        &self.weights[phase]
    }

    /// The window of the frame that the positions that are `reached` need, before it is cut to
    /// the frame; `None` without a finite one.
    pub(crate) fn needed(points: &[(f64, f64)], reached: &[bool]) -> Option<SignedRect> {
        // Lane by lane, so that one comparison need not wait for another.
        const LANES: usize = 4;
        let (mut least, mut most) = ([[f64::INFINITY; 2]; LANES], [[f64::NEG_INFINITY; 2]; LANES]);
        for (points, reached) in points.chunks(LANES).zip(reached.chunks(LANES)) {
            let own = least.iter_mut().zip(&mut most);
            for ((&(x, y), &reached), (least, most)) in points.iter().zip(reached).zip(own) {
                for (axis, at) in [x, y].into_iter().enumerate() {
                    // Compared by hand: the library's least and greatest look after NaN.
                    least[axis] = if reached & (at < least[axis]) {
                        at
                    } else {
                        least[axis]
                    };
                    most[axis] = if reached & (at > most[axis]) {
                        at
                    } else {
                        most[axis]
                    };
                }
            }
        }
        let [x0, y0] = [0, 1].map(|axis| {
            least
                .iter()
                .map(|at| at[axis])
                .fold(f64::INFINITY, f64::min)
        });
        let [x1, y1] = [0, 1].map(|axis| {
            most.iter()
                .map(|at| at[axis])
                .fold(f64::NEG_INFINITY, f64::max)
        });
        (x0 <= x1 && y0 <= y1).then(|| SignedRect {
            x0: x0.floor() as isize - REACH_BEFORE_PX as isize,
            y0: y0.floor() as isize - REACH_BEFORE_PX as isize,
            x1: x1.floor() as isize + REACH_AFTER_PX as isize + 2,
            y1: y1.floor() as isize + REACH_AFTER_PX as isize + 2,
        })
    }

    /// The values at a row of places; NaN where one is not `reached`.
    ///
    /// - `places`: on this plane's window; any for those not reached.
    /// - `bright_dn`: where given, stars so bright keep the kernel from drawing rings, see
    ///   [`beside_bright`](PaddedPlane::beside_bright).
    pub(crate) fn sample_row(
        &self,
        plane: &PaddedPlane,
        places: &[Place],
        reached: &[bool],
        bright_dn: Option<f32>,
        out: &mut [f32],
    ) {
        with_widest_vectors(
            #[inline(always)]
            || self.sample_all(plane, places, out),
        );
        for ((out, &at), &reached) in out.iter_mut().zip(places).zip(reached) {
            *out = match (reached, bright_dn) {
                (false, _) => f32::NAN,
                (true, None) => *out,
                (true, Some(bright_dn)) => plane.beside_bright(at, *out, bright_dn),
            };
        }
    }

    /// The value between the pixels of a padded plane.
    ///
    /// The plane's window must hold the position's [`needed`](Self::needed) pixels.
    #[cfg(test)]
    fn sample(&self, plane: &PaddedPlane, at: Place) -> f32 {
        let mut value = [0.0];
        self.sample_all(plane, &[at], &mut value);
        value[0]
    }

    #[inline(always)]
    fn sample_all(&self, plane: &PaddedPlane, places: &[Place], out: &mut [f32]) {
        // Products are laid down before they are added: all eight lanes being asked for, a
        // vector holds them.
        const AT_ONCE: usize = 16;
        let mut products = [[0.0_f32; LANES]; AT_ONCE];
        for (places, out) in places.chunks(AT_ONCE).zip(out.chunks_mut(AT_ONCE)) {
            for (products, &at) in products.iter_mut().zip(places) {
                *products = self.products(plane, at);
            }
            // A fixed order of addition, the same on every machine.
            for (out, [a, b, c, d, e, f, ..]) in out.iter_mut().zip(&products) {
                *out = ((a + b) + (c + d)) + (e + f);
            }
        }
    }

    /// What the columns under the kernel add to a value, the last two being none of it.
    #[inline(always)]
    fn products(&self, plane: &PaddedPlane, at: Place) -> [f32; LANES] {
        let (wx, wy) = (
            &self.weights[at.x_phase as usize],
            &self.weights[at.y_phase as usize],
        );
        let (start, width) = (at.start as usize, plane.window.width());
        let row = |tap: usize| -> &[f32; LANES] {
            let row = &plane.values[start + tap * width..][..LANES];
            row.try_into().expect("eight lanes")
        };
        let rows: [&[f32; LANES]; TAPS] = [row(0), row(1), row(2), row(3), row(4), row(5)];
        std::array::from_fn(|lane| {
            let upper = (wy[0] * rows[0][lane] + wy[1] * rows[1][lane]) + wy[2] * rows[2][lane];
            let lower = (wy[3] * rows[3][lane] + wy[4] * rows[4][lane]) + wy[5] * rows[5][lane];
            (upper + lower) * wx[lane]
        })
    }
}

/// Where a position lies on a window: the first pixel under a kernel, and the phases.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Place {
    start: u32,
    x_phase: u16,
    y_phase: u16,
}

/// The pixel at or before a position, and the phase after it. Positions lie at
/// most [`BEFORE_FRAME_PX`] to the left of the frame.
#[inline(always)]
fn split(position: f64) -> (i32, u16) {
    // Truncation is one instruction where rounding down is a call.
    let from_left = position + f64::from(BEFORE_FRAME_PX);
    let pixel = from_left as i32;
    let phase = ((from_left - f64::from(pixel)) * PHASES as f64 + 0.5) as i32;
    (pixel.wrapping_sub(BEFORE_FRAME_PX), phase as u16)
}

/// How far to the left of the frame positions may lie, px; half a pixel is needed.
const BEFORE_FRAME_PX: i32 = 8;

/// A rectangle that may reach beyond the frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct SignedRect {
    pub x0: isize,
    pub y0: isize,
    pub x1: isize,
    pub y1: isize,
}

impl SignedRect {
    pub fn width(&self) -> usize {
        (self.x1 - self.x0).max(0) as usize
    }

    pub fn height(&self) -> usize {
        (self.y1 - self.y0).max(0) as usize
    }

    /// A position on this window, which must hold its [`needed`](Resampler::needed) pixels.
    #[inline(always)]
    pub fn place(&self, (x, y): (f64, f64)) -> Place {
        let ((column, x_phase), (row, y_phase)) = (split(x), split(y));
        let (x0, y0) = (self.x0 as i32, self.y0 as i32);
        let left = column.wrapping_sub(REACH_BEFORE_PX as i32 + x0);
        let top = row.wrapping_sub(REACH_BEFORE_PX as i32 + y0);
        let start = top.wrapping_mul(self.width() as i32).wrapping_add(left);
        Place {
            start: start as u32,
            x_phase,
            y_phase,
        }
    }

    /// The places of positions on this window; any for those not `reached`.
    pub fn places(&self, points: &[(f64, f64)], reached: &[bool], out: &mut Vec<Place>) {
        out.clear();
        out.resize(points.len(), Place::default());
        with_widest_vectors(
            #[inline(always)]
            || {
                for ((&at, &reached), out) in points.iter().zip(reached).zip(out.iter_mut()) {
                    // Selected afterwards, so that the loop has no branch.
                    let place = self.place(at);
                    *out = if reached { place } else { Place::default() };
                }
            },
        );
    }

    /// The same where it lies inside a frame of the given bounds.
    pub fn inside(&self, bounds: &Rect) -> Option<Rect> {
        let cut = self.cut_to(bounds);
        let whole = (cut.width(), cut.height()) == (self.width(), self.height());
        (whole && !cut.is_empty()).then_some(cut)
    }

    /// The part inside a frame of the given bounds.
    pub fn cut_to(&self, bounds: &Rect) -> Rect {
        let clamp =
            |v: isize, low: usize, high: usize| v.clamp(low as isize, high as isize) as usize;
        Rect {
            x0: clamp(self.x0, bounds.x0, bounds.x1),
            y0: clamp(self.y0, bounds.y0, bounds.y1),
            x1: clamp(self.x1, bounds.x0, bounds.x1),
            y1: clamp(self.y1, bounds.y0, bounds.y1),
        }
    }
}

/// A plane over a window that may reach beyond the frame, where the border pixels are
/// repeated.
#[derive(Clone, Debug)]
pub(crate) struct PaddedPlane {
    window: SignedRect,
    values: Vec<f32>,
}

impl PaddedPlane {
    pub fn new() -> Self {
        Self {
            window: SignedRect {
                x0: 0,
                y0: 0,
                x1: 0,
                y1: 0,
            },
            values: Vec::new(),
        }
    }

    /// Takes the plane of `area`, a part of the frame, and repeats its border out to
    /// `window`.
    pub fn fill(&mut self, window: SignedRect, area: &Rect, plane: &[f32]) {
        self.window = window;
        self.values.clear();
        let (x0, x1) = (area.x0 as isize, area.x1 as isize);
        let before = (x0 - window.x0).max(0) as usize;
        let after = (window.x1 - x1).max(0) as usize;
        for y in window.y0..window.y1 {
            let row = y.clamp(area.y0 as isize, area.y1 as isize - 1) as usize - area.y0;
            let row = &plane[row * area.width()..(row + 1) * area.width()];
            self.values.extend(std::iter::repeat_n(row[0], before));
            self.values.extend_from_slice(row);
            self.values
                .extend(std::iter::repeat_n(row[row.len() - 1], after));
        }
        debug_assert_eq!(self.values.len(), window.width() * window.height());
    }

    /// Whether any pixel reaches a value.
    pub fn reaches(&self, value: f32) -> bool {
        // Without leaving early, so that the loop vectorizes.
        self.values.iter().fold(false, |any, &v| any | (v >= value))
    }

    /// A kernel's value where stars are so bright that one with negative weights would draw
    /// rings around them.
    ///
    /// Where one of the 36 pixels under the kernel reaches `bright_dn`, the value stays
    /// between the least and the greatest of the four pixels around the position: no darker
    /// than the sky beside a saturated star, no brighter than its flat top. Elsewhere, and
    /// so wherever noise is measured, nothing is clamped.
    #[inline]
    pub(crate) fn beside_bright(&self, at: Place, value: f32, bright_dn: f32) -> f32 {
        let (start, width) = (at.start as usize, self.window.width());
        let row_of = |tap: usize| &self.values[start + tap * width..][..TAPS];
        let bright = (0..TAPS).any(|tap| row_of(tap).iter().any(|&value| value >= bright_dn));
        if !bright || value.is_nan() {
            return value;
        }
        let near = REACH_BEFORE_PX..REACH_BEFORE_PX + 2;
        let (mut least, mut most) = (f32::INFINITY, f32::NEG_INFINITY);
        for tap in near.clone() {
            for &neighbor in &row_of(tap)[near.clone()] {
                (least, most) = (least.min(neighbor), most.max(neighbor));
            }
        }
        value.max(least).min(most)
    }
}

/// So many times the usual level, a pixel makes a kernel's ring, a tenth of a step, as deep
/// as that level.
const BRIGHT_LEVELS: f32 = 10.0;

/// Values from which a plane rings below zero beside them: by the median of its sizes, which
/// is of the level where there is light and of the noise where there is none.
fn rings_from(plane: ArrayView2<f32>) -> f32 {
    let finite = plane.iter().filter(|value| value.is_finite());
    let mut sizes: Vec<f32> = finite.map(|value| value.abs()).collect();
    if sizes.is_empty() {
        return f32::INFINITY;
    }
    let middle = sizes.len() / 2;
    let (_, level, _) = sizes.select_nth_unstable_by(middle, f32::total_cmp);
    BRIGHT_LEVELS * *level
}

/// A whole plane on other pixels; NaN where it has none, and beside its own NaN as far as the
/// kernel reaches. Places in the outer half of a border pixel are taken to its center. Beside lamps and stars ten times the plane's usual level, values stay
/// between those of the four pixels around, so that no ring is drawn.
///
/// - `map`: pixel of the result to pixel of the plane.
/// - `size`: width and height of the result, px.
pub fn resample_plane(
    plane: ArrayView2<f32>,
    map: &PixelMap,
    kernel: Kernel,
    (width, height): (usize, usize),
) -> Array2<f32> {
    let (rows, columns) = plane.dim();
    let mut result = Array2::from_elem((height, width), f32::NAN);
    if rows == 0 || columns == 0 {
        return result;
    }
    let area = Rect::of_size(columns, rows);
    let corners = [(0.0, 0.0), ((columns - 1) as f64, (rows - 1) as f64)];
    let window = Resampler::needed(&corners, &[true; 2]).expect("corners are finite");
    let mut padded = PaddedPlane::new();
    padded.fill(window, &area, &plane.iter().copied().collect::<Vec<_>>());
    let resampler = Resampler::new(kernel);
    let bright = Some(rings_from(plane)).filter(|&bright| padded.reaches(bright));
    let mut points = vec![(0.0, 0.0); width];
    let (mut reached, mut places) = (Vec::new(), Vec::new());
    let inside = |at: f64, n: usize| at >= -0.5 && at <= n as f64 - 0.5;
    let within = |at: f64, n: usize| at.clamp(0.0, (n - 1) as f64);
    for (y, mut out) in result.rows_mut().into_iter().enumerate() {
        map.map_row(0, y, &mut points);
        reached.clear();
        reached.extend(
            points
                .iter()
                .map(|&(x, y)| inside(x, columns) && inside(y, rows)),
        );
        for (x, y) in &mut points {
            (*x, *y) = (within(*x, columns), within(*y, rows));
        }
        padded.window.places(&points, &reached, &mut places);
        let out = out.as_slice_mut().expect("rows of an owned array");
        resampler.sample_row(&padded, &places, &reached, bright, out);
    }
    result
}

#[cfg(test)]
mod tests {
    use super::*;

    const KERNELS: [Kernel; 3] = [Kernel::Bilinear, Kernel::Cubic, Kernel::Lanczos3];

    fn plane(side: usize, f: impl Fn(isize, isize) -> f32) -> PaddedPlane {
        let area = Rect::of_size(side, side);
        let values: Vec<f32> = (0..side * side)
            .map(|i| f((i / side) as isize, (i % side) as isize))
            .collect();
        let window = Resampler::needed(&[(0.0, 0.0), (side as f64, side as f64)], &[true; 2]);
        let mut padded = PaddedPlane::new();
        padded.fill(window.expect("positions"), &area, &values);
        padded
    }

    fn at(resampler: &Resampler, plane: &PaddedPlane, point: (f64, f64)) -> f32 {
        resampler.sample(plane, plane.window.place(point))
    }

    fn clamped_at(
        resampler: &Resampler,
        plane: &PaddedPlane,
        point: (f64, f64),
        bright_dn: f32,
    ) -> f32 {
        let place = plane.window.place(point);
        plane.beside_bright(place, resampler.sample(plane, place), bright_dn)
    }

    #[test]
    fn a_plane_does_not_ring_beside_a_lamp() {
        // A lamp of 3 x 3 pixels, 160 times the level of the ground.
        let lamp = |x: usize, y: usize| x.abs_diff(20) < 2 && y.abs_diff(15) < 2;
        let plane = Array2::from_shape_fn((32, 40), |(y, x)| match lamp(x, y) {
            true => 16_000.0,
            false => 100.0 + ((3 * x + 5 * y) % 7) as f32,
        });
        let shift = [[1.0, 0.0, 3.37], [0.0, 1.0, 2.41], [0.0, 0.0, 1.0]];
        let map = PixelMap::from_homography(align::Homography(shift));
        for kernel in KERNELS {
            let moved = resample_plane(plane.view(), &map, kernel, (30, 24));
            let least = moved.iter().copied().fold(f32::INFINITY, f32::min);
            let most = moved.iter().copied().fold(0.0, f32::max);
            assert!(
                least >= 95.0 && most <= 16_000.0,
                "{kernel:?}: {least} {most}"
            );
            assert!(most > 15_000.0);
        }
    }

    #[test]
    fn pixel_centers_come_back_exactly() {
        let plane = plane(9, |row, col| (row * 13 + col * 7) as f32);
        for kernel in KERNELS {
            let resampler = Resampler::new(kernel);
            for (x, y) in [(0.0, 0.0), (4.0, 5.0), (8.0, 8.0)] {
                let want = (y * 13.0 + x * 7.0) as f32;
                assert_eq!(at(&resampler, &plane, (x, y)), want, "{kernel:?}");
            }
        }
    }

    #[test]
    fn a_flat_plane_stays_flat_at_every_phase() {
        let plane = plane(9, |_, _| 1000.0);
        for kernel in KERNELS {
            let resampler = Resampler::new(kernel);
            for i in 0..100 {
                let value = at(
                    &resampler,
                    &plane,
                    (4.0 + 0.01 * i as f64, 3.0 + 0.0077 * i as f64),
                );
                assert!((value - 1000.0).abs() < 1e-3, "{kernel:?} {value}");
            }
        }
    }

    #[test]
    fn a_ramp_asked_at_three_tenths_gives_what_each_kernel_must() {
        // Each kernel by its formula: bilinear .3000, cubic a = -0.5 .3000, normalized Lanczos-3 .2818.
        let plane = plane(12, |_, col| col as f32);
        let wants = [
            (Kernel::Bilinear, 0.3),
            (Kernel::Cubic, 0.3),
            (Kernel::Lanczos3, 0.2818),
        ];
        for (kernel, want) in wants {
            let found = at(&Resampler::new(kernel), &plane, (5.3, 5.0)) - 5.0;
            // Positions are rounded to 1/1024 px.
            assert!((f64::from(found) - want).abs() < 6e-4, "{kernel:?} {found}");
        }
    }

    #[test]
    fn noise_drops_by_the_sum_of_squared_weights() {
        // Sums of squared weights by formula: 1-D variance factors at shifts 0.1, 0.25, 0.5.
        let wants = [
            (Kernel::Bilinear, [0.82, 0.625, 0.5]),
            (Kernel::Cubic, [0.95991, 0.80884, 0.64062]),
            (Kernel::Lanczos3, [0.97994, 0.89383, 0.78577]),
        ];
        for (kernel, wants) in wants {
            let resampler = Resampler::new(kernel);
            for (shift, want) in [0.1, 0.25, 0.5].into_iter().zip(wants) {
                let weights = &resampler.weights[split(shift).1 as usize];
                let found: f32 = weights.iter().map(|w| w * w).sum();
                // The nearest phase to 0.1 px is 0.0996 px.
                assert!(
                    (f64::from(found) - want).abs() < 8e-4,
                    "{kernel:?} {shift} {found}"
                );
            }
        }
    }

    /// A star of 20 times full scale, cut off there, on a sky of 100 DN with noise below and
    /// above zero far from it.
    fn saturated_star(col: isize, row: isize) -> f32 {
        const WHITE_DN: f32 = 15_000.0;
        let (dx, dy) = (col as f32 - 20.3, row as f32 - 19.6);
        (100.0 + 20.0 * WHITE_DN * (-0.5 * (dx * dx + dy * dy) / 0.8).exp()).min(WHITE_DN)
    }

    #[test]
    fn no_ring_is_darker_than_the_sky_around_a_saturated_star() {
        const BRIGHT_DN: f32 = 7_500.0;
        let star = plane(40, |row, col| saturated_star(col, row));
        let (mut darkest_plain, mut darkest, mut brightest) = (f32::MAX, f32::MAX, f32::MIN);
        let resampler = Resampler::new(Kernel::Lanczos3);
        for i in 0..30 * 30 * 4 {
            let x = 5.0 + (i % 60) as f64 * 0.5 + 0.13;
            let y = 5.0 + (i / 60) as f64 * 0.5 + 0.31;
            darkest_plain = darkest_plain.min(at(&resampler, &star, (x, y)));
            let value = clamped_at(&resampler, &star, (x, y), BRIGHT_DN);
            (darkest, brightest) = (darkest.min(value), brightest.max(value));
        }
        // f32 rounding of a sum of 36 products of 1e4.
        const ROUNDING_DN: f32 = 0.01;
        // What flanks that stay below the limit still do: a fraction of the sky's noise.
        const FLANK_DN: f32 = 1.0;
        assert!(
            darkest_plain < -300.0,
            "the plain kernel rings: {darkest_plain}"
        );
        assert!(darkest >= 100.0 - FLANK_DN, "{darkest}");
        assert!(brightest <= 15_000.0 + ROUNDING_DN, "{brightest}");
    }

    #[test]
    fn away_from_bright_stars_nothing_is_clamped() {
        let noise = plane(30, |row, col| {
            ((row * 7919 + col * 104_729) % 41 - 20) as f32
        });
        assert!(!noise.reaches(7_500.0));
        for kernel in KERNELS {
            let resampler = Resampler::new(kernel);
            for i in 0..400 {
                let (x, y) = (5.0 + 0.043 * i as f64, 4.0 + 0.05 * i as f64);
                let plain = at(&resampler, &noise, (x, y));
                let clamped = clamped_at(&resampler, &noise, (x, y), 7_500.0);
                assert_eq!(plain, clamped, "{kernel:?}");
            }
        }
    }

    #[test]
    fn beyond_the_border_the_border_is_repeated() {
        let plane = plane(5, |row, col| (row * 5 + col) as f32);
        let resampler = Resampler::new(Kernel::Bilinear);
        assert_eq!(at(&resampler, &plane, (4.5, 4.0)), 24.0);
        assert_eq!(at(&resampler, &plane, (0.0, 4.5)), 20.0);
    }
}
