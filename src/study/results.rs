//! A results folder, read back.

use std::path::Path;

use crate::error::Error;
use crate::study::record::Record;
use crate::study::result::{SCHEMA_VERSION, Study};

/// File name of the result within a results folder.
pub const SUMMARY_NAME: &str = "summary.json";

/// The result and the record of an earlier run. The rows of the tables (`Field::rows`) are not part of the summary and
/// stay empty.
///
/// # Errors
/// [`Error::Read`] if a file is missing or cannot be read; [`Error::Field`] if it is not of this program or has a form
/// that this version does not know.
pub fn read(results: &Path) -> Result<(Study, Record), Error> {
    let record = Record::read(results)?;
    let path = results.join(SUMMARY_NAME);
    let bytes = std::fs::read(&path).map_err(|source| Error::Read { path: path.clone(), source })?;
    let refuse = |why: String| Error::Field { path: path.clone(), why };
    let form: Form =
        serde_json::from_slice(&bytes).map_err(|e| refuse(format!("this is no summary: {e}")))?;
    if form.schema_version != SCHEMA_VERSION {
        let (found, known) = (form.schema_version, SCHEMA_VERSION);
        return Err(refuse(format!(
            "the summary has form {found}, and this version reads form {known}; measure the pictures again"
        )));
    }
    let study = serde_json::from_slice(&bytes).map_err(|e| refuse(format!("this is no summary: {e}")))?;
    Ok((study, record))
}

/// What is looked at first.
#[derive(serde::Deserialize)]
struct Form {
    schema_version: u32,
}
