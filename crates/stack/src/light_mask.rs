//! What a light has not to give, kept small: a mask for every light of a long night.

use ndarray::Array2;
use raw::Rect;

/// Pixels of a light that are left out.
///
/// Kept as the columns at which each row changes, so that the mask of a ridge takes some
/// hundred kilobytes where a byte a pixel would take tens of megabytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LightMask {
    width: usize,
    /// Where the edges of each row begin, and where those of the last one end.
    row_starts: Vec<u32>,
    /// Columns at which a row changes from shown to hidden and back, ascending.
    edges: Vec<u32>,
}

impl LightMask {
    /// Hides the pixels that are set, `[row, column]`.
    pub fn new(hidden: &Array2<bool>) -> Self {
        let mut row_starts = vec![0];
        let mut edges = Vec::new();
        for row in hidden.rows() {
            let mut before = false;
            for (col, &hidden) in row.iter().enumerate() {
                if hidden != before {
                    edges.push(col as u32);
                }
                before = hidden;
            }
            row_starts.push(edges.len() as u32);
        }
        edges.shrink_to_fit();
        Self {
            width: hidden.ncols(),
            row_starts,
            edges,
        }
    }

    /// Width and height, px.
    pub fn size(&self) -> (usize, usize) {
        (self.width, self.row_starts.len() - 1)
    }

    /// Whether a pixel is left out; outside of the light everything is.
    pub fn hides(&self, row: usize, col: usize) -> bool {
        if col >= self.width || row + 1 >= self.row_starts.len() {
            return true;
        }
        let edges = self.row(row);
        edges.partition_point(|&edge| edge as usize <= col) % 2 == 1
    }

    /// Whether all pixels of a rectangle are left out, or none; `None` where some are.
    ///
    /// - `area`: within the light, not empty.
    pub(crate) fn hides_all(&self, area: &Rect) -> Option<bool> {
        let first = self.hides(area.y0, area.x0);
        let in_row = |row: usize| {
            let edges = self.row(row);
            let before = edges.partition_point(|&edge| edge as usize <= area.x0);
            let next = edges.get(before).map_or(self.width, |&edge| edge as usize);
            (before % 2 == 1) == first && next >= area.x1
        };
        (area.y0..area.y1).all(in_row).then_some(first)
    }

    /// Number of the pixels that are left out.
    pub fn count(&self) -> usize {
        let (width, height) = self.size();
        let in_row = |row: usize| -> usize {
            let ends = |run: &[u32]| run.get(1).map_or(width, |&end| end as usize);
            let runs = self.row(row).chunks(2);
            runs.map(|run| ends(run) - run[0] as usize).sum()
        };
        (0..height).map(in_row).sum()
    }

    fn row(&self, row: usize) -> &[u32] {
        &self.edges[self.row_starts[row] as usize..self.row_starts[row + 1] as usize]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::s;

    #[test]
    fn it_hides_what_the_array_does_and_all_beyond() {
        let pictures = [
            Array2::from_shape_fn((9, 13), |(row, col)| (row * 5 + col * 3) % 7 < 3),
            Array2::from_elem((3, 4), true),
            Array2::from_elem((3, 4), false),
            Array2::from_elem((0, 0), false),
        ];
        for hidden in pictures {
            let mask = LightMask::new(&hidden);
            assert_eq!(mask.size(), (hidden.ncols(), hidden.nrows()));
            for row in 0..hidden.nrows() + 2 {
                for col in 0..hidden.ncols() + 2 {
                    let want = hidden.get((row, col)).copied().unwrap_or(true);
                    assert_eq!(mask.hides(row, col), want, "{row} {col}");
                }
            }
            for area in Rect::of_size(hidden.ncols(), hidden.nrows()).tiles(3) {
                let part = hidden.slice(s![area.y0..area.y1, area.x0..area.x1]);
                let all = |hidden: bool| part.iter().all(|&set| set == hidden);
                let want = all(true).then_some(true).or(all(false).then_some(false));
                assert_eq!(mask.hides_all(&area), want, "{area:?}");
            }
            let set = hidden.iter().filter(|&&set| set).count();
            assert_eq!(mask.count(), set);
        }
    }
}
