//! What the sensor recorded: values, color filter array, levels.

use crate::Rect;
use ndarray::Array2;

/// The color a photosite sees, and the plane of a picture it ends up in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Channel {
    /// Red.
    R,
    /// Green; both greens of a Bayer array.
    G,
    /// Blue.
    B,
    /// No filter: a monochrome sensor.
    Mono,
}

impl Channel {
    /// The letter used in reports: `R`, `G`, `B`, or `L` for monochrome.
    pub fn letter(self) -> &'static str {
        match self {
            Self::R => "R",
            Self::G => "G",
            Self::B => "B",
            Self::Mono => "L",
        }
    }
}

/// Values that repeat over the sensor with a small period: filters, black levels.
///
/// ```text
///         col 0  col 1            site (row, col) has the value at
/// row 0     R      G              (row mod height, col mod width)
/// row 1     G      B
/// ```
#[derive(Clone, Debug, PartialEq)]
pub struct SitePattern<T> {
    width: usize,
    height: usize,
    values: Vec<T>,
}

impl<T: Copy> SitePattern<T> {
    /// A pattern `width` sites wide, `values` row by row.
    ///
    /// `None` when `values` is empty or does not fill whole rows.
    pub fn new(width: usize, values: Vec<T>) -> Option<Self> {
        let whole_rows = width > 0 && !values.is_empty() && values.len().is_multiple_of(width);
        whole_rows.then(|| Self {
            width,
            height: values.len() / width,
            values,
        })
    }

    /// The same value at every site.
    pub fn uniform(value: T) -> Self {
        Self {
            width: 1,
            height: 1,
            values: vec![value],
        }
    }

    /// Sites after which the pattern repeats to the right.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Sites after which the pattern repeats downwards.
    pub fn height(&self) -> usize {
        self.height
    }

    /// The values of one period, row by row.
    pub fn values(&self) -> &[T] {
        &self.values
    }

    /// The value at a site.
    #[inline]
    pub fn at(&self, row: usize, col: usize) -> T {
        self.values[wrap(row, self.height) * self.width + wrap(col, self.width)]
    }

    /// The pattern as seen from a crop whose first pixel was at `(row, col)`.
    pub fn shifted(&self, row: usize, col: usize) -> Self {
        let values = (0..self.values.len())
            .map(|i| self.at(row + i / self.width, col + i % self.width))
            .collect();
        Self { values, ..*self }
    }

    /// The pattern with every value replaced by `f` of it.
    pub fn map<U>(&self, f: impl FnMut(T) -> U) -> SitePattern<U> {
        SitePattern {
            width: self.width,
            height: self.height,
            values: self.values.iter().copied().map(f).collect(),
        }
    }
}

/// The rest of a division by a pattern's extent, which is nearly always a power of two: a
/// division at every photosite would be the slowest part of most loops over them.
#[inline]
fn wrap(i: usize, extent: usize) -> usize {
    if extent.is_power_of_two() {
        i & (extent - 1)
    } else {
        i % extent
    }
}

/// Color filter array, its phase that of the active area's first pixel.
pub type Cfa = SitePattern<Channel>;

impl Cfa {
    /// A sensor without filters.
    pub fn mono() -> Self {
        Self::uniform(Channel::Mono)
    }

    /// A 2 x 2 Bayer array by its letters in reading order, such as `RGGB`.
    ///
    /// `None` for anything but two G, one R and one B with the greens on a diagonal.
    pub fn bayer(letters: &str) -> Option<Self> {
        let channels: Option<Vec<_>> = letters
            .chars()
            .map(|letter| match letter.to_ascii_uppercase() {
                'R' => Some(Channel::R),
                'G' => Some(Channel::G),
                'B' => Some(Channel::B),
                _ => None,
            })
            .collect();
        let cfa = Self::new(2, channels?)?;
        cfa.is_bayer().then_some(cfa)
    }

    /// Whether this is a 2 x 2 array with the greens on a diagonal.
    pub fn is_bayer(&self) -> bool {
        use Channel::{B, G, R};
        self.width == 2
            && matches!(
                self.values[..],
                [R, G, G, B] | [B, G, G, R] | [G, R, B, G] | [G, B, R, G]
            )
    }

    /// The planes a picture from this sensor has, in order: `R, G, B`, or `Mono`.
    pub fn channels(&self) -> &'static [Channel] {
        if self.values.contains(&Channel::Mono) {
            &[Channel::Mono]
        } else {
            &[Channel::R, Channel::G, Channel::B]
        }
    }
}

/// The active area of a sensor as it was recorded.
#[derive(Clone, Debug, PartialEq)]
pub struct Mosaic {
    /// Recorded values, DN, black level included, `[row, column]` of the active area.
    pub data: Array2<u16>,
    /// Filters, phased to the active area.
    pub cfa: Cfa,
    /// Black level at each site, DN, phased to the active area.
    pub black_level_dn: SitePattern<f32>,
    /// Value at which a site is saturated, DN, black level included.
    pub white_level_dn: SitePattern<f32>,
    /// Where the active area stood in the decoded sensor frame.
    pub active_area: Rect,
}

impl Mosaic {
    /// Width and height of the active area, px.
    pub fn size(&self) -> (usize, usize) {
        (self.data.ncols(), self.data.nrows())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_odd_crop_shifts_the_bayer_phase() {
        let rggb = Cfa::bayer("RGGB").expect("a Bayer array");
        assert_eq!(
            rggb.shifted(0, 1),
            Cfa::bayer("GRBG").expect("a Bayer array")
        );
        assert_eq!(
            rggb.shifted(1, 0),
            Cfa::bayer("GBRG").expect("a Bayer array")
        );
        assert_eq!(
            rggb.shifted(1, 1),
            Cfa::bayer("BGGR").expect("a Bayer array")
        );
        assert_eq!(rggb.shifted(2, 4), rggb);
    }

    #[test]
    fn what_is_no_bayer_array_is_refused() {
        for letters in ["", "RGB", "RRGB", "RGBG", "GGRB", "RGGX", "RGGBRGGB"] {
            assert_eq!(Cfa::bayer(letters), None, "{letters}");
        }
    }
}
