//! The pixels of a picture that is finer than the reference.

use align::{Homography, PixelMap};
use raw::Rect;

/// The reference's field cut into pixels of another size.
///
/// Both grids share the field's left and top **edges**, not the centers of their first
/// pixels: `x_out = scale (x_ref + 0.5) - 0.5`, the first pixel's center being (0, 0) in
/// either. At scale 1 both are the same.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OutputGrid {
    scale: f64,
    reference: (usize, usize),
}

impl OutputGrid {
    /// The grid that cuts each pixel of the reference into `scale` each way.
    ///
    /// - `reference`: width and height of the reference, px.
    ///
    /// # Panics
    ///
    /// When the scale is not a positive number.
    pub fn new(scale: f64, reference: (usize, usize)) -> Self {
        assert!(scale.is_finite() && scale > 0.0, "a positive scale");
        Self { scale, reference }
    }

    /// Pixels of this grid to a pixel of the reference, each way.
    pub fn scale(&self) -> f64 {
        self.scale
    }

    /// Width and height, px: the whole pixels that the field holds, and one at least.
    pub fn size(&self) -> (usize, usize) {
        let of = |extent: usize| ((extent as f64 * self.scale + 1e-9).floor() as usize).max(1);
        (of(self.reference.0), of(self.reference.1))
    }

    /// The whole picture as a rectangle.
    pub fn bounds(&self) -> Rect {
        let (width, height) = self.size();
        Rect::of_size(width, height)
    }

    /// A coordinate of the reference on this grid.
    pub fn from_reference(&self, at: f64) -> f64 {
        self.scale * (at + 0.5) - 0.5
    }

    /// A coordinate of this grid on the reference.
    pub fn to_reference(&self, at: f64) -> f64 {
        (at + 0.5) / self.scale - 0.5
    }

    /// Pixels of this grid to places on the reference.
    pub fn map_to_reference(&self) -> PixelMap {
        let (width, height) = self.reference;
        self.map_from(&self.bounds(), &Rect::of_size(width, height))
    }

    /// The pixel of the reference that holds the center of a pixel of this grid.
    pub fn reference_pixel(&self, row: usize, col: usize) -> (usize, usize) {
        let of = |at: usize, extent: usize| {
            let nearest = (self.to_reference(at as f64) + 0.5).floor();
            (nearest.max(0.0) as usize).min(extent.saturating_sub(1))
        };
        (of(row, self.reference.1), of(col, self.reference.0))
    }

    /// The pixels of the reference that a rectangle of this grid touches.
    pub fn on_reference(&self, area: &Rect) -> Rect {
        let first = |at: usize| (at as f64 / self.scale).floor() as usize;
        let end = |at: usize| (at as f64 / self.scale).ceil() as usize;
        let (width, height) = self.reference;
        Rect {
            x0: first(area.x0),
            y0: first(area.y0),
            x1: end(area.x1),
            y1: end(area.y1),
        }
        .intersect(&Rect::of_size(width, height))
    }

    /// The map from the pixels of `area`, counted from its first one, to those of a part of the
    /// reference, counted from its own.
    pub fn map_from(&self, area: &Rect, part: &Rect) -> PixelMap {
        let step = 1.0 / self.scale;
        let start = |first: usize, of: usize| self.to_reference(first as f64) - of as f64;
        PixelMap::from_homography(Homography([
            [step, 0.0, start(area.x0, part.x0)],
            [0.0, step, start(area.y0, part.y0)],
            [0.0, 0.0, 1.0],
        ]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn edges_are_shared_and_centers_are_not() {
        let fine = OutputGrid::new(2.0, (30, 20));
        assert_eq!(fine.size(), (60, 40));
        // The left edge of the field, and the center of its first pixel.
        assert_eq!(fine.from_reference(-0.5), -0.5);
        assert_eq!(fine.from_reference(0.0), 0.5);
        assert_eq!(fine.to_reference(fine.from_reference(7.3)), 7.3);
        assert_eq!(fine.reference_pixel(1, 0), (0, 0));
        assert_eq!(fine.reference_pixel(2, 3), (1, 1));
        let same = OutputGrid::new(1.0, (30, 20));
        assert_eq!(same.size(), (30, 20));
        assert_eq!(same.from_reference(4.25), 4.25);
    }

    #[test]
    fn a_rectangle_touches_the_pixels_under_it() {
        let grid = OutputGrid::new(1.5, (30, 20));
        assert_eq!(grid.size(), (45, 30));
        let area = Rect {
            x0: 2,
            y0: 3,
            x1: 4,
            y1: 30,
        };
        let want = Rect {
            x0: 1,
            y0: 2,
            x1: 3,
            y1: 20,
        };
        assert_eq!(grid.on_reference(&area), want);
    }
}
