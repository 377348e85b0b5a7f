//! Where the pixels of an area lie on a light, and what it shows there.

use crate::resample::{PaddedPlane, Place, Resampler};
use crate::{Light, LightMask, sky};

/// The pixels of an area, row by row, as one light is asked for them; the buffers are reused.
#[derive(Default)]
pub(crate) struct Asked {
    /// Where they lie on the light, px.
    pub points: Vec<(f64, f64)>,
    /// Which of them the light has samples for.
    pub reached: Vec<bool>,
    /// Where they lie on the window that the kernel needs.
    pub places: Vec<Place>,
    /// The rows on the reference, px.
    ys: Vec<f64>,
    /// Where the columns lie between the nodes of the sky's mesh.
    columns: Vec<sky::Place>,
    /// What brings a row's sky to the common level, DN.
    offsets: Vec<f32>,
}

impl Asked {
    /// Takes the columns and rows of an area, as coordinates of the reference, px.
    pub fn set_area(
        &mut self,
        light: &Light,
        xs: impl Iterator<Item = f64>,
        ys: impl Iterator<Item = f64>,
    ) {
        light.sky_offset.places(xs, &mut self.columns);
        self.ys.clear();
        self.ys.extend(ys);
    }

    /// Tells which points lie on a frame of a size, as far as half a pixel around the centers
    /// of its pixels; whether any does.
    pub fn reach(&mut self, (width, height): (usize, usize)) -> bool {
        let (right, bottom) = (width as f64 - 0.5, height as f64 - 0.5);
        let inside =
            |&(x, y): &(f64, f64)| (x >= -0.5) & (x <= right) & (y >= -0.5) & (y <= bottom);
        self.reached.clear();
        self.reached.extend(self.points.iter().map(inside));
        self.reached.contains(&true)
    }

    /// Takes off the points that a mask hides.
    pub fn strike_hidden(&mut self, mask: &LightMask) {
        for (reached, &(x, y)) in self.reached.iter_mut().zip(&self.points) {
            // The nearest pixel; half a pixel beyond the last one it is still that.
            let (row, col) = ((y + 0.5) as usize, (x + 0.5) as usize);
            *reached = *reached && !mask.hides(row, col);
        }
    }

    /// Goes through the rows: where their pixels lie on the light, and what brings its sky to
    /// the common level there, DN.
    pub fn for_rows(
        &mut self,
        light: &Light,
        channel: usize,
        mut each: impl FnMut(&[(f64, f64)], &[f32]),
    ) {
        for (points, &y) in self.points.chunks_exact(self.columns.len()).zip(&self.ys) {
            let (columns, offsets) = (&self.columns, &mut self.offsets);
            light.sky_offset.fill_row(channel, y, columns, offsets);
            each(points, offsets);
        }
    }

    /// What a plane of the light shows, on the common scale and level; NaN where it does not
    /// reach.
    ///
    /// - `plane`: on the window that the `places` are of.
    /// - `bright_dn`: from here on stars make the kernel ring.
    pub fn sample(
        &mut self,
        light: &Light,
        channel: usize,
        plane: &PaddedPlane,
        resampler: &Resampler,
        bright_dn: f32,
        out: &mut [f32],
    ) {
        let width = self.columns.len();
        let bright_dn = plane.reaches(bright_dn).then_some(bright_dn);
        let places = self.places.chunks_exact(width);
        let rows = places.zip(self.reached.chunks_exact(width)).zip(&self.ys);
        for (out, ((places, reached), &y)) in out.chunks_exact_mut(width).zip(rows) {
            let (columns, offsets) = (&self.columns, &mut self.offsets);
            light.sky_offset.fill_row(channel, y, columns, offsets);
            resampler.sample_row(plane, places, reached, bright_dn, out);
            for (out, offset) in out.iter_mut().zip(offsets) {
                *out = light.scale * *out + *offset;
            }
        }
    }
}
