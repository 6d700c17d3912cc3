//! Rectangular arrays of pixels, and the two special ones: masks and label maps.

use std::borrow::Cow;

use rayon::prelude::*;

use crate::differences::each_run;
use crate::error::Error;

/// A width × height array in row-major order, origin at the top left.
///
/// `data.len() == width * height` holds for every value, and both sides are at least 1.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Grid<T> {
    width: usize,
    height: usize,
    data: Vec<T>,
}

/// `true` where the feature (pore, usable area, …) is.
pub type Mask = Grid<bool>;

impl<T> Grid<T> {
    /// Wraps row-major `data`.
    ///
    /// # Errors
    /// [`Error::GridShape`] if a side is zero or the length is not `width * height`.
    pub fn new(width: usize, height: usize, data: Vec<T>) -> Result<Self, Error> {
        if width == 0 || height == 0 || width.checked_mul(height) != Some(data.len()) {
            return Err(Error::GridShape { width, height, length: data.len() });
        }
        Ok(Self { width, height, data })
    }

    /// Pixels per row.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Rows.
    pub fn height(&self) -> usize {
        self.height
    }

    /// Number of pixels.
    #[expect(clippy::len_without_is_empty, reason = "a grid is never empty")]
    pub fn len(&self) -> usize {
        self.data.len()
    }

    /// All pixels, row by row.
    pub fn as_slice(&self) -> &[T] {
        &self.data
    }

    /// All pixels, row by row, to be changed.
    pub fn as_mut_slice(&mut self) -> &mut [T] {
        &mut self.data
    }

    /// The pixels themselves.
    pub fn into_vec(self) -> Vec<T> {
        self.data
    }

    /// Row `y`.
    pub fn row(&self, y: usize) -> &[T] {
        &self.data[y * self.width..(y + 1) * self.width]
    }

    /// Row `y`, to be changed.
    pub fn row_mut(&mut self, y: usize) -> &mut [T] {
        &mut self.data[y * self.width..(y + 1) * self.width]
    }

    /// Rows from top to bottom.
    pub fn rows(&self) -> std::slice::ChunksExact<'_, T> {
        self.data.chunks_exact(self.width)
    }

    /// `true` if both grids have the same width and height.
    pub fn same_shape<U>(&self, other: &Grid<U>) -> bool {
        self.width == other.width && self.height == other.height
    }
}

/// Grids of fewer bytes are not worth the care that [`room`] takes of larger ones.
const LARGE_BYTES: usize = 8 << 20;
/// The allocator of most Linux systems gives larger blocks back to the system as soon as they are free. Of up to 32 MiB it keeps
/// for itself what is free, which had a picture of 16 Mpx take a quarter more than lay in its maps.
const GIVEN_BACK_BYTES: usize = (32 << 20) + 1;

/// Pixels to make room for in a grid of so many. Pages that nobody writes to take no memory.
fn room<T>(pixels: usize) -> usize {
    let bytes = size_of::<T>().max(1);
    if pixels * bytes < LARGE_BYTES { pixels } else { pixels.max(GIVEN_BACK_BYTES.div_ceil(bytes)) }
}

impl<T: Copy + Default + PartialEq> Grid<T> {
    /// A grid with every pixel equal to `value`. Sides must be at least 1.
    pub fn filled(width: usize, height: usize, value: T) -> Self {
        assert!(width > 0 && height > 0, "invariant: a grid has at least one pixel");
        let pixels = width * height;
        // Zeros come from the system and are not written; anything else would be written to all of the room.
        let mut data = vec![value; if value == T::default() { room::<T>(pixels) } else { pixels }];
        data.truncate(pixels);
        Self { width, height, data }
    }
}

impl<T: Copy> Grid<T> {
    /// The grid whose pixel (x, y) is `value(x, y)`. Sides must be at least 1.
    pub fn from_fn(width: usize, height: usize, mut value: impl FnMut(usize, usize) -> T) -> Self {
        assert!(width > 0 && height > 0, "invariant: a grid has at least one pixel");
        let mut data = Vec::with_capacity(room::<T>(width * height));
        for y in 0..height {
            data.extend((0..width).map(|x| value(x, y)));
        }
        Self { width, height, data }
    }

    /// Pixel in column `x`, row `y`.
    pub fn at(&self, x: usize, y: usize) -> T {
        self.data[y * self.width + x]
    }

    /// Sets the pixel in column `x`, row `y`.
    pub fn set(&mut self, x: usize, y: usize, value: T) {
        self.data[y * self.width + x] = value;
    }

    /// Applies `f` to every pixel.
    pub fn map<U>(&self, f: impl FnMut(T) -> U) -> Grid<U> {
        let mut data = Vec::with_capacity(room::<U>(self.len()));
        data.extend(self.data.iter().copied().map(f));
        Grid { width: self.width, height: self.height, data }
    }

    /// The part of the grid inside `frame`, which must lie in it.
    pub fn cropped(&self, frame: Frame) -> Self {
        let mut data = Vec::with_capacity(room::<T>(frame.width * frame.height));
        for y in frame.y..frame.y + frame.height {
            data.extend_from_slice(&self.row(y)[frame.x..frame.x + frame.width]);
        }
        Self { width: frame.width, height: frame.height, data }
    }
}

/// Rows of a picture, wherever they lie: in memory, or in a file because they do not fit there.
pub(crate) trait Rows<T: Clone>: Sync {
    /// Pixels per row.
    fn width(&self) -> usize;
    /// Rows.
    fn height(&self) -> usize;
    /// Row `y`.
    ///
    /// # Errors
    /// [`Error::Read`] if the file that holds it cannot be read; rows in memory never fail.
    fn row(&self, y: usize) -> Result<Cow<'_, [T]>, Error>;
}

impl<T: Copy + Sync> Rows<T> for Grid<T> {
    fn width(&self) -> usize {
        self.width
    }

    fn height(&self) -> usize {
        self.height
    }

    fn row(&self, y: usize) -> Result<Cow<'_, [T]>, Error> {
        Ok(Cow::Borrowed(self.row(y)))
    }
}

/// Why a result over [`Rows`] in memory is no error.
pub(crate) const IN_MEMORY: &str = "invariant: rows in memory can be read";

impl Grid<bool> {
    /// Share of pixels that are `true`, from 0 to 1.
    pub fn area_fraction(&self) -> f64 {
        self.data.iter().filter(|&&p| p).count() as f64 / self.len() as f64
    }
}

/// A rectangle of whole pixels: the part of a picture that is measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize, schemars::JsonSchema)]
pub struct Frame {
    /// First column.
    #[serde(rename = "x_px")]
    pub x: usize,
    /// First row.
    #[serde(rename = "y_px")]
    pub y: usize,
    /// Columns.
    #[serde(rename = "width_px")]
    pub width: usize,
    /// Rows.
    #[serde(rename = "height_px")]
    pub height: usize,
}

/// A label map: 0 is background, `1..=count` are regions numbered in raster order of their first pixel.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Labels {
    /// The label of each pixel.
    pub grid: Grid<u32>,
    /// The largest label.
    pub count: u32,
}

impl Labels {
    /// Renumbers arbitrary non-zero `ids` so that labels ascend in raster order of first appearance.
    ///
    /// Zero stays background. Ids may be any `u32`, but tables of the largest id's size are allocated.
    pub fn from_ids(ids: Grid<u32>) -> Self {
        let largest = ids.as_slice().par_iter().copied().max().unwrap_or(0);
        let alone: Vec<u32> = (0..=largest).collect();
        Self::from_groups(ids, &alone).0
    }

    /// One label for each group of `ids`, ascending in raster order of first appearance, and the label of each id.
    ///
    /// `group_of[id]` is any id of the group, or 0 if it becomes background. Zero stays background; an id that does not
    /// appear, and whose group does not, has no label but 0.
    pub(crate) fn from_groups(mut ids: Grid<u32>, group_of: &[u32]) -> (Self, Vec<u32>) {
        let part = ids.len().div_ceil(NUMBERED_PARTS);
        let parts: Vec<Vec<u32>> =
            ids.as_slice().par_chunks(part).map(|ids| in_order_of_appearance(ids, group_of)).collect();
        let mut numbers = vec![0u32; group_of.len()];
        let mut count = 0;
        for group in parts.into_iter().flatten() {
            let number = &mut numbers[group as usize];
            if *number == 0 {
                count += 1;
                *number = count;
            }
        }
        let mut label_of: Vec<u32> = group_of.iter().map(|&group| numbers[group as usize]).collect();
        label_of[0] = 0;
        ids.as_mut_slice().par_chunks_mut(part).for_each(|ids| {
            ids.iter_mut().for_each(|id| *id = label_of[*id as usize]);
        });
        (Self { grid: ids, count }, label_of)
    }
}

/// Parts of a map that are looked through at once for the order of its labels; each has a table of all groups.
const NUMBERED_PARTS: usize = 8;

/// The groups of `ids` other than 0, each where it first appears.
fn in_order_of_appearance(ids: &[u32], group_of: &[u32]) -> Vec<u32> {
    let mut seen = vec![false; group_of.len()];
    let mut order = Vec::new();
    each_run(ids, |run| {
        let group = group_of[ids[run.start] as usize];
        if ids[run.start] != 0 && group != 0 && !std::mem::replace(&mut seen[group as usize], true) {
            order.push(group);
        }
    });
    order
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shape_that_does_not_fit_is_refused() {
        assert!(Grid::new(2, 2, vec![0u8; 3]).is_err());
        assert!(Grid::new(0, 2, Vec::<u8>::new()).is_err());
        assert!(Grid::new(usize::MAX, 2, vec![0u8; 2]).is_err());
    }

    #[test]
    fn labels_are_renumbered_in_raster_order() {
        let labels = Labels::from_ids(Grid::new(3, 2, vec![0, 9, 9, 4, 0, 9]).unwrap());
        assert_eq!(labels.grid.as_slice(), [0, 1, 1, 2, 0, 1]);
        assert_eq!(labels.count, 2);
    }

    #[test]
    fn groups_are_numbered_where_they_first_appear() {
        // 5 and 2 are one group, and 7 does not appear.
        let ids = Grid::new(4, 2, vec![0, 5, 3, 3, 2, 6, 0, 5]).unwrap();
        let (labels, label_of) = Labels::from_groups(ids, &[0, 1, 2, 3, 4, 2, 6, 7]);
        assert_eq!(labels.grid.as_slice(), [0, 1, 2, 2, 1, 3, 0, 1]);
        assert_eq!((labels.count, label_of), (3, vec![0, 0, 1, 2, 0, 1, 3, 0]));
    }

    #[test]
    fn a_group_of_0_becomes_background() {
        let ids = Grid::new(4, 1, vec![2, 1, 3, 2]).unwrap();
        let (labels, label_of) = Labels::from_groups(ids, &[0, 1, 0, 1]);
        assert_eq!(labels.grid.as_slice(), [0, 1, 1, 0]);
        assert_eq!((labels.count, label_of), (1, vec![0, 1, 0, 1]));
    }

    #[test]
    fn numbering_does_not_depend_on_the_number_of_threads() {
        let ids = Grid::from_fn(301, 203, |x, y| ((x / 7 * 31 + y / 5 * 17) % 97) as u32);
        let with = |threads| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            pool.install(|| Labels::from_ids(ids.clone()))
        };
        assert_eq!(with(1), with(3));
        let mut seen = 0;
        for &label in with(2).grid.as_slice() {
            assert!(label <= seen + 1);
            seen = seen.max(label);
        }
    }

    #[test]
    fn a_crop_takes_the_rows_and_columns_of_its_frame() {
        let grid = Grid::from_fn(4, 3, |x, y| 10 * y + x);
        let part = grid.cropped(Frame { x: 1, y: 1, width: 2, height: 2 });
        assert_eq!(part.as_slice(), [11, 12, 21, 22]);
    }
}
