//! A results folder, read back.

use std::path::{Path, PathBuf};

use crate::error::Error;
use crate::study::read_file::read_regular;
use crate::study::record::{Entry, Record, Written, sha256};
use crate::study::result::{SCHEMA_VERSION, Study};
use crate::study::shard;

/// File name of the result within a results folder.
pub const SUMMARY_NAME: &str = "summary.json";

/// A results folder of an earlier run.
#[derive(Clone, Debug)]
pub struct Results {
    /// The folder.
    pub folder: PathBuf,
    /// Its result. The rows of the tables (`Field::rows`) are not part of the summary and stay empty.
    pub study: Study,
    /// Its record.
    pub record: Record,
    /// Name and hash of the summary.
    pub summary: Entry,
}

/// Reads the result and the record of an earlier run.
///
/// # Errors
/// [`Error::Read`] if a file is missing or cannot be read; [`Error::Field`] if it is not of this program, has a form that
/// this version does not know, or was changed since.
pub fn read(folder: &Path) -> Result<Results, Error> {
    if Written::read(folder).is_ok_and(|written| written.command == shard::COMMAND) {
        let why = "this folder is one shard of a run; join all of them with `ceramograph merge`";
        return Err(Error::Field { path: folder.to_owned(), why: why.into() });
    }
    let record = Record::read(folder)?;
    let path = folder.join(SUMMARY_NAME);
    let bytes = read_regular(&path)?;
    let refuse = |why: String| Error::Field { path: path.clone(), why };
    let form: Form =
        serde_json::from_slice(&bytes).map_err(|e| refuse(format!("this is no summary: {e}")))?;
    if form.schema_version != SCHEMA_VERSION {
        let (found, known) = (form.schema_version, SCHEMA_VERSION);
        return Err(refuse(format!(
            "the summary has form {found}, and this version reads form {known}; measure the pictures again"
        )));
    }
    let summary = vouched(folder, &record, SUMMARY_NAME, &bytes)?;
    let study = serde_json::from_slice(&bytes).map_err(|e| refuse(format!("this is no summary: {e}")))?;
    Ok(Results { folder: folder.to_owned(), study, record, summary })
}

impl Results {
    /// A file of the results, as the run wrote it.
    ///
    /// # Errors
    /// [`Error::Read`] if it cannot be read; [`Error::Field`] if the run did not write it, or if it was changed since.
    pub fn file(&self, name: &str) -> Result<(Entry, Vec<u8>), Error> {
        let bytes = read_regular(&self.folder.join(name))?;
        Ok((vouched(&self.folder, &self.record, name, &bytes)?, bytes))
    }
}

/// The record's entry for a file, if these are the bytes that the run wrote.
fn vouched(folder: &Path, record: &Record, name: &str, bytes: &[u8]) -> Result<Entry, Error> {
    let refuse = |why: &str| Error::Field { path: folder.join(name), why: why.into() };
    let entry = record.outputs.iter().find(|entry| entry.file == name).ok_or_else(|| {
        refuse("the run did not write this file; measure the pictures again with this version")
    })?;
    if sha256(bytes) != entry.sha256 {
        return Err(refuse("this file was changed since it was measured; measure the pictures again"));
    }
    Ok(entry.clone())
}

/// What is looked at first.
#[derive(serde::Deserialize)]
struct Form {
    schema_version: u32,
}
