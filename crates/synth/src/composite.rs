//! What a camera makes of shots between which its sensor was moved.

use crate::SensorShift;
use ndarray::Array2;
use raw::{Channel, Mosaic};

/// A picture with all colors measured at every place.
#[derive(Clone, Debug, PartialEq)]
pub struct Composite {
    /// R, G and B. Of four shots one plane has a pixel for every photosite but those of the
    /// first row and column; of eight it has twice as many along either side.
    pub planes: [Array2<u16>; 3],
    /// Number recorded without light, DN.
    pub black_dn: u16,
    /// Number of a saturated photosite, DN.
    pub white_dn: u16,
}

impl Composite {
    /// Puts the shots of one [`SensorShift`] together; `None` when it has none, when there
    /// are too few of them, or when they are smaller than two photosites.
    ///
    /// Every place takes the mean, rounded, of the shots that saw it through the filter.
    /// The second four of eight shots stand half a photosite to the right and down; the
    /// places between both take the mean of their four neighbors.
    pub fn of(shots: &[Mosaic], shift: SensorShift) -> Option<Self> {
        let first = shots.first()?;
        let (width, height) = first.size();
        if shift == SensorShift::None || shots.len() < shift.shots() || width < 2 || height < 2 {
            return None;
        }
        let full = full_color(&shots[..4], SensorShift::Four);
        let planes = match shift {
            SensorShift::Eight => {
                let between = full_color(&shots[4..8], SensorShift::Four);
                [0, 1, 2].map(|channel| interleave(&full[channel], &between[channel]))
            }
            _ => full,
        };
        Some(Self {
            planes,
            black_dn: first.black_level_dn.at(0, 0) as u16,
            white_dn: first.white_level_dn.at(0, 0) as u16,
        })
    }
}

/// R, G and B of four shots around a square of one photosite.
fn full_color(shots: &[Mosaic], square: SensorShift) -> [Array2<u16>; 3] {
    let (width, height) = shots[0].size();
    [Channel::R, Channel::G, Channel::B].map(|channel| {
        Array2::from_shape_fn((height - 1, width - 1), |(row, col)| {
            let (mut sum, mut n) = (0u32, 0);
            for (index, shot) in shots.iter().enumerate() {
                // A place that stood still is further left and up on a sensor moved right and down.
                let [dx, dy] = square.offset_px(index).map(|step| step as usize);
                let (row, col) = (row + 1 - dy, col + 1 - dx);
                if shot.cfa.at(row, col) == channel {
                    sum += u32::from(shot.data[[row, col]]);
                    n += 1;
                }
            }
            (sum + n / 2).checked_div(n).unwrap_or(0) as u16
        })
    })
}

/// A grid of half the pitch from one at its even places and one at its odd ones.
fn interleave(even: &Array2<u16>, odd: &Array2<u16>) -> Array2<u16> {
    let (height, width) = even.dim();
    Array2::from_shape_fn((2 * height, 2 * width), |(row, col)| {
        let (y, x) = (row / 2, col / 2);
        let at = |plane: &Array2<u16>, y: usize, x: usize| u32::from(plane[[y, x]]);
        let mean = match (row % 2, col % 2) {
            (0, 0) => return even[[y, x]],
            (1, 1) => return odd[[y, x]],
            (0, _) => {
                at(even, y, x)
                    + at(even, y, (x + 1).min(width - 1))
                    + at(odd, y, x)
                    + at(odd, y.saturating_sub(1), x)
            }
            _ => {
                at(even, y, x)
                    + at(even, (y + 1).min(height - 1), x)
                    + at(odd, y, x)
                    + at(odd, y, x.saturating_sub(1))
            }
        };
        ((mean + 2) / 4) as u16
    })
}
