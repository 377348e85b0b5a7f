//! Where a picture is worth a close look: dark sky, detail, a corner, the edge of the ground.
//!
//! Chosen on a small copy of the picture, in cells of its blocks, so that single stars and
//! noise have no say.

use crate::SmallPicture;
use ndarray::{Array2, ArrayView2, s};

/// What makes a place worth looking at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SpotKind {
    /// The darkest sky away from the borders, where noise shows most.
    DarkSky,
    /// Where the sky itself varies most, as in the Milky Way.
    Detail,
    /// A corner, where lens and alignment are at their worst.
    Corner,
    /// Where ground meets sky.
    GroundEdge,
    /// The middle of the field.
    Center,
}

/// A place of a picture, in its pixels as they lie on the sensor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Spot {
    /// Why it was chosen.
    pub kind: SpotKind,
    /// First column, px.
    pub x0: usize,
    /// First row, px.
    pub y0: usize,
    /// One past the last column, px.
    pub x1: usize,
    /// One past the last row, px.
    pub y1: usize,
}

/// Share of the field, each way, about whose middle the darkest sky is looked for: towards
/// the borders lenses darken.
const MIDDLE_SHARE: f64 = 0.7;
/// Contrast of large structure, rms over the sky's level, from which there is detail;
/// common sense, no source.
const DETAIL_CONTRAST: f64 = 0.01;
/// And how often that of the typical place.
const DETAIL_OVER_TYPICAL: f64 = 1.5;
/// Least and largest share of ground where ground meets sky.
const EDGE_SHARE: (f64, f64) = (0.25, 0.75);
/// How much a place of the ground's edge off the middle counts less, per width.
const OFF_MIDDLE: f64 = 0.3;
/// Fewest spots, if the picture has room for them.
const FEWEST: usize = 3;

/// The places of a picture worth a close look, three or four where there is room; they do not
/// overlap.
///
/// - `picture`: shrunken so far that a spot is several blocks wide.
/// - `spot_px`: width and height of a spot, px; one that is larger than the picture is cut.
/// - `is_ground(row, column)`: whether a pixel of the picture shows ground.
///
/// Empty without a finite value.
pub fn choose_spots(
    picture: &SmallPicture,
    spot_px: (usize, usize),
    is_ground: &dyn Fn(usize, usize) -> bool,
) -> Vec<Spot> {
    let cells = Cells::new(picture, spot_px, is_ground);
    let places = cells.places();
    let mut chosen: Vec<(SpotKind, Place)> = Vec::new();
    let mut choose = |kind: SpotKind, of: &dyn Fn(&[Place]) -> Option<Place>| {
        let free = |place: &&Place| chosen.iter().all(|(_, other)| !place.overlaps(other));
        let free: Vec<Place> = places.iter().filter(free).copied().collect();
        if let Some(place) = of(&free) {
            chosen.push((kind, place));
        }
        chosen.len()
    };
    choose(SpotKind::DarkSky, &|free| cells.darkest(free));
    choose(SpotKind::Detail, &|free| cells.most_detailed(free));
    choose(SpotKind::Corner, &|free| cells.corner(free));
    let n = choose(SpotKind::GroundEdge, &|free| cells.ground_edge(free));
    if n < FEWEST {
        choose(SpotKind::Center, &|free| cells.nearest_to_center(free));
    }
    let chosen = chosen.into_iter();
    chosen
        .map(|(kind, place)| cells.spot(kind, &place))
        .collect()
}

/// The picture in cells.
struct Cells<'a> {
    /// Brightness, means over the channels, without single bright cells.
    light: Array2<f32>,
    ground: Array2<bool>,
    picture: &'a SmallPicture,
    spot_px: (usize, usize),
    /// Rows and columns of cells in a spot.
    spot: (usize, usize),
}

/// Where a spot may lie: its first cell, and what it shows.
#[derive(Clone, Copy, Debug)]
struct Place {
    row: usize,
    col: usize,
    spot: (usize, usize),
    /// Share of it that is ground.
    ground: f64,
    /// Median brightness.
    level: f32,
    /// Rms of large structure beyond a slope, over the level.
    contrast: f64,
}

impl Place {
    fn overlaps(&self, other: &Self) -> bool {
        let apart = |a: usize, b: usize, extent: usize| a + extent <= b || b + extent <= a;
        !(apart(self.row, other.row, self.spot.0) || apart(self.col, other.col, self.spot.1))
    }

    fn is_sky(&self) -> bool {
        self.ground == 0.0
    }
}

impl<'a> Cells<'a> {
    fn new(
        picture: &'a SmallPicture,
        spot_px: (usize, usize),
        is_ground: &dyn Fn(usize, usize) -> bool,
    ) -> Self {
        let mean = mean_of(&picture.planes);
        let (rows, columns) = mean.dim();
        let (width, height) = picture.size;
        let middle = |at: usize, extent: usize| {
            let middle = at * picture.factor + picture.factor / 2;
            middle.min(extent.saturating_sub(1))
        };
        let ground = Array2::from_shape_fn((rows, columns), |(row, col)| {
            is_ground(middle(row, height), middle(col, width))
        });
        let spot_px = (spot_px.0.min(width), spot_px.1.min(height));
        let in_cells = |px: usize, most: usize| px.div_ceil(picture.factor).clamp(1, most.max(1));
        Self {
            light: without_single_cells(&mean),
            ground,
            picture,
            spot_px,
            spot: (in_cells(spot_px.1, rows), in_cells(spot_px.0, columns)),
        }
    }

    /// Every place whose cells all have a value.
    fn places(&self) -> Vec<Place> {
        let (rows, columns) = self.light.dim();
        let first = |extent: usize, spot: usize| {
            let last = extent.saturating_sub(spot);
            // Half a spot apart is near enough, and the last one is a corner.
            (0..last).step_by((spot / 4).max(1)).chain([last])
        };
        let rows = first(rows, self.spot.0);
        rows.flat_map(|row| first(columns, self.spot.1).map(move |col| (row, col)))
            .filter_map(|(row, col)| self.place(row, col))
            .collect()
    }

    fn place(&self, row: usize, col: usize) -> Option<Place> {
        let area = s![row..row + self.spot.0, col..col + self.spot.1];
        let light = self.light.slice(area);
        if light.is_empty() || light.iter().any(|value| !value.is_finite()) {
            return None;
        }
        let ground = self.ground.slice(area);
        let of_ground = ground.iter().filter(|&&ground| ground).count();
        let level = median(light.iter().copied().collect());
        Some(Place {
            row,
            col,
            spot: self.spot,
            ground: of_ground as f64 / ground.len() as f64,
            level,
            contrast: beyond_slope(light) / f64::from(level.abs().max(f32::MIN_POSITIVE)),
        })
    }

    fn darkest(&self, places: &[Place]) -> Option<Place> {
        let sky: Vec<Place> = places.iter().filter(|p| p.is_sky()).copied().collect();
        let inner: Vec<Place> = sky
            .iter()
            .filter(|place| self.off_center(place) < 0.5 * MIDDLE_SHARE)
            .copied()
            .collect();
        let among = if inner.is_empty() { sky } else { inner };
        let darker = |a: &Place, b: &Place| a.level.total_cmp(&b.level);
        among.into_iter().min_by(darker)
    }

    fn most_detailed(&self, places: &[Place]) -> Option<Place> {
        let sky: Vec<Place> = places.iter().filter(|p| p.is_sky()).copied().collect();
        let mut contrasts: Vec<f32> = sky.iter().map(|place| place.contrast as f32).collect();
        if contrasts.is_empty() {
            return None;
        }
        let typical = f64::from(median(std::mem::take(&mut contrasts)));
        let least = DETAIL_CONTRAST.max(DETAIL_OVER_TYPICAL * typical);
        sky.into_iter()
            .filter(|place| place.contrast >= least)
            .max_by(|a, b| a.contrast.total_cmp(&b.contrast))
    }

    fn corner(&self, places: &[Place]) -> Option<Place> {
        let (rows, columns) = self.light.dim();
        let at_end =
            |at: usize, spot: usize, extent: usize| at == 0 || at + spot == extent.max(spot);
        let corners = places.iter().filter(|place| {
            at_end(place.row, self.spot.0, rows) && at_end(place.col, self.spot.1, columns)
        });
        corners
            .min_by(|a, b| a.ground.total_cmp(&b.ground))
            .copied()
    }

    fn ground_edge(&self, places: &[Place]) -> Option<Place> {
        let (least, most) = EDGE_SHARE;
        let columns = self.light.ncols() as f64;
        let cost = |place: &Place| {
            let middle = place.col as f64 + 0.5 * self.spot.1 as f64;
            (place.ground - 0.5).abs() + OFF_MIDDLE * (middle / columns - 0.5).abs()
        };
        let edges = places.iter().filter(|p| (least..=most).contains(&p.ground));
        edges.min_by(|a, b| cost(a).total_cmp(&cost(b))).copied()
    }

    fn nearest_to_center(&self, places: &[Place]) -> Option<Place> {
        let nearer = |a: &&Place, b: &&Place| self.off_center(a).total_cmp(&self.off_center(b));
        places.iter().min_by(nearer).copied()
    }

    /// How far the middle of a place lies off that of the field, the larger of both ways, in
    /// widths and heights of it.
    fn off_center(&self, place: &Place) -> f64 {
        let (rows, columns) = self.light.dim();
        let off = |at: usize, spot: usize, extent: usize| {
            ((at as f64 + 0.5 * spot as f64) / extent as f64 - 0.5).abs()
        };
        off(place.row, self.spot.0, rows).max(off(place.col, self.spot.1, columns))
    }

    fn spot(&self, kind: SpotKind, place: &Place) -> Spot {
        let (width, height) = self.picture.size;
        let first =
            |cell: usize, px: usize, extent: usize| (cell * self.picture.factor).min(extent - px);
        let x0 = first(place.col, self.spot_px.0, width);
        let y0 = first(place.row, self.spot_px.1, height);
        Spot {
            kind,
            x0,
            y0,
            x1: x0 + self.spot_px.0,
            y1: y0 + self.spot_px.1,
        }
    }
}

fn mean_of(planes: &[Array2<f32>]) -> Array2<f32> {
    let Some((first, others)) = planes.split_first() else {
        return Array2::zeros((0, 0));
    };
    let sum = others.iter().fold(first.clone(), |sum, plane| sum + plane);
    sum / planes.len() as f32
}

/// Medians of 3 by 3 cells, fewer at the border.
fn without_single_cells(cells: &Array2<f32>) -> Array2<f32> {
    let (rows, columns) = cells.dim();
    Array2::from_shape_fn((rows, columns), |(row, col)| {
        let near = s![
            row.saturating_sub(1)..(row + 2).min(rows),
            col.saturating_sub(1)..(col + 2).min(columns)
        ];
        let near = cells.slice(near);
        match cells[(row, col)].is_finite() {
            true => median(near.iter().copied().filter(|v| v.is_finite()).collect()),
            false => f32::NAN,
        }
    })
}

/// The middle value, the upper one of two. `values`: not empty, all finite.
fn median(mut values: Vec<f32>) -> f32 {
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}

/// Rms of what a plane through the values leaves. Rows and columns are evenly spaced, so that
/// both slopes are found apart.
fn beyond_slope(values: ArrayView2<f32>) -> f64 {
    let (rows, columns) = values.dim();
    let off = |at: usize, extent: usize| at as f64 - 0.5 * (extent as f64 - 1.0);
    let n = values.len() as f64;
    let (mut sum, mut down, mut across) = (0.0, 0.0, 0.0);
    let (mut down_2, mut across_2) = (0.0, 0.0);
    for ((row, col), &value) in values.indexed_iter() {
        let (y, x) = (off(row, rows), off(col, columns));
        sum += f64::from(value);
        down += y * f64::from(value);
        across += x * f64::from(value);
        down_2 += y * y;
        across_2 += x * x;
    }
    let slope = |sum: f64, squares: f64| if squares > 0.0 { sum / squares } else { 0.0 };
    let (mean, down, across) = (sum / n, slope(down, down_2), slope(across, across_2));
    let left = values.indexed_iter().map(|((row, col), &value)| {
        let plane = mean + down * off(row, rows) + across * off(col, columns);
        (f64::from(value) - plane).powi(2)
    });
    (left.sum::<f64>() / n).sqrt()
}

#[cfg(test)]
mod tests;
