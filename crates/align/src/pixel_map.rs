//! Where a pixel of the reference lies on a frame.

use crate::homography::project;
use crate::lens_map::LensMap;
use crate::{Attitude, Homography, Lens};
use raw::Rect;
use std::sync::Arc;

/// Reference pixel to frame pixel, both with the first pixel's center at (0, 0).
///
/// The seam between geometry and resampling: behind it stands a plane-to-plane map, or a
/// lens and a rotation.
#[derive(Clone, Debug, PartialEq)]
pub struct PixelMap {
    kind: Kind,
}

#[derive(Clone, Debug, PartialEq)]
enum Kind {
    Plane(Homography),
    /// Shared: a lattice is large, and maps are cloned freely.
    Lens(Arc<LensMap>),
}

impl PixelMap {
    /// The reference light's own map.
    pub fn identity() -> Self {
        Self::from_homography(Homography::IDENTITY)
    }

    /// A map by a homography from reference to frame.
    pub fn from_homography(homography: Homography) -> Self {
        Self {
            kind: Kind::Plane(homography),
        }
    }

    /// A map by a lens that both frames were taken with, and the attitude of the frame.
    ///
    /// - `size`: width and height of the frames, px; rows are interpolated within them.
    pub fn from_lens(lens: Lens, attitude: Attitude, size: (usize, usize)) -> Self {
        Self {
            kind: Kind::Lens(Arc::new(LensMap::new(lens, attitude, size))),
        }
    }

    /// Where the reference point lies on the frame, px; NaN where it lies nowhere.
    pub fn map(&self, x: f64, y: f64) -> (f64, f64) {
        match &self.kind {
            Kind::Plane(homography) => homography.apply(x, y),
            Kind::Lens(lens) => lens.exact(x, y),
        }
    }

    /// Where the frame point lies on the reference, px; NaN where it lies nowhere.
    pub fn map_back(&self, x: f64, y: f64) -> (f64, f64) {
        self.inverse()
            .map_or((f64::NAN, f64::NAN), |back| back.map(x, y))
    }

    /// The map from frame to reference; `None` when this one cannot be undone.
    pub fn inverse(&self) -> Option<Self> {
        match &self.kind {
            Kind::Plane(homography) => homography.inverse().map(Self::from_homography),
            Kind::Lens(lens) => Some(Self {
                kind: Kind::Lens(Arc::new(lens.inverse())),
            }),
        }
    }

    /// First this map, then `next`; `None` where both are not of one kind, or not of one lens.
    pub fn then(&self, next: &Self) -> Option<Self> {
        match (&self.kind, &next.kind) {
            (Kind::Plane(first), Kind::Plane(second)) => {
                first.then(second).map(Self::from_homography)
            }
            (Kind::Lens(first), Kind::Lens(second)) => first.then(second).map(|map| Self {
                kind: Kind::Lens(Arc::new(map)),
            }),
            (Kind::Plane(plane), _) if *plane == Homography::IDENTITY => Some(next.clone()),
            (_, Kind::Plane(plane)) if *plane == Homography::IDENTITY => Some(self.clone()),
            _ => None,
        }
    }

    /// The lens, where the map is made of one.
    pub fn lens(&self) -> Option<&Lens> {
        match &self.kind {
            Kind::Plane(_) => None,
            Kind::Lens(map) => Some(map.lens()),
        }
    }

    /// Where the pixels `x0 .. x0 + out.len()` of reference row `y` lie on the frame, px;
    /// NaN where they lie nowhere. Equal to [`map`](Self::map) to
    /// [`row_error_px`](Self::row_error_px).
    pub fn map_row(&self, x0: usize, y: usize, out: &mut [(f64, f64)]) {
        let homography = match &self.kind {
            Kind::Plane(homography) => homography,
            Kind::Lens(lens) => return lens.map_row(x0, y, out),
        };
        let m = &homography.0;
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

    /// Greatest difference between [`map_row`](Self::map_row) and [`map`](Self::map) where the
    /// frame shows the point, px: rounding for a homography; for a lens measured in the middle
    /// of each cell of its lattice, and aimed below 0.001 px.
    pub fn row_error_px(&self) -> f64 {
        const ROUNDING_PX: f64 = 1e-9;
        match &self.kind {
            Kind::Plane(_) => ROUNDING_PX,
            Kind::Lens(lens) => lens.error_px().max(ROUNDING_PX),
        }
    }

    /// The homography, where the map is one.
    pub fn homography(&self) -> Option<&Homography> {
        match &self.kind {
            Kind::Plane(homography) => Some(homography),
            Kind::Lens(_) => None,
        }
    }

    /// The window of `frame` that covers where every pixel of the reference rectangle
    /// `area` lies, and `margin` pixels more on every side.
    ///
    /// `None` when the frame is not touched, or `area` is empty. Either kind of map takes a
    /// rectangle that it sees all of to the inside of its rim's image, so the rim tells: of a
    /// projective map its corners, of a lens sixteen points a side and a pixel more. Where a
    /// part lies nowhere, the whole frame is given.
    pub fn source_window(&self, area: Rect, margin: usize, frame: Rect) -> Option<Rect> {
        if area.is_empty() || frame.is_empty() {
            return None;
        }
        let (points, bulge) = match &self.kind {
            Kind::Plane(_) => (1, 0),
            Kind::Lens(_) => (16, 1),
        };
        let rim: Vec<(f64, f64)> = rim(area, points).map(|(x, y)| self.map(x, y)).collect();
        let seen = rim.iter().filter(|(x, y)| x.is_finite() && y.is_finite());
        match seen.count() {
            0 => return None,
            n if n == rim.len() => {}
            _ => return Some(frame),
        }
        let margin = margin + bulge;
        let (x0, x1) = window(rim.iter().map(|(x, _)| *x), margin, (frame.x0, frame.x1))?;
        let (y0, y1) = window(rim.iter().map(|(_, y)| *y), margin, (frame.y0, frame.y1))?;
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

/// Points around a rectangle's outer pixels, so many from each corner to the next.
fn rim(area: Rect, points: usize) -> impl Iterator<Item = (f64, f64)> {
    let (left, right) = (area.x0 as f64, (area.x1 - 1) as f64);
    let (top, bottom) = (area.y0 as f64, (area.y1 - 1) as f64);
    let corners = [(left, top), (right, top), (right, bottom), (left, bottom)];
    (0..4).flat_map(move |side| {
        let ((x0, y0), (x1, y1)) = (corners[side], corners[(side + 1) % 4]);
        (0..points).map(move |i| {
            let share = i as f64 / points as f64;
            (x0 + share * (x1 - x0), y0 + share * (y1 - y0))
        })
    })
}

/// The pixels from the least to the greatest coordinate and `margin` more, cut to `limits`
/// (half-open); `None` when nothing is left.
fn window(
    at: impl Iterator<Item = f64> + Clone,
    margin: usize,
    limits: (usize, usize),
) -> Option<(usize, usize)> {
    let least = at.clone().fold(f64::INFINITY, f64::min).floor() - margin as f64;
    let greatest = at.fold(f64::NEG_INFINITY, f64::max).ceil() + margin as f64;
    let start = least.max(limits.0 as f64);
    let end = (greatest + 1.0).min(limits.1 as f64);
    (start < end).then_some((start as usize, end as usize))
}

#[cfg(test)]
#[path = "pixel_map/tests.rs"]
mod tests;
