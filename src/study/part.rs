//! What one file came to, kept on disk so that exactly the same result can be put together from it later.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::error::Error;
use crate::micrograph::overlap::Fingerprint;
use crate::report::html::FieldPictures;
use crate::study::output::Staging;
use crate::study::read_file::{is_within_its_folder, read_regular};
use crate::study::record::{Entry, sha256};
use crate::study::result::{Failure, Field};
use crate::study::workplace::remove_folder;

/// Name of a part in the folder of its own that a run in progress gives it.
const PART_NAME: &str = "part.json";
/// Name of the hash beside it; written last, so that a part that lacks it is not whole.
const HASH_NAME: &str = "part.sha256";

/// What one file came to. Its overlays and label maps lie beside it.
#[derive(Debug, Serialize, Deserialize)]
pub struct Part {
    /// Hash of everything that decides it.
    pub key: String,
    /// The file, if it could be read, and the text files beside it that say something.
    pub entries: Vec<Entry>,
    /// Overlays and label maps, by their names within the results.
    pub pictures: Vec<Entry>,
    /// One for each page.
    pub outcomes: Vec<Outcome>,
}

/// What one page came to.
#[derive(Debug, Serialize, Deserialize)]
pub enum Outcome {
    /// It was measured.
    Measured(Box<MeasuredField>),
    /// It was not.
    Failed(Failure),
}

/// A field, and what the study needs of its picture.
#[derive(Debug, Serialize, Deserialize)]
pub struct MeasuredField {
    /// The field, rows of its tables included.
    #[serde(with = "with_rows")]
    pub field: Field,
    /// For finding overlapping pictures.
    pub fingerprint: Fingerprint,
    /// Small pictures for the report.
    pub pictures: FieldPictures,
}

impl Part {
    /// Whether a page could not be measured.
    pub fn has_failures(&self) -> bool {
        self.failures().next().is_some()
    }

    /// The pages that could not be measured.
    pub fn failures(&self) -> impl Iterator<Item = &Failure> {
        self.outcomes.iter().filter_map(|outcome| match outcome {
            Outcome::Failed(failure) => Some(failure),
            Outcome::Measured(_) => None,
        })
    }

    /// The part as it is kept; numbers come back from it bit by bit.
    pub fn to_bytes(&self) -> Vec<u8> {
        serde_json::to_vec(self).expect("invariant: a part is plain data")
    }
}

/// A part on disk.
#[derive(Clone, Debug)]
pub struct Kept {
    /// Folder from which its pictures are named.
    folder: PathBuf,
    /// Its own name in that folder.
    name: String,
    /// Its hash.
    sha256: String,
}

impl Kept {
    /// The part `name` in `folder`, whose bytes must have this hash.
    pub fn new(folder: &Path, name: &str, sha256: &str) -> Self {
        Self { folder: folder.to_owned(), name: name.to_owned(), sha256: sha256.to_owned() }
    }

    /// The part that an earlier run left whole in `folder`, and in which no page failed: what failed may go well now.
    pub(super) fn left_in(folder: &Path) -> Option<Self> {
        let sha256 = std::fs::read_to_string(folder.join(HASH_NAME)).ok()?;
        let kept = Self::new(folder, PART_NAME, &sha256);
        let part = kept.load().ok().filter(|part| !part.has_failures())?;
        let whole = part.pictures.iter().all(|entry| kept.picture(entry).is_ok());
        whole.then_some(kept)
    }

    /// Keeps a part in `folder`, where its pictures are already.
    ///
    /// # Errors
    /// [`Error::Write`] if the system refuses.
    pub(super) fn keep(part: &Part, folder: &Path) -> Result<Self, Error> {
        let bytes = part.to_bytes();
        let kept = Self::new(folder, PART_NAME, &sha256(&bytes));
        write(folder, PART_NAME, &bytes)?;
        write(folder, HASH_NAME, kept.sha256.as_bytes())?;
        Ok(kept)
    }

    /// Reads the part back.
    ///
    /// # Errors
    /// [`Error::Read`] if it cannot be read; [`Error::Field`] if it is not what was written.
    pub fn load(&self) -> Result<Part, Error> {
        let bytes = self.checked(&self.name, &self.sha256)?;
        serde_json::from_slice(&bytes).map_err(|_| self.altered(&self.name))
    }

    /// Reads one of its pictures back.
    ///
    /// # Errors
    /// As [`Kept::load`].
    pub fn picture(&self, entry: &Entry) -> Result<Vec<u8>, Error> {
        self.checked(&entry.file, &entry.sha256)
    }

    /// Reads the part back and writes its pictures into `staging`.
    ///
    /// # Errors
    /// As [`Kept::load`]; [`Error::Write`] if the system refuses.
    pub fn hand_over(&self, staging: &Staging) -> Result<Part, Error> {
        let part = self.load()?;
        for entry in &part.pictures {
            staging.write(&entry.file, &self.picture(entry)?)?;
        }
        Ok(part)
    }

    fn checked(&self, name: &str, expected: &str) -> Result<Vec<u8>, Error> {
        // A part may come from another machine: a name in it must not lead out of its folder.
        if !is_within_its_folder(name) {
            return Err(self.altered(name));
        }
        let bytes = read_regular(&self.folder.join(name))?;
        if sha256(&bytes) == expected { Ok(bytes) } else { Err(self.altered(name)) }
    }

    fn altered(&self, name: &str) -> Error {
        let why = "this is not what was written when the pictures were measured; measure this part again";
        Error::Field { path: self.folder.join(name), why: why.into() }
    }
}

/// An empty folder for a part and its pictures; what an interrupted run left there is removed.
///
/// # Errors
/// [`Error::Write`] if the system refuses.
pub(super) fn fresh_folder(folder: &Path) -> Result<(), Error> {
    remove_folder(folder)
        .and_then(|()| std::fs::create_dir_all(folder))
        .map_err(|source| Error::Write { path: folder.to_owned(), source })
}

/// Writes a file of a part, given its path from the folder of the part.
///
/// # Errors
/// [`Error::Write`] if the system refuses.
pub(super) fn write(folder: &Path, name: &str, bytes: &[u8]) -> Result<(), Error> {
    let path = folder.join(name);
    path.parent()
        .map_or(Ok(()), std::fs::create_dir_all)
        .and_then(|()| std::fs::write(&path, bytes))
        .map_err(|source| Error::Write { path, source })
}

/// A field together with the rows that its summary leaves out.
mod with_rows {
    use serde::{Deserialize as _, Deserializer, Serialize as _, Serializer};

    use crate::study::result::{Field, FieldRows};

    pub fn serialize<S: Serializer>(field: &Field, serializer: S) -> Result<S::Ok, S::Error> {
        (field, &field.rows).serialize(serializer)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Field, D::Error> {
        let (field, rows) = <(Field, FieldRows)>::deserialize(deserializer)?;
        Ok(Field { rows, ..field })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_part_is_taken_only_as_it_was_written() {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path().join("part");
        let entry = |name: &str, bytes: &[u8]| Entry { file: name.into(), sha256: sha256(bytes) };
        let part = |failed: bool| Part {
            key: "key".into(),
            entries: vec![],
            pictures: vec![entry("overlays/a.png", b"picture")],
            outcomes: Vec::from_iter(failed.then(|| {
                Outcome::Failed(Failure { file: "a.png".into(), page: None, error: "damaged".into() })
            })),
        };
        let keep = |failed| {
            fresh_folder(&folder).unwrap();
            write(&folder, "overlays/a.png", b"picture").unwrap();
            Kept::keep(&part(failed), &folder).unwrap()
        };
        let kept = keep(false);
        assert_eq!(kept.load().unwrap().to_bytes(), part(false).to_bytes());
        assert!(Kept::left_in(&folder).is_some());

        std::fs::write(folder.join("overlays/a.png"), "pictur").unwrap();
        assert!(Kept::left_in(&folder).is_none(), "a picture is half-written");
        let bytes = part(false).to_bytes();
        keep(false);
        std::fs::write(folder.join(PART_NAME), &bytes[..bytes.len() - 1]).unwrap();
        assert!(Kept::left_in(&folder).is_none(), "the part is half-written");
        keep(false);
        std::fs::remove_file(folder.join(HASH_NAME)).unwrap();
        assert!(Kept::left_in(&folder).is_none(), "the run was stopped before the part was whole");
        keep(true);
        assert!(Kept::left_in(&folder).is_none(), "what failed is tried again");
    }

    #[test]
    fn names_in_a_part_do_not_lead_out_of_its_folder() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("secret"), "x").unwrap();
        let inner = folder.path().join("part");
        std::fs::create_dir(&inner).unwrap();
        let kept = Kept::new(&inner, PART_NAME, "");
        for name in ["../secret", folder.path().join("secret").to_str().unwrap()] {
            let error = kept.picture(&Entry { file: name.into(), sha256: sha256(b"x") }).unwrap_err();
            assert!(error.to_string().contains("measure this part again"), "{error}");
        }
    }
}
