//! A picture made tile by tile, in parallel, and put together by whole rows of tiles.

use crate::combine::TileStack;
use crate::{Stack, StackError, StoredStack, TILE_PX};
use ndarray::{Array2, Array3, s};
use raw::Rect;
use rayon::prelude::*;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Every channel of a tile, and what an observer saw of it.
pub(crate) type FinishedTile<S> = Vec<(TileStack, S)>;

/// Makes a picture tile by tile, in parallel: a batch of whole rows of tiles at a time, so
/// that only a batch of finished tiles waits in memory.
///
/// - `tile`: makes every channel of a tile; what it keeps in its scratch changes no bit.
/// - `into`: the picture.
pub(crate) fn in_tiles<W: Default, S: Send, F>(
    tile_px: usize,
    tile: F,
    progress: &(dyn Fn(usize, usize) + Sync),
    into: &mut StoredStack,
) -> Result<Vec<S>, StackError>
where
    F: Fn(&Rect, &mut W) -> Result<FinishedTile<S>, StackError> + Sync,
{
    let (channels, height, width) = into.shape();
    let tiles = Rect::of_size(width, height).tiles(tile_px);
    let across = width.div_ceil(tile_px).max(1);
    let done = AtomicUsize::new(0);
    let mut summaries = Vec::with_capacity(tiles.len() * channels);
    let in_batch = across * rows_of_tiles(across, rayon::current_num_threads());
    for batch in tiles.chunks(in_batch) {
        let finished: Result<Vec<_>, StackError> = batch
            .par_iter()
            .map_init(W::default, |scratch, area| {
                let finished = tile(area, scratch)?;
                progress(done.fetch_add(1, Ordering::Relaxed) + 1, tiles.len());
                Ok(finished)
            })
            .collect();
        let (top, bottom) = (batch[0].y0, batch[batch.len() - 1].y1);
        let mut rows = Stack::zeros((channels, bottom - top, width));
        for (area, finished) in batch.iter().zip(finished?) {
            for (channel, (part, summary)) in finished.into_iter().enumerate() {
                rows.place(channel, area, top, part);
                summaries.push(summary);
            }
        }
        into.put_rows(top, &rows)?;
    }
    Ok(summaries)
}

/// Rows of a picture that are finished before they are put into the result: whole rows of
/// tiles, enough of them to keep the threads busy.
pub fn batch_rows(width: usize, threads: usize) -> usize {
    TILE_PX * rows_of_tiles(width.div_ceil(TILE_PX), threads)
}

fn rows_of_tiles(across: usize, threads: usize) -> usize {
    const FEWEST: usize = 64;
    const FOR_EACH_THREAD: usize = 8;
    let tiles = FEWEST.max(FOR_EACH_THREAD * threads);
    tiles.div_ceil(across.max(1))
}

impl Stack {
    /// A stack without a sample.
    ///
    /// - `shape`: channels, rows, columns.
    pub(crate) fn zeros(shape: (usize, usize, usize)) -> Self {
        Self {
            mean: Array3::zeros(shape),
            variance: Array3::zeros(shape),
            weight: Array3::zeros(shape),
            rejected: Array3::zeros(shape),
        }
    }

    /// Puts a tile in its place, `top` rows up.
    fn place(&mut self, channel: usize, tile: &Rect, top: usize, part: TileStack) {
        let area = s![channel, tile.y0 - top..tile.y1 - top, tile.x0..tile.x1];
        let shaped = |values: Vec<f32>| {
            Array2::from_shape_vec((tile.height(), tile.width()), values).expect("a whole tile")
        };
        self.mean.slice_mut(area).assign(&shaped(part.mean));
        self.variance.slice_mut(area).assign(&shaped(part.variance));
        self.weight.slice_mut(area).assign(&shaped(part.weight));
        let rejected = Array2::from_shape_vec((tile.height(), tile.width()), part.rejected);
        self.rejected
            .slice_mut(area)
            .assign(&rejected.expect("a whole tile"));
    }
}
