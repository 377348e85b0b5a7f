//! Where a pixel of the reference lies on a frame.

use crate::Homography;
use crate::homography::project;
use raw::Rect;

/// Reference pixel to frame pixel, both with the first pixel's center at (0, 0).
///
/// The seam between geometry and resampling: what stands behind it may change from
/// a plane-to-plane map to a lens model without the stack noticing.
#[derive(Clone, Debug, PartialEq)]
pub struct PixelMap {
    homography: Homography,
}

impl PixelMap {
    /// The reference light's own map.
    pub fn identity() -> Self {
        Self::from_homography(Homography::IDENTITY)
    }

    /// A map by a homography from reference to frame.
    pub fn from_homography(homography: Homography) -> Self {
        Self { homography }
    }

    /// Where the reference point lies on the frame, px; NaN where it lies nowhere.
    pub fn map(&self, x: f64, y: f64) -> (f64, f64) {
        self.homography.apply(x, y)
    }

    /// Where the frame point lies on the reference, px; NaN where it lies nowhere.
    pub fn map_back(&self, x: f64, y: f64) -> (f64, f64) {
        self.inverse()
            .map_or((f64::NAN, f64::NAN), |back| back.map(x, y))
    }

    /// The map from frame to reference; `None` when this one cannot be undone.
    pub fn inverse(&self) -> Option<Self> {
        self.homography.inverse().map(Self::from_homography)
    }

    /// Where the pixels `x0 .. x0 + out.len()` of reference row `y` lie on the frame, px;
    /// NaN where they lie nowhere. Equal to [`map`](Self::map) to 1e-9 px.
    pub fn map_row(&self, x0: usize, y: usize, out: &mut [(f64, f64)]) {
        let m = &self.homography.0;
        let y = y as f64;
        let [at_x, at_y, at_scale] = [0, 1, 2].map(|i| m[i][1] * y + m[i][2]);
        for (i, point) in out.iter_mut().enumerate() {
            let x = (x0 + i) as f64;
            *point = project(
                m[0][0] * x + at_x,
                m[1][0] * x + at_y,
                m[2][0] * x + at_scale,
            );
        }
    }

    /// The window of `frame` that covers where every pixel of the reference rectangle
    /// `area` lies, and `margin` pixels more on every side.
    ///
    /// `None` when the frame is not touched, or `area` is empty. A projective map takes a
    /// rectangle on one side of the horizon to the convex hull of its corners' images, so
    /// four corners tell; a rectangle across the horizon gets the whole frame.
    pub fn source_window(&self, area: Rect, margin: usize, frame: Rect) -> Option<Rect> {
        if area.is_empty() || frame.is_empty() {
            return None;
        }
        let (left, right) = (area.x0 as f64, (area.x1 - 1) as f64);
        let (top, bottom) = (area.y0 as f64, (area.y1 - 1) as f64);
        let corners = [(left, top), (right, top), (left, bottom), (right, bottom)]
            .map(|(x, y)| self.map(x, y));
        let seen = corners
            .iter()
            .filter(|(x, y)| x.is_finite() && y.is_finite());
        match seen.count() {
            0 => return None,
            4 => {}
            _ => return Some(frame),
        }
        let (x0, x1) = window(corners.map(|(x, _)| x), margin, (frame.x0, frame.x1))?;
        let (y0, y1) = window(corners.map(|(_, y)| y), margin, (frame.y0, frame.y1))?;
        Some(Rect { x0, y0, x1, y1 })
    }

    /// `[x_reference, y_reference, x_frame, y_frame]` on a lattice from corner to corner.
    pub fn lattice(
        &self,
        width: usize,
        height: usize,
        columns: usize,
        rows: usize,
    ) -> Vec<[f64; 4]> {
        let step = |i: usize, n: usize, extent: usize| {
            extent.saturating_sub(1) as f64 * i as f64 / (n.max(2) - 1) as f64
        };
        (0..rows)
            .flat_map(|row| (0..columns).map(move |column| (row, column)))
            .map(|(row, column)| {
                let (x, y) = (step(column, columns, width), step(row, rows, height));
                let (frame_x, frame_y) = self.map(x, y);
                [x, y, frame_x, frame_y]
            })
            .collect()
    }
}

/// The pixels from the least to the greatest coordinate and `margin` more, cut to `limits`
/// (half-open); `None` when nothing is left.
fn window(at: [f64; 4], margin: usize, limits: (usize, usize)) -> Option<(usize, usize)> {
    let least = at.iter().copied().fold(f64::INFINITY, f64::min).floor() - margin as f64;
    let greatest = at.iter().copied().fold(f64::NEG_INFINITY, f64::max).ceil() + margin as f64;
    let start = least.max(limits.0 as f64);
    let end = (greatest + 1.0).min(limits.1 as f64);
    (start < end).then_some((start as usize, end as usize))
}

#[cfg(test)]
#[path = "pixel_map/tests.rs"]
mod tests;
