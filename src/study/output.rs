//! The results folder: written beside, then renamed into place, so that nothing is ever half-written or overwritten.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use serde::Serialize;
use sha2::{Digest, Sha256};

use crate::error::Error;
use crate::study::record::{Entry, RECORD_NAME, Written, hexadecimal, sha256};
use crate::study::workplace::Workplace;

/// A results folder in the making.
///
/// Files are written into a hidden folder beside the target, which no other run can hold meanwhile. [`Staging::publish`]
/// renames it into place; if the value is dropped before, everything written is removed and the target is as it was.
#[derive(Debug)]
pub struct Staging {
    workplace: Workplace,
    target: PathBuf,
    earlier: Option<Written>,
    written: Mutex<Vec<Entry>>,
}

impl Staging {
    /// Prepares to write the folder `target` with the results of `command`.
    ///
    /// With `replace`, an earlier folder of the same command gives way when the new one is complete; files in it that its
    /// record does not name are carried over.
    ///
    /// # Errors
    /// [`Error::Option`] if the target exists and may not be replaced, or if another run is writing it; [`Error::Write`] if its
    /// parent is not writable.
    pub fn open(target: &Path, command: &str, replace: bool) -> Result<Self, Error> {
        Self::open_named(target, command, "--out", replace)
    }

    /// The same for a folder that is typed behind the option `option`, which errors name.
    ///
    /// # Errors
    /// As [`Staging::open`].
    pub fn open_named(
        target: &Path,
        command: &str,
        option: &'static str,
        replace: bool,
    ) -> Result<Self, Error> {
        // Before anything is touched, and again when no other run can change it.
        earlier_results(target, command, option, replace)?;
        let workplace = Workplace::take(target, option)?;
        let earlier = earlier_results(target, command, option, replace)?;
        Ok(Self { workplace, target: target.to_owned(), earlier, written: Mutex::default() })
    }

    /// The folder where measured files are kept until the results are complete. It may not exist.
    pub fn parts(&self) -> PathBuf {
        self.workplace.parts()
    }

    /// A folder for files that have no name and so leave nothing behind.
    pub fn scratch(&self) -> &Path {
        self.workplace.folder()
    }

    /// Writes a file of the results, given its path from the results folder with `/` between parts.
    ///
    /// # Errors
    /// [`Error::Write`] if the system refuses.
    pub fn write(&self, name: &str, bytes: &[u8]) -> Result<(), Error> {
        let mut file = self.create(name)?;
        file.write_all(bytes).and_then(|()| file.flush()).map_err(|e| self.refused(name, e))?;
        self.note(name, sha256(bytes));
        Ok(())
    }

    /// Writes a file of the results as it is made, so that it need not lie in memory.
    ///
    /// # Errors
    /// [`Error::Write`] if the system refuses.
    pub fn stream(
        &self,
        name: &'static str,
        make: impl FnOnce(&mut dyn Write) -> std::io::Result<()>,
    ) -> Result<(), Error> {
        let mut file = self.table(name)?;
        make(&mut file).map_err(|e| self.refused(name, e))?;
        file.finish()
    }

    /// Opens a table of the results that grows row by row; [`Table::finish`] completes it.
    ///
    /// # Errors
    /// [`Error::Write`] if the system refuses.
    pub fn table(&self, name: &'static str) -> Result<Table<'_>, Error> {
        Ok(Table { staging: self, name, file: BufWriter::new(self.create(name)?), hash: Sha256::new() })
    }

    /// Files written so far, by name.
    pub fn entries(&self) -> Vec<Entry> {
        let mut entries = self.written.lock().expect("invariant: no writer panics").clone();
        entries.sort();
        entries
    }

    /// Completes the folder with its record and renames it into place.
    ///
    /// # Errors
    /// [`Error::Write`] if the system refuses; the earlier results are then still there.
    pub fn publish(self, record: &impl Serialize) -> Result<(), Error> {
        let text = serde_json::to_vec_pretty(record).expect("invariant: a record is plain data");
        self.write(RECORD_NAME, &text)?;
        let refuse = |source| Error::Write { path: self.target.clone(), source };
        if let Some(earlier) = &self.earlier {
            carry_over(&self.target, &self.workplace.new_folder(), earlier).map_err(refuse)?;
        }
        self.workplace.deliver().map_err(refuse)
    }

    fn create(&self, name: &str) -> Result<File, Error> {
        let path = self.workplace.new_folder().join(name);
        let folder = path.parent().expect("invariant: a results file has a folder");
        std::fs::create_dir_all(folder)
            .and_then(|()| File::create_new(&path))
            .map_err(|e| self.refused(name, e))
    }

    fn note(&self, name: &str, sha256: String) {
        self.written
            .lock()
            .expect("invariant: no writer panics")
            .push(Entry { file: name.to_owned(), sha256 });
    }

    fn refused(&self, name: &str, source: std::io::Error) -> Error {
        Error::Write { path: self.target.join(name), source }
    }
}

/// A table that grows row by row.
#[derive(Debug)]
pub struct Table<'a> {
    staging: &'a Staging,
    name: &'static str,
    file: BufWriter<File>,
    hash: Sha256,
}

impl Table<'_> {
    /// Appends whole rows.
    ///
    /// # Errors
    /// [`Error::Write`] if the system refuses.
    pub fn append(&mut self, rows: &[u8]) -> Result<(), Error> {
        self.write_all(rows).map_err(|e| self.staging.refused(self.name, e))
    }

    /// Completes the table.
    ///
    /// # Errors
    /// [`Error::Write`] if the system refuses.
    pub fn finish(mut self) -> Result<(), Error> {
        self.file.flush().map_err(|e| self.staging.refused(self.name, e))?;
        self.staging.note(self.name, hexadecimal(&self.hash.finalize()));
        Ok(())
    }
}

impl Write for Table<'_> {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let taken = self.file.write(bytes)?;
        self.hash.update(&bytes[..taken]);
        Ok(taken)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.file.flush()
    }
}

/// The record of the results that are to be replaced, if there are any.
fn earlier_results(
    target: &Path,
    command: &str,
    option: &'static str,
    replace: bool,
) -> Result<Option<Written>, Error> {
    let refuse = |why: String| Err(Error::Option { name: option, why });
    let shown = target.display();
    if !target.exists() {
        return Ok(None);
    }
    if !target.is_dir() {
        return refuse(format!("{shown} exists and is not a folder; name another one"));
    }
    let empty = std::fs::read_dir(target).is_ok_and(|mut entries| entries.next().is_none());
    if empty {
        return Ok(None);
    }
    if !target.join(RECORD_NAME).is_file() {
        return refuse(format!("{shown} holds files that are not results of a run; name another folder"));
    }
    if !replace {
        return refuse(format!(
            "{shown} holds the results of an earlier run; add --replace, or name another folder"
        ));
    }
    let earlier = Written::read(target)?;
    if earlier.command != command {
        let wrote = earlier.command;
        return refuse(format!(
            "{shown} holds what `ceramograph {wrote}` wrote, which `ceramograph {command}` does not replace; name another folder"
        ));
    }
    Ok(Some(earlier))
}

/// Puts what the earlier run did not write to the same place in `to`, unless something is there. It stays in `from` too, so
/// that nothing is lost wherever the program is stopped.
fn carry_over(from: &Path, to: &Path, earlier: &Written) -> std::io::Result<()> {
    for entry in walkdir::WalkDir::new(from).into_iter().filter_map(Result::ok) {
        let Ok(part) = entry.path().strip_prefix(from) else { continue };
        let name: Vec<_> = part.iter().map(|p| p.to_string_lossy()).collect();
        let name = name.join("/");
        let ours = name == RECORD_NAME || earlier.outputs.iter().any(|o| o.file == name);
        let destination = to.join(part);
        if entry.file_type().is_dir() || ours || destination.exists() {
            continue;
        }
        if let Some(folder) = destination.parent() {
            std::fs::create_dir_all(folder)?;
        }
        // Not every file system has links.
        std::fs::hard_link(entry.path(), &destination)
            .or_else(|_| std::fs::copy(entry.path(), &destination).map(drop))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    fn publish(target: &Path, command: &str, replace: bool, text: &[u8]) -> Result<(), Error> {
        let staging = Staging::open(target, command, replace)?;
        staging.write("deep/a.txt", text)?;
        let record = Written { command: command.into(), outputs: staging.entries() };
        staging.publish(&record)
    }

    #[test]
    fn earlier_results_stand_until_replaced_and_foreign_files_survive() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("results");
        publish(&target, "measure", false, b"first").unwrap();
        assert!(publish(&target, "measure", false, b"second").unwrap_err().to_string().contains("--replace"));
        assert!(
            publish(&target, "relate", true, b"second")
                .unwrap_err()
                .to_string()
                .contains("`ceramograph measure`")
        );
        std::fs::write(target.join("deep/mine.txt"), "notes").unwrap();
        publish(&target, "measure", true, b"second").unwrap();
        assert_eq!(std::fs::read(target.join("deep/a.txt")).unwrap(), b"second");
        assert_eq!(std::fs::read(target.join("deep/mine.txt")).unwrap(), b"notes");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "nothing is left beside");
    }

    #[test]
    fn a_folder_of_the_users_own_is_never_replaced() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("mine.txt"), "notes").unwrap();
        assert!(publish(folder.path(), "measure", true, b"x").is_err());
        assert!(publish(&folder.path().join("mine.txt"), "measure", true, b"x").is_err());
    }

    #[test]
    fn what_is_not_published_leaves_no_trace() {
        let folder = tempfile::tempdir().unwrap();
        let staging = Staging::open(&folder.path().join("results"), "measure", false).unwrap();
        staging.write("a.txt", b"x").unwrap();
        drop(staging);
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    }
}
