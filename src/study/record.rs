//! The record of a run: what went in and what came out, so that a later run can be compared with it byte for byte.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::error::Error;
use crate::options::Options;
use crate::study::read_file::{is_within_its_folder, read_regular};

/// File name of the record; a folder that holds it is a results folder.
pub const RECORD_NAME: &str = "run.json";

/// Which command wrote a folder, and what is in it; the part that all records share.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Written {
    /// `measure`, `measure --shard`, `relate`, `figure` or `scale`.
    pub command: String,
    /// Every file that was written, the record excepted, by name.
    pub outputs: Vec<Entry>,
}

/// What a command that starts from a results folder read and wrote.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Derivation {
    /// `relate` or `figure`.
    pub command: String,
    /// Version of the program.
    pub version: String,
    /// The results folder, as an absolute path.
    pub results: PathBuf,
    /// Every file that was read.
    pub inputs: Vec<Entry>,
    /// Every file that was written, this record excepted, by name.
    pub outputs: Vec<Entry>,
}

/// What went into a run and what came out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// `measure`.
    pub command: String,
    /// Version of the program.
    pub version: String,
    /// What was measured: folders or files, as absolute paths.
    pub roots: Vec<PathBuf>,
    /// Study sheet, if one was used, as an absolute path.
    pub sheet: Option<PathBuf>,
    /// File of scales, if one was used, as an absolute path; its hash is among the inputs.
    #[serde(default)]
    pub scales: Option<PathBuf>,
    /// All options, resolved.
    pub options: Options,
    /// Every file that was read, in the order of the result.
    pub inputs: Vec<Entry>,
    /// [`digest`](crate::study::agenda::Agenda::digest) of everything that the results were made from; empty in records of
    /// before it was kept.
    #[serde(default)]
    pub digest: String,
    /// Every file that was written, this record excepted, by name.
    pub outputs: Vec<Entry>,
}

/// What tells whether results are complete and what they were made from.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
pub struct Basis {
    /// Name of the command.
    pub command: String,
    /// Digest of what the results were made from.
    pub digest: String,
    /// Every file that was written.
    pub outputs: Vec<Entry>,
}

/// A file and its hash.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Entry {
    /// Path from the measured folder or from the results folder, with `/` between parts.
    pub file: String,
    /// SHA-256 in hexadecimal.
    pub sha256: String,
}

impl Record {
    /// Reads the record of a results folder.
    ///
    /// # Errors
    /// [`Error::Read`] if there is none or it cannot be read; [`Error::Field`] if it is not a record.
    pub fn read(results: &Path) -> Result<Self, Error> {
        parsed(results)
    }
}

impl Written {
    /// Reads the record of a folder that any of the commands wrote.
    ///
    /// # Errors
    /// As [`Record::read`].
    pub fn read(folder: &Path) -> Result<Self, Error> {
        parsed(folder)
    }
}

impl Basis {
    /// Reads the record of a folder that `measure` wrote, whole or in part.
    ///
    /// # Errors
    /// As [`Record::read`].
    pub fn read(folder: &Path) -> Result<Self, Error> {
        parsed(folder)
    }
}

/// Files that are missing below `folder`, whose names lead out of it, or whose bytes are not those of their entry.
pub fn changed(folder: &Path, entries: &[Entry]) -> Vec<String> {
    let is_whole = |entry: &Entry| {
        is_within_its_folder(&entry.file)
            && read_regular(&folder.join(&entry.file)).is_ok_and(|bytes| sha256(&bytes) == entry.sha256)
    };
    entries.iter().filter(|entry| !is_whole(entry)).map(|entry| entry.file.clone()).collect()
}

/// The record `T` of a folder.
///
/// # Errors
/// As [`Record::read`].
pub(super) fn parsed<T: serde::de::DeserializeOwned>(folder: &Path) -> Result<T, Error> {
    let path = folder.join(RECORD_NAME);
    let bytes = read_regular(&path)?;
    serde_json::from_slice(&bytes)
        .map_err(|e| Error::Field { path, why: format!("this is not the record of such a run: {e}") })
}

/// The path from the root of the file system, links followed; as it is, where it does not exist. What is not Unicode in it
/// becomes a replacement character, because records are.
pub fn absolute(path: &Path) -> PathBuf {
    let full = path.canonicalize().unwrap_or_else(|_| path.to_owned());
    PathBuf::from(full.to_string_lossy().into_owned())
}

/// SHA-256 of `bytes` in hexadecimal.
pub fn sha256(bytes: &[u8]) -> String {
    hexadecimal(&Sha256::digest(bytes))
}

/// SHA-256 of a file in hexadecimal, which is read piece by piece.
pub fn sha256_of_file(path: &Path) -> std::io::Result<String> {
    let mut hash = Sha256::new();
    std::io::copy(&mut std::fs::File::open(path)?, &mut hash)?;
    Ok(hexadecimal(&hash.finalize()))
}

/// Two hexadecimal digits for each byte.
pub fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_hash_is_that_of_the_standard() {
        // FIPS 180-2, appendix B.1: SHA-256 of "abc".
        assert_eq!(sha256(b"abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }
}
