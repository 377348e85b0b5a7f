//! Where a pixel of the reference lies on a frame.

/// A plane-to-plane projective map, row-major; `m[2][2]` is 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Homography(pub [[f64; 3]; 3]);

impl Homography {
    /// The map that moves nothing.
    pub const IDENTITY: Self = Self([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]);

    /// The image of a point, px to px.
    pub fn apply(&self, x: f64, y: f64) -> (f64, f64) {
        let m = &self.0;
        let scale = 1.0 / (m[2][0] * x + m[2][1] * y + m[2][2]);
        (
            (m[0][0] * x + m[0][1] * y + m[0][2]) * scale,
            (m[1][0] * x + m[1][1] * y + m[1][2]) * scale,
        )
    }
}

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
        Self {
            homography: Homography::IDENTITY,
        }
    }

    /// A map by a homography from reference to frame.
    pub fn from_homography(homography: Homography) -> Self {
        Self { homography }
    }

    /// Where the reference point lies on the frame, px.
    pub fn map(&self, x: f64, y: f64) -> (f64, f64) {
        self.homography.apply(x, y)
    }

    /// Where the pixels `x0 .. x0 + out.len()` of reference row `y` lie on the frame, px.
    pub fn map_row(&self, x0: usize, y: usize, out: &mut [(f64, f64)]) {
        for (i, point) in out.iter_mut().enumerate() {
            *point = self.homography.apply((x0 + i) as f64, y as f64);
        }
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
