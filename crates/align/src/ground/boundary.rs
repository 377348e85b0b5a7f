//! The pixels of a mask that lie at its edge.

use ndarray::Array2;

/// `(row, column)` of the pixels that are set and have one beside them that is not, in
/// reading order; the border of the picture is no edge.
pub fn boundary(mask: &Array2<bool>) -> impl Iterator<Item = (usize, usize)> {
    let open = |at: (usize, usize)| mask.get(at).is_some_and(|set| !set);
    let set = mask.indexed_iter().filter(|(_, set)| **set);
    set.map(|(at, _)| at).filter(move |&(row, col)| {
        [
            (row.wrapping_sub(1), col),
            (row + 1, col),
            (row, col.wrapping_sub(1)),
            (row, col + 1),
        ]
        .into_iter()
        .any(open)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_edge_is_beside_what_is_not_set_and_not_the_border() {
        let mask = Array2::from_shape_fn((4, 5), |(row, _)| row >= 1);
        let edge: Vec<_> = boundary(&mask).collect();
        assert_eq!(edge, [(1, 0), (1, 1), (1, 2), (1, 3), (1, 4)]);
        for set in [true, false] {
            assert_eq!(boundary(&Array2::from_elem((3, 3), set)).count(), 0);
        }
        assert_eq!(boundary(&Array2::from_elem((0, 0), true)).count(), 0);
    }
}
