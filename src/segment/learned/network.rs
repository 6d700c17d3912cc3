//! The networks: kept in the program itself, loaded once, run on a whole picture from afar or on one tile of it.

use std::sync::OnceLock;

use crate::error::Error;
use crate::network::Network;

/// Weights and graph of the network that sees a tile; `models/README.md` says what both were trained on.
static TILE_BYTES: &[u8] = include_bytes!("../../../models/grains.onnx");
/// Weights and graph of the network that sees the whole picture from afar.
static SURROUNDINGS_BYTES: &[u8] = include_bytes!("../../../models/surroundings.onnx");

/// Maps that a tile is answered with.
pub(super) const MAPS: usize = 2;
/// Channels of a map: one for each pixel of the 2 x 2 that are answered for together.
pub(super) const MAP_CHANNELS: usize = 4;
/// Sides of a tile are multiples of this: the network halves its picture four times.
pub(super) const STEP_PX: usize = 16;
/// With the same surroundings, no answer depends on the tile further away than this. Interval arithmetic over the graph
/// gives 92 px to the left and up and 93 px to the right and down of 2 x 2 px; a test measures it.
pub(super) const REACH_PX: usize = 96;

/// Side of the blocks that a picture is reduced to before it is seen from afar.
pub(super) const BLOCK_PX: usize = 8;
/// What is known of a block: mean and standard deviation.
pub(super) const BLOCK_STATISTICS: usize = 2;
/// Sides of a picture that is seen from afar are multiples of this: its blocks are halved three times.
pub(super) const SURROUNDINGS_STEP_PX: usize = 64;
/// Side of a cell of the surroundings. [`STEP_PX`] is a multiple of it, so that every tile starts at a cell.
pub(super) const SURROUNDINGS_CELL_PX: usize = 16;
/// Channels of the surroundings.
pub(super) const SURROUNDINGS_CHANNELS: usize = 36;

/// Surroundings in a whole picture of `width` x `height` px, both multiples of [`SURROUNDINGS_STEP_PX`].
///
/// `blocks` holds a plane of means and one of standard deviations of its blocks, of standardised grey levels. The
/// surroundings are [`SURROUNDINGS_CHANNELS`] planes of cells, of no unit. The number of threads does not change a bit
/// of them.
///
/// # Errors
/// [`Error::Network`] if the network in the program is damaged.
pub(super) fn surroundings(blocks: Vec<f32>, width: usize, height: usize) -> Result<Vec<f32>, Error> {
    static NETWORK: OnceLock<Result<Network<1, 1>, String>> = OnceLock::new();
    let loaded = NETWORK.get_or_init(|| Network::load(SURROUNDINGS_BYTES, ["blocks"], ["surroundings"]));
    let network = loaded.as_ref().map_err(|why| Error::Network { why: why.clone() })?;
    let blocks = (blocks, [1, BLOCK_STATISTICS, height / BLOCK_PX, width / BLOCK_PX]);
    let [surroundings] = network.answer([blocks], [surroundings_shape(width, height)])?;
    Ok(surroundings)
}

/// What is answered for a tile.
pub(super) struct Answer {
    /// A logit for each map and pixel, in planes of half the height and half the width: pixel (2x + dx, 2y + dy) of map m
    /// stands in plane 4 m + 2 dy + dx at (x, y).
    pub maps: Vec<f32>,
    /// How far the count of boundaries falls short, for each cell: natural logarithm of true over counted.
    pub shortfall: Vec<f32>,
}

/// Answers for one tile of standardised grey levels, `height` rows of `width`, both multiples of [`STEP_PX`], with the
/// part of the picture's `surroundings` that lies under it. The number of threads does not change a bit of the answer.
///
/// # Errors
/// [`Error::Network`] if the network in the program is damaged.
pub(super) fn answer(
    tile: Vec<f32>,
    surroundings: Vec<f32>,
    width: usize,
    height: usize,
) -> Result<Answer, Error> {
    static NETWORK: OnceLock<Result<Network<2, 2>, String>> = OnceLock::new();
    let loaded =
        NETWORK.get_or_init(|| Network::load(TILE_BYTES, ["picture", "surroundings"], ["maps", "shortfall"]));
    let network = loaded.as_ref().map_err(|why| Error::Network { why: why.clone() })?;
    let inputs = [(tile, [1, 1, height, width]), (surroundings, surroundings_shape(width, height))];
    let cells = [1, 1, height / SURROUNDINGS_CELL_PX, width / SURROUNDINGS_CELL_PX];
    let [maps, shortfall] =
        network.answer(inputs, [[1, MAPS * MAP_CHANNELS, height / 2, width / 2], cells])?;
    Ok(Answer { maps, shortfall })
}

fn surroundings_shape(width: usize, height: usize) -> [usize; 4] {
    [1, SURROUNDINGS_CHANNELS, height / SURROUNDINGS_CELL_PX, width / SURROUNDINGS_CELL_PX]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::Frame;

    const SIDE: usize = 448;
    /// Two blocks of the coarsest level, so that every position within one occurs.
    const KEPT: Frame = Frame { x: 208, y: 208, width: 32, height: 32 };

    fn waves(count: usize, step: usize) -> Vec<f32> {
        (0..count).map(|i| (i * step % 31) as f32 / 10.0 - 1.5).collect()
    }

    /// Answers for [`KEPT`] on a tile of waves, with everything further than `distance` from it changed and the same
    /// surroundings.
    fn with_all_changed_beyond(distance: usize) -> Vec<u32> {
        let inside =
            |i: usize, from: usize, size: usize| (from - distance..from + size + distance).contains(&i);
        let tile = (0..SIDE * SIDE).map(|i| {
            let (x, y) = (i % SIDE, i / SIDE);
            let kept = inside(x, KEPT.x, KEPT.width) && inside(y, KEPT.y, KEPT.height);
            let wave = ((x * 7 + y * 13) % 31) as f32 / 10.0 - 1.5;
            if kept { wave } else { 40.0 * wave + 5.0 }
        });
        let cells = SIDE / SURROUNDINGS_CELL_PX;
        let surroundings = waves(SURROUNDINGS_CHANNELS * cells * cells, 5);
        let Answer { maps: logits, shortfall } = answer(tile.collect(), surroundings, SIDE, SIDE).unwrap();
        let half = SIDE / 2;
        let plane = |map: &[f32]| -> Vec<u32> {
            let rows = map.chunks(half).skip(KEPT.y / 2).take(KEPT.height / 2);
            rows.flat_map(|row| row[KEPT.x / 2..][..KEPT.width / 2].iter().map(|v| v.to_bits())).collect()
        };
        let columns = KEPT.x / SURROUNDINGS_CELL_PX..(KEPT.x + KEPT.width) / SURROUNDINGS_CELL_PX;
        let kept_cells = shortfall.chunks(cells).skip(KEPT.y / SURROUNDINGS_CELL_PX);
        let kept_cells = kept_cells.take(KEPT.height / SURROUNDINGS_CELL_PX);
        let kept_cells = kept_cells.flat_map(|row| row[columns.clone()].iter().map(|v| v.to_bits()));
        logits.chunks(half * half).flat_map(plane).chain(kept_cells).collect()
    }

    #[test]
    fn nothing_beyond_the_reach_changes_an_answer() {
        let as_it_is = with_all_changed_beyond(208);
        assert_eq!(as_it_is.len(), MAPS * MAP_CHANNELS * 16 * 16 + 2 * 2);
        assert!(with_all_changed_beyond(REACH_PX) == as_it_is);
        // The reach is not stated too large by a step either.
        assert!(with_all_changed_beyond(REACH_PX - STEP_PX) != as_it_is);
    }

    #[test]
    fn an_answer_follows_its_surroundings() {
        let (tile, cells) = (waves(64 * 64, 7), SURROUNDINGS_CHANNELS * 4 * 4);
        let with = |surroundings| answer(tile.clone(), surroundings, 64, 64).unwrap().maps;
        assert!(with(waves(cells, 5)) != with(vec![0.0; cells]));
    }

    #[test]
    fn surroundings_follow_means_and_deviations_of_blocks() {
        let plane = 16 * 8;
        let (means, deviations) = (waves(plane, 5), vec![1.0; plane]);
        let of = |means: &[f32], deviations: &[f32]| {
            let found = surroundings([means, deviations].concat(), 128, 64).unwrap();
            assert_eq!(found.len(), SURROUNDINGS_CHANNELS * 8 * 4);
            found
        };
        let found = of(&means, &deviations);
        assert!(of(&deviations, &deviations) != found && of(&means, &means) != found);
    }

    #[test]
    fn the_kept_networks_are_small() {
        let bytes = TILE_BYTES.len() + SURROUNDINGS_BYTES.len();
        assert!(bytes <= 3_000_000, "{bytes} bytes");
    }
}
