//! The grid of regions that noise is reported by.

use raw::Rect;

/// What a region shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Part {
    /// Aligned by the stars.
    Sky,
    /// Aligned by the ground.
    Ground,
}

/// A rectangle of the reference that gets its own figures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Region {
    /// First column.
    pub x0: usize,
    /// First row.
    pub y0: usize,
    /// One past the last column.
    pub x1: usize,
    /// One past the last row.
    pub y1: usize,
    /// What it shows.
    pub part: Part,
}

impl Region {
    /// Whether the first pixel of a tile lies in the region.
    pub fn holds(&self, tile: Rect) -> bool {
        (self.x0..self.x1).contains(&tile.x0) && (self.y0..self.y1).contains(&tile.y0)
    }
}

/// Borders fall on multiples of this, so that every tile belongs to one region, px.
pub const TILE_PX: usize = 64;

/// Cuts a picture into `columns` x `rows` regions of sky, row by row, borders on the
/// tile lattice.
///
/// A picture with fewer tiles than regions asked for gets a region per tile; one without
/// pixels gets none.
pub fn regions(width: usize, height: usize, columns: usize, rows: usize) -> Vec<Region> {
    let across = borders(width, columns);
    let down = borders(height, rows);
    down.windows(2)
        .flat_map(|y| {
            across.windows(2).map(|x| Region {
                x0: x[0],
                y0: y[0],
                x1: x[1],
                y1: y[1],
                part: Part::Sky,
            })
        })
        .collect()
}

/// Borders of `parts` parts of about equal size; fewer where there are not enough tiles.
fn borders(extent: usize, parts: usize) -> Vec<usize> {
    let tiles = extent.div_ceil(TILE_PX);
    let parts = parts.min(tiles);
    if parts == 0 {
        return Vec::new();
    }
    (0..=parts)
        .map(|part| (((part * tiles) as f64 / parts as f64).round() as usize * TILE_PX).min(extent))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_grid_covers_the_picture_once_on_the_tile_lattice() {
        for (width, height) in [(1200, 900), (5184, 3888), (385, 257), (6000, 300)] {
            let grid = regions(width, height, 6, 4);
            assert_eq!(grid.len(), 24, "{width} x {height}");
            let area: usize = grid.iter().map(|r| (r.x1 - r.x0) * (r.y1 - r.y0)).sum();
            assert_eq!(area, width * height);
            assert!(
                grid.iter()
                    .all(|r| r.x0 % TILE_PX == 0 && r.y0 % TILE_PX == 0)
            );
            assert!(grid.iter().all(|r| r.x1 > r.x0 && r.y1 > r.y0));
        }
    }

    #[test]
    fn a_small_picture_gets_a_region_per_tile() {
        assert_eq!(regions(100, 60, 6, 4).len(), 2);
        assert_eq!(regions(1, 1, 6, 4).len(), 1);
        assert_eq!(regions(0, 50, 6, 4).len(), 0);
        assert_eq!(regions(50, 50, 0, 4).len(), 0);
    }
}
