//! The half-stacks of a job, kept beside its noise.

use ndarray::{Array2, s};
use noise::{NoiseObserver, TileNoise};
use raw::Rect;
use stack::{TileObserver, TileSamples};

/// Half-stacks of lights taken in turn, `[half][channel]`, DN on the stack's scale.
pub type Halves = [Vec<Array2<f32>>; 2];

/// Measures noise and, when asked to, keeps the half-stacks.
pub(crate) struct HalfKeeper {
    pub(crate) noise: NoiseObserver,
    pub(crate) keep: bool,
}

/// What is kept of a tile.
pub(crate) struct KeptTile {
    pub(crate) noise: TileNoise,
    channel: usize,
    area: Rect,
    halves: Option<[Vec<f32>; 2]>,
}

impl TileObserver for HalfKeeper {
    type Summary = KeptTile;

    fn observe(&self, tile: &TileSamples<'_>) -> KeptTile {
        // Lights taken in turn come first.
        let halves = &tile.halves[0];
        KeptTile {
            noise: self.noise.observe(tile),
            channel: tile.channel,
            area: tile.area,
            halves: self.keep.then(|| [halves[0].to_vec(), halves[1].to_vec()]),
        }
    }
}

/// Puts the tiles together: their noise, and the half-stacks when they were kept.
pub(crate) fn join(
    tiles: Vec<KeptTile>,
    n_channels: usize,
    (width, height): (usize, usize),
) -> (Vec<TileNoise>, Option<Halves>) {
    let kept = tiles.iter().any(|tile| tile.halves.is_some());
    let empty = || vec![Array2::from_elem((height, width), f32::NAN); n_channels];
    let mut halves = kept.then(|| [empty(), empty()]);
    let mut noise = Vec::with_capacity(tiles.len());
    for tile in tiles {
        let area = tile.area;
        for (whole, part) in halves
            .iter_mut()
            .flatten()
            .zip(tile.halves.into_iter().flatten())
        {
            let part = Array2::from_shape_vec((area.height(), area.width()), part)
                .expect("a value for every pixel of the tile");
            whole[tile.channel]
                .slice_mut(s![area.y0..area.y1, area.x0..area.x1])
                .assign(&part);
        }
        noise.push(tile.noise);
    }
    (noise, halves)
}
