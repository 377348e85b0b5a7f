//! Nearest neighbors among points, guarded where the tree itself is not.

use kiddo::{ImmutableKdTree, SquaredEuclidean};
use std::num::NonZero;

/// Points that can be asked for their nearest; answers are indices into the list given.
pub(crate) struct Neighbors<const K: usize> {
    tree: Option<ImmutableKdTree<f64, K>>,
    indices: Vec<usize>,
}

impl<const K: usize> Neighbors<K> {
    /// Builds the tree; points that are not finite are never anyone's neighbor.
    pub(crate) fn new(points: &[[f64; K]]) -> Self {
        let finite = |i: &usize| points[*i].iter().all(|v| v.is_finite());
        let indices: Vec<usize> = (0..points.len()).filter(finite).collect();
        let kept: Vec<[f64; K]> = indices.iter().map(|&i| points[i]).collect();
        let tree = match kept.is_empty() {
            true => None,
            false => ImmutableKdTree::new_from_slice(&kept).ok(),
        };
        Self { tree, indices }
    }

    /// The nearest point within `radius`, and its distance.
    pub(crate) fn nearest(&self, at: &[f64; K], radius: f64) -> Option<(usize, f64)> {
        let tree = self
            .tree
            .as_ref()
            .filter(|_| at.iter().all(|v| v.is_finite()))?;
        let found = tree
            .query(at)
            .nearest_one::<SquaredEuclidean<f64>>()
            .execute();
        let distance = found.distance.sqrt();
        (distance <= radius).then(|| (self.indices[found.item as usize], distance))
    }

    /// The `count` nearest points, nearest first; a point finds itself, too.
    pub(crate) fn nearest_n(&self, at: &[f64; K], count: usize) -> Vec<usize> {
        let tree = self
            .tree
            .as_ref()
            .filter(|_| at.iter().all(|v| v.is_finite()));
        let (Some(tree), Some(count)) = (tree, NonZero::new(count)) else {
            return Vec::new();
        };
        tree.query(at)
            .nearest_n::<SquaredEuclidean<f64>>(count)
            .execute()
            .into_iter()
            .map(|found| self.indices[found.item as usize])
            .collect()
    }

    /// The points within `radius`, in the order of the list.
    pub(crate) fn within(&self, at: &[f64; K], radius: f64) -> Vec<usize> {
        let tree = self
            .tree
            .as_ref()
            .filter(|_| at.iter().all(|v| v.is_finite()));
        let Some(tree) = tree else {
            return Vec::new();
        };
        let mut found: Vec<usize> = tree
            .query(at)
            .within::<SquaredEuclidean<f64>>(radius * radius)
            .execute()
            .into_iter()
            .map(|found| self.indices[found.item as usize])
            .collect();
        found.sort_unstable();
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nobody_is_near_in_an_empty_or_unmeasured_field() {
        let empty = Neighbors::<2>::new(&[]);
        assert_eq!(empty.nearest(&[0.0, 0.0], 1e9), None);
        assert!(empty.within(&[0.0, 0.0], 1e9).is_empty());
        assert!(empty.nearest_n(&[0.0, 0.0], 3).is_empty());
        let lost = Neighbors::new(&[[f64::NAN, 0.0]]);
        assert_eq!(lost.nearest(&[0.0, 0.0], 1e9), None);
    }

    #[test]
    fn indices_are_those_of_the_list_despite_gaps() {
        let points = [[0.0, 0.0], [f64::NAN, 1.0], [5.0, 0.0], [6.0, 0.0]];
        let neighbors = Neighbors::new(&points);
        assert_eq!(neighbors.nearest(&[5.4, 0.0], 1.0).map(|n| n.0), Some(2));
        assert_eq!(neighbors.within(&[5.5, 0.0], 1.0), vec![2, 3]);
        assert_eq!(neighbors.nearest_n(&[6.0, 0.0], 2), vec![3, 2]);
        assert_eq!(neighbors.nearest(&[f64::NAN, 0.0], 1e9), None);
        assert_eq!(neighbors.nearest(&[50.0, 0.0], 1.0), None);
    }
}
