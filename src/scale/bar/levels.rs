//! The picture in 256 levels, and its negative.

use std::borrow::Cow;

use crate::grid::Grid;
use crate::micrograph::Grey;

/// Grey in 8 bits; 16 bit levels are shifted so that the brightest one fills the range.
pub(crate) fn eight_bit(grey: &Grey) -> Cow<'_, Grid<u8>> {
    match grey {
        Grey::Eight(grid) => Cow::Borrowed(grid),
        Grey::Sixteen(grid) => {
            let brightest = grid.as_slice().iter().fold(0u16, |all, &v| all | v);
            let shift = (u16::BITS - brightest.leading_zeros()).saturating_sub(8);
            Cow::Owned(grid.map(|v| (v >> shift) as u8))
        }
    }
}

/// 255 minus each level.
pub(super) fn inverted(grid: &Grid<u8>) -> Grid<u8> {
    grid.map(|v| !v)
}
