//! Rectangles of pixels: the algebra that windows, tiles and regions are made of.

/// A half-open rectangle of pixels: `x0 <= x < x1`, `y0 <= y < y1`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Rect {
    /// First column.
    pub x0: usize,
    /// First row.
    pub y0: usize,
    /// One past the last column.
    pub x1: usize,
    /// One past the last row.
    pub y1: usize,
}

impl Rect {
    /// The rectangle of a whole picture, `width` by `height` pixels.
    pub fn of_size(width: usize, height: usize) -> Self {
        Self {
            x0: 0,
            y0: 0,
            x1: width,
            y1: height,
        }
    }

    /// Columns covered.
    pub fn width(&self) -> usize {
        self.x1.saturating_sub(self.x0)
    }

    /// Rows covered.
    pub fn height(&self) -> usize {
        self.y1.saturating_sub(self.y0)
    }

    /// Pixels covered.
    pub fn area(&self) -> usize {
        self.width() * self.height()
    }

    /// Whether no pixel is covered.
    pub fn is_empty(&self) -> bool {
        self.area() == 0
    }

    /// Whether the pixel `(x, y)` is covered.
    pub fn contains(&self, x: usize, y: usize) -> bool {
        (self.x0..self.x1).contains(&x) && (self.y0..self.y1).contains(&y)
    }

    /// What both rectangles cover; empty when they do not meet.
    pub fn intersect(&self, other: &Self) -> Self {
        let x0 = self.x0.max(other.x0);
        let y0 = self.y0.max(other.y0);
        Self {
            x0,
            y0,
            x1: self.x1.min(other.x1).max(x0),
            y1: self.y1.min(other.y1).max(y0),
        }
    }

    /// The rectangle grown by `px` on every side, cut to `within`.
    pub fn grown(&self, px: usize, within: &Self) -> Self {
        Self {
            x0: self.x0.saturating_sub(px),
            y0: self.y0.saturating_sub(px),
            x1: self.x1 + px,
            y1: self.y1 + px,
        }
        .intersect(within)
    }

    /// The rectangle cut into tiles of at most `side` pixels, row by row.
    pub fn tiles(&self, side: usize) -> Vec<Self> {
        let mut tiles = Vec::new();
        for y0 in (self.y0..self.y1).step_by(side.max(1)) {
            for x0 in (self.x0..self.x1).step_by(side.max(1)) {
                let (x1, y1) = ((x0 + side).min(self.x1), (y0 + side).min(self.y1));
                tiles.push(Self { x0, y0, x1, y1 });
            }
        }
        tiles
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tiles_cover_every_pixel_once() {
        let whole = Rect {
            x0: 3,
            y0: 5,
            x1: 203,
            y1: 98,
        };
        let tiles = whole.tiles(64);
        assert_eq!(tiles.iter().map(Rect::area).sum::<usize>(), whole.area());
        assert_eq!(tiles.len(), 4 * 2);
        for y in whole.y0..whole.y1 {
            for x in whole.x0..whole.x1 {
                assert_eq!(tiles.iter().filter(|tile| tile.contains(x, y)).count(), 1);
            }
        }
    }

    #[test]
    fn growing_stops_at_the_picture() {
        let picture = Rect::of_size(100, 80);
        let grown = Rect {
            x0: 0,
            y0: 70,
            x1: 10,
            y1: 80,
        }
        .grown(4, &picture);
        assert_eq!(
            grown,
            Rect {
                x0: 0,
                y0: 66,
                x1: 14,
                y1: 80
            }
        );
    }

    #[test]
    fn rectangles_apart_share_nothing() {
        let left = Rect {
            x0: 0,
            y0: 0,
            x1: 5,
            y1: 5,
        };
        let right = Rect {
            x0: 9,
            y0: 0,
            x1: 12,
            y1: 5,
        };
        assert!(left.intersect(&right).is_empty());
    }
}
