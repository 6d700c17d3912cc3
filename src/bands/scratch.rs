//! Picture-shaped arrays in scratch files, written and read by bands of rows.

use std::borrow::Cow;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::marker::PhantomData;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use crate::error::Error;
use crate::grid::{Frame, Grid, Labels, Rows};

/// A number that scratch files hold.
pub(crate) trait Sample: Copy + Default + Send + Sync + 'static {
    /// Bytes of one.
    const BYTES: usize;
    /// From its bytes.
    fn get(bytes: &[u8]) -> Self;
    /// Into its bytes.
    fn put(self, bytes: &mut [u8]);
}

macro_rules! sample {
    ($($number:ty),*) => { $(impl Sample for $number {
        const BYTES: usize = size_of::<Self>();

        fn get(bytes: &[u8]) -> Self {
            Self::from_le_bytes(bytes.try_into().expect("invariant: a slice of its own length"))
        }

        fn put(self, bytes: &mut [u8]) {
            bytes.copy_from_slice(&self.to_le_bytes());
        }
    })* };
}

sample!(u8, u16, u32);

/// Bytes that are turned into numbers at once.
const BUFFER: usize = 1 << 18;

/// A width × height array in a file without a name, which the system removes with the program, however it ends.
#[derive(Debug)]
pub(crate) struct Scratch<T> {
    file: Mutex<File>,
    folder: PathBuf,
    /// Columns of the file.
    stride: usize,
    /// The part of the file that is seen.
    frame: Frame,
    numbers: PhantomData<T>,
}

impl<T: Sample> Scratch<T> {
    /// An array of zeros.
    ///
    /// # Errors
    /// [`Error::Write`] if no file can be made in `folder`.
    pub fn create(folder: &Path, width: usize, height: usize) -> Result<Self, Error> {
        let refuse = |source| Error::Write { path: folder.to_owned(), source };
        let file = tempfile::tempfile_in(folder).map_err(refuse)?;
        file.set_len((width * height * T::BYTES) as u64).map_err(refuse)?;
        Ok(Self {
            file: Mutex::new(file),
            folder: folder.to_owned(),
            stride: width,
            frame: Frame { x: 0, y: 0, width, height },
            numbers: PhantomData,
        })
    }

    /// The part inside `frame` of what is seen now.
    pub fn framed(mut self, frame: Frame) -> Self {
        self.frame = Frame { x: self.frame.x + frame.x, y: self.frame.y + frame.y, ..frame };
        self
    }

    /// Columns that are seen.
    pub fn width(&self) -> usize {
        self.frame.width
    }

    /// Rows that are seen.
    pub fn height(&self) -> usize {
        self.frame.height
    }

    /// Writes whole rows from row `first` on; all columns of the file must be seen.
    ///
    /// # Errors
    /// [`Error::Write`] if the system refuses.
    pub fn write(&self, first: usize, rows: &[T]) -> Result<(), Error> {
        let refuse = |source| Error::Write { path: self.folder.clone(), source };
        let mut file = self.file.lock().expect("invariant: nothing panics while it holds the file");
        file.seek(SeekFrom::Start(self.place(first, 0))).map_err(refuse)?;
        let mut buffer = vec![0; BUFFER.min(rows.len() * T::BYTES)];
        for part in rows.chunks(BUFFER / T::BYTES) {
            let bytes = &mut buffer[..part.len() * T::BYTES];
            bytes.chunks_exact_mut(T::BYTES).zip(part).for_each(|(bytes, number)| number.put(bytes));
            file.write_all(bytes).map_err(refuse)?;
        }
        Ok(())
    }

    /// Reads rows.
    ///
    /// # Errors
    /// [`Error::Read`] if the system refuses.
    pub fn read(&self, rows: Range<usize>) -> Result<Grid<T>, Error> {
        self.read_part(Frame { x: 0, y: rows.start, width: self.frame.width, height: rows.len() })
    }

    /// Reads a part.
    ///
    /// # Errors
    /// [`Error::Read`] if the system refuses.
    pub fn read_part(&self, part: Frame) -> Result<Grid<T>, Error> {
        let mut numbers = Vec::with_capacity(part.width * part.height);
        if part.width == self.stride {
            self.read_stretch(self.place(part.y, 0), part.width * part.height, &mut numbers)?;
        } else {
            for y in part.y..part.y + part.height {
                self.read_stretch(self.place(y, part.x), part.width, &mut numbers)?;
            }
        }
        Grid::new(part.width, part.height, numbers)
    }

    fn place(&self, row: usize, column: usize) -> u64 {
        (((self.frame.y + row) * self.stride + self.frame.x + column) * T::BYTES) as u64
    }

    fn read_stretch(&self, place: u64, count: usize, numbers: &mut Vec<T>) -> Result<(), Error> {
        let refuse = |source| Error::Read { path: self.folder.clone(), source };
        let mut file = self.file.lock().expect("invariant: nothing panics while it holds the file");
        file.seek(SeekFrom::Start(place)).map_err(refuse)?;
        let mut buffer = vec![0; BUFFER.min(count * T::BYTES)];
        let mut left = count * T::BYTES;
        while left > 0 {
            let bytes = &mut buffer[..left.min(BUFFER)];
            file.read_exact(bytes).map_err(refuse)?;
            numbers.extend(bytes.chunks_exact(T::BYTES).map(T::get));
            left -= bytes.len();
        }
        Ok(())
    }
}

impl<T: Sample> Rows<T> for Scratch<T> {
    fn width(&self) -> usize {
        self.frame.width
    }

    fn height(&self) -> usize {
        self.frame.height
    }

    fn row(&self, y: usize) -> Result<Cow<'_, [T]>, Error> {
        Ok(Cow::Owned(self.read(y..y + 1)?.into_vec()))
    }
}

/// A label map in a scratch file, which keeps the numbers of parts of regions; a table says which label each part has.
#[derive(Debug)]
pub struct StoredLabels {
    /// Numbers of parts; `None` where there is no region.
    pub(crate) parts: Option<Scratch<u32>>,
    /// Label of each part, 0 of those that are no region.
    pub(crate) table: Vec<u32>,
    /// The largest label.
    pub(crate) count: u32,
    pub(crate) size: (usize, usize),
}

impl StoredLabels {
    /// A map of `size` columns and rows without a region.
    pub(crate) fn none(size: (usize, usize)) -> Self {
        Self { parts: None, table: vec![0], count: 0, size }
    }

    /// The largest label.
    pub fn count(&self) -> u32 {
        self.count
    }

    /// Columns and rows.
    pub fn size(&self) -> (usize, usize) {
        self.size
    }

    /// Reads rows of the map; labels are those of the whole map.
    ///
    /// # Errors
    /// [`Error::Read`] if the system refuses.
    pub fn read(&self, rows: Range<usize>) -> Result<Labels, Error> {
        self.read_part(Frame { x: 0, y: rows.start, width: self.size.0, height: rows.len() })
    }

    /// Reads a part of the map.
    pub(crate) fn read_part(&self, part: Frame) -> Result<Labels, Error> {
        let mut grid = match &self.parts {
            Some(parts) => parts.read_part(part)?,
            None => Grid::filled(part.width, part.height, 0),
        };
        relabel(grid.as_mut_slice(), &self.table);
        Ok(Labels { grid, count: self.count })
    }
}

/// Replaces every number by what stands for it in a table; most neighbours have the same one.
pub(crate) fn relabel(numbers: &mut [u32], table: &[u32]) {
    let (mut last, mut label) = (0, table[0]);
    for number in numbers {
        if *number != last {
            (last, label) = (*number, table[*number as usize]);
        }
        *number = label;
    }
}

/// Bytes that the file system of a folder has left; `None` where the system does not tell.
#[cfg(any(target_os = "linux", target_os = "android", target_vendor = "apple"))]
pub(super) fn free_bytes(folder: &Path) -> Option<u64> {
    let system = rustix::fs::statvfs(folder).ok()?;
    Some(system.f_bavail.saturating_mul(system.f_frsize))
}

#[cfg(not(any(target_os = "linux", target_os = "android", target_vendor = "apple")))]
pub(super) fn free_bytes(_folder: &Path) -> Option<u64> {
    None
}

/// Rows of a picture in bands of so many.
pub(crate) fn bands(height: usize, rows: usize) -> impl DoubleEndedIterator<Item = Range<usize>> {
    (0..height.div_ceil(rows)).map(move |band| band * rows..((band + 1) * rows).min(height))
}

/// Rows and up to `halo` more on either side, as far as the picture reaches.
pub(crate) fn around(rows: &Range<usize>, halo: usize, height: usize) -> Range<usize> {
    rows.start.saturating_sub(halo)..(rows.end + halo).min(height)
}

/// The rows `rows` of a picture, out of a window that holds its rows from `top` on.
pub(crate) fn inner<T: Copy>(window: &Grid<T>, top: usize, rows: &Range<usize>) -> Grid<T> {
    window.cropped(Frame { x: 0, y: rows.start - top, width: window.width(), height: rows.len() })
}
