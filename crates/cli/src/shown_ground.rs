//! The ground as the lights show it, each in its own pixels.

use crate::ground_maps::GroundMaps;
use crate::light_cells::LightCells;
use crate::moving_ground::ShownGround;
use align::{PixelMap, find_ground, find_moving_ground};
use ndarray::Array2;

/// Most lights whose own view of a moving ground is taken.
pub(crate) const MOST_VIEWS: usize = 4;
/// Share of a light that no view shows from which another is taken.
const LEAST_HIDDEN: f64 = 0.01;
/// Columns and rows of the points of a light that views are held against.
const LATTICE: (usize, usize) = (36, 24);

impl LightCells<'_> {
    /// Maps by the stars from a light to the others; `None` where they cannot be joined.
    fn sky_from(&self, light: usize) -> Option<Vec<PixelMap>> {
        let back = self.lights[light].light.map.inverse()?;
        let to = |&i: &usize| back.then(&self.lights[i].light.map);
        self.some.iter().map(to).collect()
    }

    /// The ground in the pixels of one light.
    fn view(&self, of: usize, places: &GroundMaps) -> Option<ShownGround> {
        let maps = places.maps_from(of)?;
        let ground: Vec<PixelMap> = self.some.iter().map(|&i| maps[i].clone()).collect();
        let sky = self.sky_from(of)?;
        let found = find_moving_ground(&self.kept, &sky, &ground, self.cell_px, self.size)?;
        let any = found.ground.iter().any(|&set| set);
        any.then_some(ShownGround { found, maps })
    }
}

/// The ground of lights from a camera that stands still, in the pixels of the reference.
pub(crate) fn look_for_ground(cells: &LightCells) -> Option<Array2<bool>> {
    let map = |&i: &usize| cells.lights[i].light.map.clone();
    let sky: Vec<PixelMap> = cells.some.iter().map(map).collect();
    find_ground(&cells.kept, &sky, cells.cell_px, cells.size)
}

/// The ground as the reference shows it and, for what that does not, as those lights do that
/// show most of the rest. Empty where it cannot be told from the sky.
pub(crate) fn as_lights_show_it(
    cells: &LightCells,
    reference: usize,
    places: &GroundMaps,
) -> Vec<ShownGround> {
    let mut shown: Vec<ShownGround> = Vec::new();
    let mut hidden = Hidden::new(cells.lights.len(), cells.size);
    let mut next = Some(reference);
    let mut tried = Vec::new();
    while let Some(light) = next {
        tried.push(light);
        if let Some(view) = cells.view(light, places) {
            hidden.all_but(&view.maps);
            shown.push(view);
        } else if light == places.of {
            // Its ground was matched, but is none.
            break;
        }
        next = match shown.is_empty() {
            true => Some(places.of),
            false if tried.len() == MOST_VIEWS => None,
            false => hidden.most(cells.some.iter().filter(|light| !tried.contains(light))),
        };
    }
    shown
}

/// Points of every light whose place on the ground no view shows.
struct Hidden {
    points: Vec<Vec<(f64, f64)>>,
    size: (usize, usize),
}

impl Hidden {
    fn new(lights: usize, (width, height): (usize, usize)) -> Self {
        let (columns, rows) = LATTICE;
        let at = |i: usize, n: usize, extent: usize| (i as f64 + 0.5) / n as f64 * extent as f64;
        let row =
            |row| (0..columns).map(move |col| (at(col, columns, width), at(row, rows, height)));
        let points: Vec<_> = (0..rows).flat_map(row).collect();
        Self {
            points: vec![points; lights],
            size: (width, height),
        }
    }

    /// Takes out what a view shows.
    ///
    /// - `maps`: from the view to the lights.
    fn all_but(&mut self, maps: &[PixelMap]) {
        let inside = |at: f64, n: usize| (0.0..n as f64).contains(&at);
        for (points, map) in self.points.iter_mut().zip(maps) {
            let Some(back) = map.inverse() else { continue };
            points.retain(|&(x, y)| {
                let (x, y) = back.map(x, y);
                !(inside(x, self.size.0) && inside(y, self.size.1))
            });
        }
    }

    /// The light with most of them, if they are many.
    fn most<'a>(&self, lights: impl Iterator<Item = &'a usize>) -> Option<usize> {
        let hidden = |&&light: &&usize| self.points[light].len();
        let light = *lights.max_by_key(hidden)?;
        let share = self.points[light].len() as f64 / (LATTICE.0 * LATTICE.1) as f64;
        (share > LEAST_HIDDEN).then_some(light)
    }
}
