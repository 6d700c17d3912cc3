//! The network: kept in the program itself, loaded once, run on one tile.

use std::sync::OnceLock;

use crate::error::Error;
use crate::network::Network;

/// Weights and graph; `models/README.md` says what they were trained on.
static BYTES: &[u8] = include_bytes!("../../../models/grains.onnx");

/// Maps that the network answers with.
pub(super) const MAPS: usize = 2;
/// Channels of a map: the network answers for blocks of 2 x 2 px, one channel for each pixel of the block.
pub(super) const BLOCK_CHANNELS: usize = 4;
/// Sides of a tile are multiples of this: the network halves its picture four times.
pub(super) const STEP_PX: usize = 16;
/// No answer depends on the picture further away than this. Interval arithmetic over the graph gives 92 px to the left
/// and up and 93 px to the right and down of a block; a test measures it.
pub(super) const REACH_PX: usize = 96;

/// Answers for one tile of standardised grey levels, `height` rows of `width`, both multiples of [`STEP_PX`].
///
/// The answer is a logit for each map and pixel, in planes of half the height and half the width: pixel (2x + dx, 2y + dy)
/// of map m stands in plane 4 m + 2 dy + dx at (x, y). The number of threads does not change a bit of the answer.
///
/// # Errors
/// [`Error::Network`] if the network in the program is damaged.
pub(super) fn answer(tile: Vec<f32>, width: usize, height: usize) -> Result<Vec<f32>, Error> {
    static NETWORK: OnceLock<Result<Network, String>> = OnceLock::new();
    let loaded = NETWORK.get_or_init(|| Network::load(BYTES, "picture", "maps"));
    let network = loaded.as_ref().map_err(|why| Error::Network { why: why.clone() })?;
    network.answer(tile, [1, 1, height, width], [1, MAPS * BLOCK_CHANNELS, height / 2, width / 2])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::Frame;

    const SIDE: usize = 448;
    /// Two blocks of the coarsest level, so that every position within one occurs.
    const KEPT: Frame = Frame { x: 208, y: 208, width: 32, height: 32 };

    /// Answers for [`KEPT`] on a picture of waves, with everything further than `distance` from it changed.
    fn with_surroundings_changed_beyond(distance: usize) -> Vec<u32> {
        let inside =
            |i: usize, from: usize, size: usize| (from - distance..from + size + distance).contains(&i);
        let tile = (0..SIDE * SIDE).map(|i| {
            let (x, y) = (i % SIDE, i / SIDE);
            let kept = inside(x, KEPT.x, KEPT.width) && inside(y, KEPT.y, KEPT.height);
            let wave = ((x * 7 + y * 13) % 31) as f32 / 10.0 - 1.5;
            if kept { wave } else { 40.0 * wave + 5.0 }
        });
        let logits = answer(tile.collect(), SIDE, SIDE).unwrap();
        let half = SIDE / 2;
        let plane = |map: &[f32]| -> Vec<u32> {
            let rows = map.chunks(half).skip(KEPT.y / 2).take(KEPT.height / 2);
            rows.flat_map(|row| row[KEPT.x / 2..][..KEPT.width / 2].iter().map(|v| v.to_bits())).collect()
        };
        logits.chunks(half * half).flat_map(plane).collect()
    }

    #[test]
    fn nothing_beyond_the_reach_changes_an_answer() {
        let as_it_is = with_surroundings_changed_beyond(208);
        assert_eq!(as_it_is.len(), MAPS * BLOCK_CHANNELS * 16 * 16);
        assert!(with_surroundings_changed_beyond(REACH_PX) == as_it_is);
        // The reach is not stated too large by a step either.
        assert!(with_surroundings_changed_beyond(REACH_PX - STEP_PX) != as_it_is);
    }

    #[test]
    fn the_kept_network_is_small() {
        assert!(BYTES.len() <= 3_000_000, "{} bytes", BYTES.len());
    }
}
