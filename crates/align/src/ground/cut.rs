//! The labeling of a grid in two parts that costs least: a minimum cut.
//!
//! Maximum flow by two search trees that are kept from path to path (Boykov and
//! Kolmogorov 2004, IEEE PAMI 26, 1124), on a grid of four neighbors. Capacities are
//! integers, so that the result is exact and the same on every machine.

use std::collections::VecDeque;

/// A grid whose cells are to be told apart.
pub(super) struct Grid {
    pub columns: usize,
    pub rows: usize,
    /// Cost of labeling a cell 0 rather than 1: positive pulls towards 1.
    pub pull: Vec<i32>,
    /// Cost of labeling a cell and its right neighbor differently; not negative.
    pub right: Vec<i32>,
    /// The same for the neighbor below.
    pub below: Vec<i32>,
}

const RIGHT: usize = 0;
const LEFT: usize = 1;
const BELOW: usize = 2;
const ABOVE: usize = 3;
const DIRECTIONS: [usize; 4] = [RIGHT, LEFT, BELOW, ABOVE];
const OPPOSITE: [usize; 4] = [LEFT, RIGHT, ABOVE, BELOW];

#[derive(Clone, Copy, PartialEq, Eq)]
enum Tree {
    Free,
    Source,
    Sink,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Parent {
    None,
    Terminal,
    Towards(usize),
}

struct Flow {
    columns: usize,
    n: usize,
    /// What can still flow from a cell to its neighbor in each direction.
    residual: [Vec<i32>; 4],
    /// What can still flow from the source (positive) or to the sink (negative).
    terminal: Vec<i32>,
    tree: Vec<Tree>,
    parent: Vec<Parent>,
    active: VecDeque<usize>,
    orphans: VecDeque<usize>,
}

/// The cheapest labels, row by row: `true` for 1.
pub(super) fn cut(grid: &Grid) -> Vec<bool> {
    let mut flow = Flow::new(grid);
    while let Some(meeting) = flow.grow() {
        flow.augment(meeting);
        flow.adopt();
    }
    flow.tree.iter().map(|&tree| tree == Tree::Source).collect()
}

impl Flow {
    fn new(grid: &Grid) -> Self {
        let n = grid.columns * grid.rows;
        let mut residual = [(); 4].map(|()| vec![0; n]);
        for cell in 0..n {
            if cell % grid.columns + 1 < grid.columns {
                residual[RIGHT][cell] = grid.right[cell];
                residual[LEFT][cell + 1] = grid.right[cell];
            }
            if cell + grid.columns < n {
                residual[BELOW][cell] = grid.below[cell];
                residual[ABOVE][cell + grid.columns] = grid.below[cell];
            }
        }
        let tree = |&pull: &i32| match pull {
            1.. => Tree::Source,
            0 => Tree::Free,
            _ => Tree::Sink,
        };
        let parent = |&pull: &i32| match pull {
            0 => Parent::None,
            _ => Parent::Terminal,
        };
        Self {
            columns: grid.columns,
            n,
            residual,
            terminal: grid.pull.clone(),
            tree: grid.pull.iter().map(tree).collect(),
            parent: grid.pull.iter().map(parent).collect(),
            active: (0..n).filter(|&cell| grid.pull[cell] != 0).collect(),
            orphans: VecDeque::new(),
        }
    }

    fn neighbor(&self, cell: usize, direction: usize) -> Option<usize> {
        match direction {
            RIGHT => (!(cell + 1).is_multiple_of(self.columns)).then_some(cell + 1),
            LEFT => (!cell.is_multiple_of(self.columns)).then(|| cell - 1),
            BELOW => (cell + self.columns < self.n).then_some(cell + self.columns),
            _ => cell.checked_sub(self.columns),
        }
    }

    /// What can flow between a cell and its neighbor, away from the tree's terminal.
    fn onward(&self, cell: usize, direction: usize, neighbor: usize) -> i32 {
        match self.tree[cell] {
            Tree::Source => self.residual[direction][cell],
            _ => self.residual[OPPOSITE[direction]][neighbor],
        }
    }

    /// Grows both trees until they meet: the source's cell there and the way to the sink's.
    fn grow(&mut self) -> Option<(usize, usize)> {
        while let Some(&cell) = self.active.front() {
            if self.tree[cell] == Tree::Free {
                self.active.pop_front();
                continue;
            }
            for direction in DIRECTIONS {
                let Some(next) = self.neighbor(cell, direction) else {
                    continue;
                };
                if self.onward(cell, direction, next) <= 0 {
                    continue;
                }
                if self.tree[next] == Tree::Free {
                    self.tree[next] = self.tree[cell];
                    self.parent[next] = Parent::Towards(OPPOSITE[direction]);
                    self.active.push_back(next);
                } else if self.tree[next] != self.tree[cell] {
                    return Some(match self.tree[cell] {
                        Tree::Source => (cell, direction),
                        _ => (next, OPPOSITE[direction]),
                    });
                }
            }
            self.active.pop_front();
        }
        None
    }

    /// Sends what the way through the meeting carries; cells cut off become orphans.
    fn augment(&mut self, (from, direction): (usize, usize)) {
        let to = self.neighbor(from, direction).expect("trees meet inside");
        let mut most = self.residual[direction][from];
        for end in [from, to] {
            let mut cell = end;
            while let Parent::Towards(up) = self.parent[cell] {
                let next = self.neighbor(cell, up).expect("parents lie inside");
                // Towards a cell of the source's tree, away from one of the sink's.
                most = most.min(match self.tree[cell] {
                    Tree::Source => self.residual[OPPOSITE[up]][next],
                    _ => self.residual[up][cell],
                });
                cell = next;
            }
            most = most.min(self.terminal[cell].abs());
        }
        self.residual[direction][from] -= most;
        self.residual[OPPOSITE[direction]][to] += most;
        for end in [from, to] {
            let mut cell = end;
            while let Parent::Towards(up) = self.parent[cell] {
                let next = self.neighbor(cell, up).expect("parents lie inside");
                let left = match self.tree[cell] {
                    Tree::Source => {
                        self.residual[up][cell] += most;
                        self.residual[OPPOSITE[up]][next] -= most;
                        self.residual[OPPOSITE[up]][next]
                    }
                    _ => {
                        self.residual[OPPOSITE[up]][next] += most;
                        self.residual[up][cell] -= most;
                        self.residual[up][cell]
                    }
                };
                if left == 0 {
                    self.parent[cell] = Parent::None;
                    self.orphans.push_back(cell);
                }
                cell = next;
            }
            self.terminal[cell] -= most * self.terminal[cell].signum();
            if self.terminal[cell] == 0 {
                self.parent[cell] = Parent::None;
                self.orphans.push_back(cell);
            }
        }
    }

    /// Finds orphans new parents, or sets them free.
    fn adopt(&mut self) {
        while let Some(cell) = self.orphans.pop_front() {
            let own = self.tree[cell];
            let parent = DIRECTIONS.into_iter().find(|&direction| {
                self.neighbor(cell, direction).is_some_and(|next| {
                    self.tree[next] == own
                        && self.onward(next, OPPOSITE[direction], cell) > 0
                        && self.is_rooted(next)
                })
            });
            if let Some(direction) = parent {
                self.parent[cell] = Parent::Towards(direction);
                continue;
            }
            for direction in DIRECTIONS {
                let Some(next) = self.neighbor(cell, direction) else {
                    continue;
                };
                if self.tree[next] != own {
                    continue;
                }
                if self.onward(next, OPPOSITE[direction], cell) > 0 {
                    self.active.push_back(next);
                }
                if self.parent[next] == Parent::Towards(OPPOSITE[direction]) {
                    self.parent[next] = Parent::None;
                    self.orphans.push_back(next);
                }
            }
            self.tree[cell] = Tree::Free;
        }
    }

    fn is_rooted(&self, cell: usize) -> bool {
        let mut cell = cell;
        loop {
            match self.parent[cell] {
                Parent::Terminal => return true,
                Parent::None => return false,
                Parent::Towards(up) => {
                    cell = self.neighbor(cell, up).expect("parents lie inside");
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};

    fn cost(grid: &Grid, labels: &[bool]) -> i64 {
        let mut cost = 0;
        for cell in 0..labels.len() {
            let pull = i64::from(grid.pull[cell]);
            cost += if labels[cell] {
                (-pull).max(0)
            } else {
                pull.max(0)
            };
            if cell % grid.columns + 1 < grid.columns && labels[cell] != labels[cell + 1] {
                cost += i64::from(grid.right[cell]);
            }
            if cell + grid.columns < labels.len() && labels[cell] != labels[cell + grid.columns] {
                cost += i64::from(grid.below[cell]);
            }
        }
        cost
    }

    #[test]
    fn no_labeling_of_a_small_grid_costs_less() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        for _ in 0..200 {
            let (columns, rows) = (4, 3);
            let n = columns * rows;
            let mut values = |low: i32, high: i32| -> Vec<i32> {
                (0..n).map(|_| random.random_range(low..=high)).collect()
            };
            let grid = Grid {
                columns,
                rows,
                pull: values(-9, 9),
                right: values(0, 6),
                below: values(0, 6),
            };
            let least = (0..1_u32 << n)
                .map(|bits| {
                    let labels: Vec<bool> = (0..n).map(|i| bits >> i & 1 == 1).collect();
                    cost(&grid, &labels)
                })
                .min();
            assert_eq!(Some(cost(&grid, &cut(&grid))), least);
        }
    }

    #[test]
    fn a_noisy_half_is_cut_along_its_edge() {
        let (columns, rows) = (60, 40);
        let n = columns * rows;
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(6);
        let pull = (0..n)
            .map(|cell| {
                let sign = if cell / columns < 25 { 1 } else { -1 };
                sign * 4 + random.random_range(-9..=9)
            })
            .collect();
        let grid = Grid {
            columns,
            rows,
            pull,
            right: vec![12; n],
            below: vec![12; n],
        };
        let labels = cut(&grid);
        let wrong = (0..n).filter(|&cell| labels[cell] != (cell / columns < 25));
        assert!(wrong.count() < n / 200);
    }

    #[test]
    fn a_grid_without_cells_has_no_labels() {
        let grid = Grid {
            columns: 0,
            rows: 0,
            pull: Vec::new(),
            right: Vec::new(),
            below: Vec::new(),
        };
        assert!(cut(&grid).is_empty());
    }
}
