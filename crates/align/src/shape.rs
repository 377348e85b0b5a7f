//! Where a star is and what it looks like: windowed moments about its center.

use ndarray::ArrayView2;

/// A patch of the plane with its background taken off on the way.
#[derive(Clone, Copy, Debug)]
pub struct Patch<'a> {
    /// DN, `[row, column]`; NaN is masked.
    pub plane: ArrayView2<'a, f32>,
    /// Background at the star, DN.
    pub level_dn: f64,
}

/// First and second moments of the light within a Gaussian window about a point.
#[derive(Clone, Copy, Debug)]
pub struct Moments {
    /// Offset of the windowed centroid from the window's center, px to the right.
    pub dx: f64,
    /// The same, px downwards.
    pub dy: f64,
    /// Windowed second moment about the window's center, px²: along x.
    pub xx: f64,
    /// Mixed.
    pub xy: f64,
    /// Along y.
    pub yy: f64,
}

/// Where the window's edge is cut, in its sigmas: the weight there is 3e-4.
const WINDOW_SIGMAS: f64 = 4.0;

/// A window that lost more than this of its weight to masks or the edge measures nothing.
const MAX_LOST_WEIGHT: f64 = 0.1;

impl Patch<'_> {
    /// Moments about `(x, y)` under a round Gaussian window; `None` when too much of it is
    /// masked or off the plane, or there is no light.
    pub fn moments(&self, x: f64, y: f64, window_variance_px2: f64) -> Option<Moments> {
        let (height, width) = self.plane.dim();
        let reach = WINDOW_SIGMAS * window_variance_px2.sqrt();
        let (x0, y0) = ((x - reach).ceil(), (y - reach).ceil());
        let (x1, y1) = ((x + reach).floor(), (y + reach).floor());
        if x0 < 0.0 || y0 < 0.0 || x1 >= width as f64 || y1 >= height as f64 {
            return None;
        }
        let columns = x0 as usize..x1 as usize + 1;
        let weights_x: Vec<f64> = columns
            .clone()
            .map(|col| (-0.5 * (col as f64 - x).powi(2) / window_variance_px2).exp())
            .collect();
        let (mut whole, mut lost) = (0.0, 0.0);
        let (mut sum, mut sx, mut sy, mut sxx, mut sxy, mut syy) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
        for row in y0 as usize..y1 as usize + 1 {
            let dy = row as f64 - y;
            let weight_y = (-0.5 * dy * dy / window_variance_px2).exp();
            for (col, weight_x) in columns.clone().zip(&weights_x) {
                let dx = col as f64 - x;
                if dx * dx + dy * dy > reach * reach {
                    continue;
                }
                let weight = weight_x * weight_y;
                let value = f64::from(self.plane[(row, col)]) - self.level_dn;
                whole += weight;
                if value.is_nan() {
                    lost += weight;
                    continue;
                }
                let light = weight * value;
                sum += light;
                sx += light * dx;
                sy += light * dy;
                sxx += light * dx * dx;
                sxy += light * dx * dy;
                syy += light * dy * dy;
            }
        }
        (sum > 0.0 && lost <= MAX_LOST_WEIGHT * whole).then(|| Moments {
            dx: sx / sum,
            dy: sy / sum,
            xx: sxx / sum,
            xy: sxy / sum,
            yy: syy / sum,
        })
    }

    /// The windowed centroid near `(x, y)`: the point about which the windowed first
    /// moments vanish.
    ///
    /// A Gaussian star of variance s² off by d has its windowed centroid off by
    /// d · w²/(w² + s²), so steps of the inverse converge in a few rounds. (Windowed
    /// positions: the documentation of the `sep` library; the step there is 2, for w = s.)
    pub fn centroid(
        &self,
        start: (f64, f64),
        window_variance_px2: f64,
        star_variance_px2: f64,
        max_move_px: f64,
    ) -> Option<(f64, f64)> {
        const CONVERGED_PX: f64 = 1e-5;
        const MAX_ROUNDS: usize = 20;
        let gain = 1.0 + star_variance_px2 / window_variance_px2;
        let (mut x, mut y) = start;
        for _ in 0..MAX_ROUNDS {
            let found = self.moments(x, y, window_variance_px2)?;
            let (step_x, step_y) = (gain * found.dx, gain * found.dy);
            let length = step_x.hypot(step_y);
            // One pixel a step at most: far out the Gaussian law does not hold.
            let shorten = 1.0 / length.max(1.0);
            x += step_x * shorten;
            y += step_y * shorten;
            if (x - start.0).hypot(y - start.1) > max_move_px {
                return None;
            }
            if length < CONVERGED_PX {
                return Some((x, y));
            }
        }
        // Crawling along a ridge: no star.
        None
    }

    /// Light within a circle, DN, and its area, px²; pixels on the rim count by the share
    /// of their 5 x 5 sub-pixels inside, as `sep` counts them. Masked pixels are taken to
    /// hold what the rest holds on average; `None` when the circle leaves the plane.
    pub(crate) fn aperture(&self, x: f64, y: f64, radius_px: f64) -> Option<(f64, f64)> {
        let (height, width) = self.plane.dim();
        let (x0, y0) = ((x - radius_px).round(), (y - radius_px).round());
        let (x1, y1) = ((x + radius_px).round(), (y + radius_px).round());
        if x0 < 0.0 || y0 < 0.0 || x1 >= width as f64 || y1 >= height as f64 {
            return None;
        }
        let (mut light, mut area, mut masked) = (0.0, 0.0, 0.0);
        for row in y0 as usize..=y1 as usize {
            for col in x0 as usize..=x1 as usize {
                let share = share_inside(col as f64 - x, row as f64 - y, radius_px);
                let value = f64::from(self.plane[(row, col)]) - self.level_dn;
                area += share;
                if value.is_nan() {
                    masked += share;
                } else {
                    light += share * value;
                }
            }
        }
        (masked < 0.5 * area).then(|| (light * area / (area - masked), area))
    }
}

/// Share of a unit pixel centered at an offset that lies within `radius` of the origin.
fn share_inside(dx: f64, dy: f64, radius: f64) -> f64 {
    // Squares throughout: this is the innermost loop of measuring stars.
    let squared = dx * dx + dy * dy;
    let (within, beyond) = ((radius - RIM_PX).max(0.0), radius + RIM_PX);
    if squared < within * within {
        return 1.0;
    }
    if squared > beyond * beyond {
        return 0.0;
    }
    let squares = |offset: f64| SUB_PIXELS.map(|sub| (offset + sub) * (offset + sub));
    let (across, down) = (squares(dx), squares(dy));
    let in_row = |y: f64| across.iter().filter(|&x| x + y < radius * radius).count();
    down.into_iter().map(in_row).sum::<usize>() as f64 / 25.0
}

/// Half the diagonal of a pixel and a little: farther from the rim it is not cut.
const RIM_PX: f64 = 0.75;

/// Centers of a pixel's sub-pixels along one axis, from its own.
const SUB_PIXELS: [f64; 5] = [-0.4, -0.2, 0.0, 0.2, 0.4];

/// An elliptical Gaussian's second moments, px².
#[derive(Clone, Copy, Debug)]
pub(crate) struct Ellipse {
    pub(crate) major_px2: f64,
    pub(crate) minor_px2: f64,
    /// From +x towards +y, rad, in (−π/2, π/2].
    pub(crate) angle_rad: f64,
}

impl Ellipse {
    /// The star behind windowed moments: for a Gaussian of moments S under a window W the
    /// product has M⁻¹ = S⁻¹ + W⁻¹, so S = (M⁻¹ − W⁻¹)⁻¹.
    ///
    /// `None` when the light is not peaked within the window: a trail, a plateau, noise.
    pub(crate) fn behind_window(moments: &Moments, window_variance_px2: f64) -> Option<Self> {
        let axes = Self::from_moments(moments.xx, moments.xy, moments.yy);
        let widen = |measured: f64| {
            let inverse = 1.0 / measured - 1.0 / window_variance_px2;
            (measured > 0.0 && inverse > 0.0).then(|| 1.0 / inverse)
        };
        Some(Self {
            major_px2: widen(axes.major_px2)?,
            minor_px2: widen(axes.minor_px2)?,
            angle_rad: axes.angle_rad,
        })
    }

    /// The principal axes of second moments.
    pub(crate) fn from_moments(xx: f64, xy: f64, yy: f64) -> Self {
        let (mean, half) = (0.5 * (xx + yy), 0.5 * (xx - yy));
        let spread = half.hypot(xy);
        let angle = 0.5 * xy.atan2(half);
        Self {
            major_px2: mean + spread,
            minor_px2: mean - spread,
            angle_rad: if angle <= -std::f64::consts::FRAC_PI_2 {
                angle + std::f64::consts::PI
            } else {
                angle
            },
        }
    }
}
