//! The brightest of every part of a frame: enough of a rich field to place it by.

/// Columns and rows of the grid each of whose cells keeps its brightest.
const CELLS: (usize, usize) = (12, 8);

/// Keeps the brightest of every part of a frame, `enough` in all, where there are more.
///
/// - `found`: brightest first; they stay in that order.
/// - `place`: column and row of one, px.
/// - `size`: width and height of the frame, px.
pub(crate) fn keep_brightest_everywhere<T>(
    found: &mut Vec<T>,
    enough: usize,
    size: (usize, usize),
    place: impl Fn(&T) -> (usize, usize),
) {
    if found.len() <= enough {
        return;
    }
    let of_a_cell = enough.div_ceil(CELLS.0 * CELLS.1);
    let mut kept = [0; CELLS.0 * CELLS.1];
    found.retain(|one| {
        let (col, row) = place(one);
        let column = (col * CELLS.0 / size.0).min(CELLS.0 - 1);
        let kept = &mut kept[(row * CELLS.1 / size.1).min(CELLS.1 - 1) * CELLS.0 + column];
        *kept += 1;
        *kept <= of_a_cell
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: (usize, usize) = (1200, 800);

    /// Places all over the frame, more of them to the right.
    fn field(n: usize) -> Vec<(usize, usize)> {
        let share = |i: usize, step: f64| (i as f64 * step).fract();
        let place = |i: usize| {
            let x = share(i, 0.618_033_988_749_895).sqrt() * SIZE.0 as f64;
            let y = share(i, 0.754_877_666_246_693) * SIZE.1 as f64;
            (x as usize, y as usize)
        };
        (0..n).map(place).collect()
    }

    #[test]
    fn a_field_that_is_not_rich_stays_whole() {
        let mut found = field(960);
        keep_brightest_everywhere(&mut found, 960, SIZE, |&at| at);
        assert_eq!(found, field(960));
    }

    #[test]
    fn every_part_keeps_its_brightest_in_order() {
        let all = field(40_000);
        let mut found = all.clone();
        keep_brightest_everywhere(&mut found, 960, SIZE, |&at| at);
        assert_eq!(found.len(), 960);
        let inside = |at: &&(usize, usize)| (500..600).contains(&at.0) && at.1 < 100;
        let kept: Vec<_> = found.iter().filter(inside).collect();
        let brightest: Vec<_> = all.iter().filter(inside).take(10).collect();
        assert_eq!(kept, brightest);
    }
}
