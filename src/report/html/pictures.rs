//! Small pictures of fields, which lie in a file until the page is written.

use std::fs::File;
use std::io::{Read as _, Result, Seek as _, SeekFrom, Write as _};
use std::path::Path;

use serde::{Deserialize, Serialize};

/// Small pictures of a field; missing ones are left out of the page.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct FieldPictures {
    /// JPEG of the overlay.
    #[serde(with = "as_text")]
    pub overlay: Option<Vec<u8>>,
    /// PNG of the surroundings of the scale bar.
    #[serde(with = "as_text")]
    pub bar: Option<Vec<u8>>,
}

/// Where the page finds the pictures of each field, in the order of the study.
pub trait Pictures {
    /// Those of the field at `index`; none of a field that has none.
    ///
    /// # Errors
    /// If they lie somewhere where they cannot be read.
    fn of(&self, index: usize) -> Result<FieldPictures>;
}

impl Pictures for &[FieldPictures] {
    fn of(&self, index: usize) -> Result<FieldPictures> {
        Ok(self.get(index).cloned().unwrap_or_default())
    }
}

/// Pictures in a file without a name, so that thousands of them take no memory.
#[derive(Debug)]
pub struct StoredPictures {
    file: File,
    end: u64,
    places: Vec<Place>,
}

/// Where the pictures of a field begin, and the bytes of each.
#[derive(Clone, Copy, Debug)]
struct Place {
    start: u64,
    overlay: Option<usize>,
    bar: Option<usize>,
}

impl StoredPictures {
    /// None so far; the file lies in `folder`.
    ///
    /// # Errors
    /// If it cannot be opened.
    pub fn within(folder: &Path) -> Result<Self> {
        Ok(Self { file: tempfile::tempfile_in(folder)?, end: 0, places: Vec::new() })
    }

    /// Takes those of the next field.
    ///
    /// # Errors
    /// If they cannot be written.
    pub fn push(&mut self, pictures: &FieldPictures) -> Result<()> {
        let FieldPictures { overlay, bar } = pictures;
        let length = |picture: &Option<Vec<u8>>| picture.as_ref().map(Vec::len);
        let place = Place { start: self.end, overlay: length(overlay), bar: length(bar) };
        for bytes in overlay.iter().chain(bar) {
            self.file.write_all(bytes)?;
            self.end += bytes.len() as u64;
        }
        self.places.push(place);
        Ok(())
    }
}

impl Pictures for StoredPictures {
    fn of(&self, index: usize) -> Result<FieldPictures> {
        let Some(place) = self.places.get(index) else { return Ok(FieldPictures::default()) };
        let mut file = &self.file;
        file.seek(SeekFrom::Start(place.start))?;
        let mut next = |length: Option<usize>| {
            length
                .map(|length| {
                    let mut bytes = vec![0; length];
                    file.read_exact(&mut bytes).map(|()| bytes)
                })
                .transpose()
        };
        Ok(FieldPictures { overlay: next(place.overlay)?, bar: next(place.bar)? })
    }
}

/// Bytes as base64.
mod as_text {
    use base64::Engine as _;
    use base64::prelude::BASE64_STANDARD;
    use serde::{Deserialize as _, Deserializer, Serialize as _, Serializer, de::Error as _};

    pub fn serialize<S: Serializer>(bytes: &Option<Vec<u8>>, serializer: S) -> Result<S::Ok, S::Error> {
        bytes.as_ref().map(|bytes| BASE64_STANDARD.encode(bytes)).serialize(serializer)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<Vec<u8>>, D::Error> {
        let text = Option::<String>::deserialize(deserializer)?;
        text.map(|text| BASE64_STANDARD.decode(text)).transpose().map_err(D::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stored_pictures_come_back_in_any_order() {
        let folder = tempfile::tempdir().unwrap();
        let bytes = |start: u8, length: u8| Some((start..start + length).collect::<Vec<u8>>());
        let sets = [
            FieldPictures { overlay: bytes(1, 40), bar: None },
            FieldPictures::default(),
            FieldPictures { overlay: bytes(7, 3), bar: bytes(90, 100) },
            FieldPictures { overlay: None, bar: bytes(5, 1) },
        ];
        let mut stored = StoredPictures::within(folder.path()).unwrap();
        sets.iter().for_each(|set| stored.push(set).unwrap());
        for index in [2, 0, 3, 1, 2] {
            assert_eq!(stored.of(index).unwrap(), sets[index]);
            assert_eq!(sets.as_slice().of(index).unwrap(), sets[index]);
        }
        assert_eq!(stored.of(4).unwrap(), FieldPictures::default());
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0, "the file has no name");
    }
}
