//! The channels of a picture, and values by channel.

use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A channel of the picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Channel {
    /// Red.
    R,
    /// Green.
    G,
    /// Blue.
    B,
    /// The only channel of a monochrome picture.
    L,
}

/// A value for every channel, in the order R, G, B or L.
pub type ByChannel<T> = BTreeMap<Channel, T>;
