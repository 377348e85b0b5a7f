//! Places of the sensor on a page, where pictures stand upright.

/// How the sensor lies in the upright picture (TIFF 6.0, tag 274).
#[derive(Clone, Copy, Debug)]
pub(super) struct Upright {
    orientation: u8,
    width: f64,
    height: f64,
}

impl Upright {
    /// - `size`: width and height of the sensor's picture, px.
    pub fn new(orientation: u8, size: (u32, u32)) -> Self {
        Self {
            orientation,
            width: f64::from(size.0),
            height: f64::from(size.1),
        }
    }

    fn is_on_its_side(&self) -> bool {
        matches!(self.orientation, 5..=8)
    }

    /// Width and height of the upright picture, px.
    pub fn size(&self) -> (f64, f64) {
        match self.is_on_its_side() {
            true => (self.height, self.width),
            false => (self.width, self.height),
        }
    }

    /// A direction of the sensor, x right and y down.
    pub fn direction(&self, (x, y): (f64, f64)) -> (f64, f64) {
        let (x, y) = if self.is_on_its_side() {
            (y, x)
        } else {
            (x, y)
        };
        let x = if matches!(self.orientation, 2 | 3 | 6 | 7) {
            -x
        } else {
            x
        };
        let y = if matches!(self.orientation, 3 | 4 | 7 | 8) {
            -y
        } else {
            y
        };
        (x, y)
    }

    /// A rectangle of the sensor by its edges `[x0, y0, x1, y1]`, px.
    pub fn rectangle(&self, [x0, y0, x1, y1]: [u32; 4]) -> [f64; 4] {
        let (width, height) = self.size();
        let of = |x: u32, y: u32| {
            // About the middle, which stays where it is.
            let off = (
                f64::from(x) - 0.5 * self.width,
                f64::from(y) - 0.5 * self.height,
            );
            let (x, y) = self.direction(off);
            (x + 0.5 * width, y + 0.5 * height)
        };
        let (a, b) = (of(x0, y0), of(x1, y1));
        [a.0.min(b.0), a.1.min(b.1), a.0.max(b.0), a.1.max(b.1)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn eight_ways_to_hold_a_camera() {
        // The first pixel of a picture of 3 x 2, and its row's direction, as seen upright.
        let seen = [
            (1, [0.0, 0.0, 1.0, 1.0], (1.0, 0.0)),
            (2, [2.0, 0.0, 3.0, 1.0], (-1.0, 0.0)),
            (3, [2.0, 1.0, 3.0, 2.0], (-1.0, 0.0)),
            (4, [0.0, 1.0, 1.0, 2.0], (1.0, 0.0)),
            (5, [0.0, 0.0, 1.0, 1.0], (0.0, 1.0)),
            (6, [1.0, 0.0, 2.0, 1.0], (0.0, 1.0)),
            (7, [1.0, 2.0, 2.0, 3.0], (0.0, -1.0)),
            (8, [0.0, 2.0, 1.0, 3.0], (0.0, -1.0)),
        ];
        for (orientation, rectangle, direction) in seen {
            let upright = Upright::new(orientation, (3, 2));
            assert_eq!(upright.rectangle([0, 0, 1, 1]), rectangle, "{orientation}");
            let (x, y) = upright.direction((1.0, 0.0));
            assert_eq!((x + 0.0, y + 0.0), direction, "{orientation}");
        }
    }
}
