//! The pictures of a page, as files within the file.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;

/// A picture, turned upright.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Picture {
    /// The bytes of a PNG file.
    pub png: Vec<u8>,
    /// Width, px.
    pub width: u32,
    /// Height, px.
    pub height: u32,
}

impl Picture {
    /// As a page holds it.
    pub(super) fn data(&self) -> String {
        format!("data:image/png;base64,{}", STANDARD.encode(&self.png))
    }
}

/// What a report's page shows besides figures.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Pictures {
    /// The whole stack; `None` leaves the maps without a picture.
    pub whole: Option<Picture>,
    /// Width and height of the reference as it lies on the sensor, px: what the report's
    /// places are about.
    pub size: (u32, u32),
    /// EXIF orientation, 1 to 8; anything else is taken as 1.
    pub orientation: u8,
    /// Close looks.
    pub spots: Vec<Spot>,
}

/// One place in a single frame and in the stack, both drawn by one curve.
#[derive(Clone, Debug, PartialEq)]
pub struct Spot {
    /// Why it is worth a look.
    pub kind: SpotKind,
    /// The frame that the others are aligned to.
    pub frame: Picture,
    /// The stack.
    pub stack: Picture,
}

/// One place in all results of a comparison, drawn by one curve at one size.
#[derive(Clone, Debug, PartialEq)]
pub struct ComparedSpot {
    /// Why it is worth a look.
    pub kind: SpotKind,
    /// By result, in their order.
    pub results: Vec<Picture>,
}

/// What makes a place worth a look.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SpotKind {
    /// The darkest sky away from the borders.
    DarkSky,
    /// Where the sky itself varies most.
    Detail,
    /// A corner.
    Corner,
    /// Where ground meets sky.
    GroundEdge,
    /// The middle of the field.
    Center,
}

impl SpotKind {
    pub(super) fn title(self) -> &'static str {
        match self {
            Self::DarkSky => "Dark sky",
            Self::Detail => "Detail in the sky",
            Self::Corner => "Corner",
            Self::GroundEdge => "Edge of the ground",
            Self::Center => "Center",
        }
    }

    pub(super) fn why(self) -> &'static str {
        match self {
            Self::DarkSky => "The darkest sky away from the borders: noise shows most here.",
            Self::Detail => {
                "Where the sky itself varies most, as in the Milky Way: what the stack brings out."
            }
            Self::Corner => "Where lens and alignment have the hardest work.",
            Self::GroundEdge => {
                "Where what stands still meets what turns: the join should not show. Drawn by a \
                 curve of its own, whose black lies below the ground, so that both sides of the \
                 join are seen; its noise does not compare with that of the other places."
            }
            Self::Center => "The middle of the field, for comparison with the corner.",
        }
    }
}
