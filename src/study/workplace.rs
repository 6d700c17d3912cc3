//! The hidden folder beside a target, where everything lies until it is complete; one run at a time holds it.
//!
//! Its name follows from that of the target, so that a later run finds what an interrupted one left there: files that were
//! measured, which it may take over, and a folder in the making, which it removes.

use std::ffi::OsString;
use std::fs::{File, TryLockError};
use std::io;
use std::path::{Path, PathBuf};

use crate::error::Error;

/// Behind the name of the target.
const ENDING: &str = ".ceramograph-unfinished";
/// The results in the making.
const NEW: &str = "new";
/// Earlier results, where they and the new ones could not be exchanged in one step.
const EARLIER: &str = "earlier";
/// Files that were measured.
const PARTS: &str = "parts";
/// The file that a run keeps locked.
const LOCK: &str = "lock";

/// The hidden folder of one run.
#[derive(Debug)]
pub(super) struct Workplace {
    folder: PathBuf,
    target: PathBuf,
    /// Locked as long as it is open; the system unlocks it when the program ends, however it ends.
    _lock: File,
}

impl Workplace {
    /// Takes the workplace of the folder `target`, which was typed behind `option`, and removes what an interrupted run left
    /// half-made there. Earlier results that were about to give way are put back.
    ///
    /// # Errors
    /// [`Error::Option`] if another run holds it; [`Error::Write`] if the folder beside the target is not writable.
    pub fn take(target: &Path, option: &'static str) -> Result<Self, Error> {
        let refuse = |source| Error::Write { path: target.to_owned(), source };
        let folder = folder_of(target);
        let Some(lock) = locked(&folder).map_err(refuse)? else {
            let shown = target.display();
            let why =
                format!("another run is writing {shown}; wait until it has ended, or name another folder");
            return Err(Error::Option { name: option, why });
        };
        let workplace = Self { folder, target: target.to_owned(), _lock: lock };
        workplace.tidy().map_err(refuse)?;
        std::fs::create_dir(workplace.new_folder()).map_err(refuse)?;
        Ok(workplace)
    }

    /// The folder itself.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Where the new results are made.
    pub fn new_folder(&self) -> PathBuf {
        self.folder.join(NEW)
    }

    /// Where measured files are kept for a later run.
    pub fn parts(&self) -> PathBuf {
        self.folder.join(PARTS)
    }

    /// Puts the new results in the place of the target, and removes everything else.
    ///
    /// Where the system can exchange two folders, there is no moment without results.
    ///
    /// # Errors
    /// What the system said; the target is then as it was.
    pub fn deliver(self) -> io::Result<()> {
        let new = self.new_folder();
        if !self.target.exists() || exchange(&new, &self.target).is_err() {
            self.replace(&new)?;
        }
        // The results are in place: what cannot be removed now is removed by the next run.
        drop(std::fs::remove_dir_all(self.parts()));
        Ok(())
    }

    /// Renames in two steps at most, and takes the first back if the second fails.
    fn replace(&self, new: &Path) -> io::Result<()> {
        let earlier = self.folder.join(EARLIER);
        let holds_results = std::fs::read_dir(&self.target).is_ok_and(|mut files| files.next().is_some());
        if holds_results {
            std::fs::rename(&self.target, &earlier)?;
        }
        std::fs::rename(new, &self.target).or_else(|error| {
            if holds_results {
                std::fs::rename(&earlier, &self.target)?;
            }
            Err(error)
        })
    }

    fn tidy(&self) -> io::Result<()> {
        let earlier = self.folder.join(EARLIER);
        if earlier.exists() && !self.target.exists() {
            std::fs::rename(&earlier, &self.target)?;
        }
        remove_folder(&earlier)?;
        remove_folder(&self.new_folder())
    }
}

impl Drop for Workplace {
    /// Leaves nothing but measured files, if there are any.
    fn drop(&mut self) {
        drop(self.tidy());
        drop(std::fs::remove_dir(self.parts()));
        if !self.parts().exists() {
            drop(std::fs::remove_file(self.folder.join(LOCK)));
            drop(std::fs::remove_dir(&self.folder));
        }
    }
}

/// Removes the workplace of a complete target, if an interrupted run left it and no other holds it.
pub(super) fn clear(target: &Path) {
    if folder_of(target).exists()
        && let Ok(workplace) = Workplace::take(target, "--out")
    {
        drop(std::fs::remove_dir_all(workplace.parts()));
    }
}

/// The hidden folder beside a target.
fn folder_of(target: &Path) -> PathBuf {
    let parent = target.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut name = OsString::from(".");
    name.push(target.file_name().unwrap_or("results".as_ref()));
    name.push(ENDING);
    parent.join(name)
}

/// Makes the folder and locks it; `None` if another run has.
fn locked(folder: &Path) -> io::Result<Option<File>> {
    loop {
        std::fs::create_dir_all(folder)?;
        let path = folder.join(LOCK);
        let file = match File::create(&path) {
            // A run that has just ended took its folder away.
            Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
            file => file?,
        };
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Ok(None),
            // Some shared file systems have no locks: better nobody is kept out than nobody can work there.
            Err(TryLockError::Error(error)) if error.kind() == io::ErrorKind::Unsupported => {}
            Err(TryLockError::Error(error)) => return Err(error),
        }
        // A lock on a file that was removed between opening and locking holds nobody off.
        let ours = same_file::Handle::from_file(file.try_clone()?)?;
        if same_file::Handle::from_path(&path).is_ok_and(|there| there == ours) {
            return Ok(Some(file));
        }
    }
}

/// Removes a folder and what is in it, if it is there.
pub(super) fn remove_folder(folder: &Path) -> io::Result<()> {
    match std::fs::remove_dir_all(folder) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        other => other,
    }
}

/// Exchanges two folders in one step.
#[cfg(any(target_os = "linux", target_os = "android", target_vendor = "apple"))]
fn exchange(a: &Path, b: &Path) -> io::Result<()> {
    use rustix::fs::{CWD, RenameFlags, renameat_with};
    Ok(renameat_with(CWD, a, CWD, b, RenameFlags::EXCHANGE)?)
}

#[cfg(not(any(target_os = "linux", target_os = "android", target_vendor = "apple")))]
fn exchange(_a: &Path, _b: &Path) -> io::Result<()> {
    Err(io::ErrorKind::Unsupported.into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_run_at_a_time_holds_a_target() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("results");
        let first = Workplace::take(&target, "--out").unwrap();
        let refused = Workplace::take(&target, "--out").unwrap_err().to_string();
        assert!(refused.contains("another run is writing"), "{refused}");
        assert!(Workplace::take(&folder.path().join("others"), "--out").is_ok());
        drop(first);
        assert!(Workplace::take(&target, "--out").is_ok());
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0, "nothing is left");
    }

    #[test]
    fn results_that_were_about_to_give_way_are_put_back() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("results");
        let hidden = folder_of(&target);
        std::fs::create_dir_all(hidden.join(EARLIER)).unwrap();
        std::fs::write(hidden.join(EARLIER).join("a.txt"), "first").unwrap();
        drop(Workplace::take(&target, "--out").unwrap());
        assert_eq!(std::fs::read_to_string(target.join("a.txt")).unwrap(), "first");
        assert!(!hidden.exists());
    }

    #[test]
    fn folders_change_places_in_one_step_or_in_two() {
        for in_one_step in [true, false] {
            let folder = tempfile::tempdir().unwrap();
            let target = folder.path().join("results");
            std::fs::create_dir(&target).unwrap();
            std::fs::write(target.join("a.txt"), "first").unwrap();
            let workplace = Workplace::take(&target, "--out").unwrap();
            std::fs::write(workplace.new_folder().join("b.txt"), "second").unwrap();
            if in_one_step {
                workplace.deliver().unwrap();
            } else {
                workplace.replace(&workplace.new_folder()).unwrap();
                drop(workplace);
            }
            assert!(target.join("b.txt").is_file() && !target.join("a.txt").exists());
            assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
        }
    }
}
