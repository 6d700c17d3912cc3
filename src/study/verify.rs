//! Repeating a run from its record.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use crate::error::Error;
use crate::study::record::{Entry, Record, changed};
use crate::study::run::{Request, run};

/// What differs between a run and its repetition.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Difference {
    /// Another version of the program repeats the run.
    Version {
        /// Version of the first run.
        then: String,
        /// Version of the repetition.
        now: String,
    },
    /// A file that was read is missing, new, or has other bytes: a picture, a text beside it, or the file of scales.
    Input(String),
    /// A file of the results no longer has the bytes that the run wrote.
    Changed(String),
    /// A file of the results comes out differently, or only on one side.
    Output(String),
}

/// The end of a verification.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outcome {
    /// Result files that both runs wrote with the same bytes.
    pub compared: usize,
    /// Everything that differs; empty if verified.
    pub differences: Vec<Difference>,
}

/// Repeats the run of the folder `results` and compares every file.
///
/// `moved` names the measured folders anew, in their order, where they are no longer where they were.
///
/// # Errors
/// [`Error`] if the record cannot be read, the pictures are gone, or nothing can be written to a temporary folder.
pub fn verify(results: &Path, moved: &[PathBuf]) -> Result<Outcome, Error> {
    let then = Record::read(results)?;
    if !moved.is_empty() && moved.len() != then.roots.len() {
        let why =
            format!("{} folders were measured, so {} are expected here", then.roots.len(), then.roots.len());
        return Err(Error::Option { name: "--pictures", why });
    }
    let roots = if moved.is_empty() { then.roots.clone() } else { moved.to_vec() };
    let is_now = |path: &PathBuf| relocated(path, &then.roots, &roots);
    let folder = tempfile::tempdir().map_err(|source| Error::Write { path: std::env::temp_dir(), source })?;
    let out = folder.path().join("repeated");
    let request = Request {
        sheet: then.sheet.as_ref().map(is_now),
        scales: then.scales.as_ref().map(is_now),
        roots: roots.clone(),
        out: out.clone(),
        replace: false,
        resume: false,
        threads: None,
        options: then.options.clone(),
    };
    run(&request, &|_| ())?;
    let now = Record::read(&out)?;
    let mut differences = Vec::new();
    if then.version != now.version {
        differences.push(Difference::Version { then: then.version.clone(), now: now.version.clone() });
    }
    differences.extend(unequal(&then.inputs, &now.inputs).into_iter().map(Difference::Input));
    differences.extend(changed(results, &then.outputs).into_iter().map(Difference::Changed));
    let outputs = unequal(&then.outputs, &now.outputs);
    let compared = then.outputs.len().saturating_sub(outputs.len());
    differences.extend(outputs.into_iter().map(Difference::Output));
    Ok(Outcome { compared, differences })
}

/// Where a file is now that lay in one of the measured folders, if they were moved.
fn relocated(path: &Path, then: &[PathBuf], now: &[PathBuf]) -> PathBuf {
    let moved = then.iter().zip(now).find_map(|(then, now)| Some(now.join(path.strip_prefix(then).ok()?)));
    moved.unwrap_or_else(|| path.to_owned())
}

/// Files that have another hash on the other side, or are only on one, by name.
fn unequal(a: &[Entry], b: &[Entry]) -> Vec<String> {
    let mut sides: BTreeMap<&str, (Option<&str>, Option<&str>)> = BTreeMap::new();
    for entry in a {
        sides.entry(&entry.file).or_default().0 = Some(&entry.sha256);
    }
    for entry in b {
        sides.entry(&entry.file).or_default().1 = Some(&entry.sha256);
    }
    sides.into_iter().filter(|(_, (a, b))| a != b).map(|(file, _)| file.to_owned()).collect()
}
