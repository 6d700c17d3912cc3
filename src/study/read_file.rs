//! Reading files that may be no files, or not those that are meant.

use std::fs::File;
use std::io::{Error as IoError, ErrorKind, Read as _};
use std::path::{Component, Path};

use crate::error::Error;

/// Longer files were not written by a person, and a device never ends.
const LONGEST_TABLE: u64 = 16 << 20;

/// Reads a table or a file of options, as a person writes it; a pipe is read to its end.
///
/// # Errors
/// [`Error::Read`] if it cannot be read, or is longer than 16 MiB.
pub(crate) fn read_table(path: &Path) -> Result<Vec<u8>, Error> {
    let refuse = |source| Error::Read { path: path.to_owned(), source };
    let mut bytes = Vec::new();
    let file = File::open(path).map_err(refuse)?;
    file.take(LONGEST_TABLE + 1).read_to_end(&mut bytes).map_err(refuse)?;
    if bytes.len() as u64 > LONGEST_TABLE {
        let why = "it is longer than 16 MiB and no table; name the file that is meant";
        return Err(refuse(IoError::new(ErrorKind::InvalidData, why)));
    }
    Ok(bytes)
}

/// Reads a file that this program wrote, or that it was told about, and nothing that may wait or never end.
///
/// # Errors
/// [`Error::Read`] if it cannot be read, or is a pipe, a socket or a device.
pub(crate) fn read_regular(path: &Path) -> Result<Vec<u8>, Error> {
    check_regular(path)?;
    std::fs::read(path).map_err(|source| Error::Read { path: path.to_owned(), source })
}

/// An error of what is no file.
///
/// # Errors
/// [`Error::Read`] if there is nothing, or it is a pipe, a socket, a device or a folder.
pub(crate) fn check_regular(path: &Path) -> Result<(), Error> {
    let refuse = |source| Error::Read { path: path.to_owned(), source };
    if std::fs::metadata(path).map_err(refuse)?.is_file() {
        return Ok(());
    }
    let why = "it is a pipe, a socket, a device or a folder and no file";
    Err(refuse(IoError::new(ErrorKind::InvalidInput, why)))
}

/// Whether a name that stands in a record leads to a place within the folder of the record, which may come from another
/// machine.
pub(crate) fn is_within_its_folder(name: &str) -> bool {
    Path::new(name).components().all(|part| matches!(part, Component::Normal(_)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_within_a_folder_are_told_from_those_that_lead_out() {
        assert!(["a.csv", "overlays/a.png", "..a/b"].into_iter().all(is_within_its_folder));
        assert!(!["../a", "a/../../b", "/etc/hosts", "./a"].into_iter().any(is_within_its_folder));
    }

    #[cfg(unix)]
    #[test]
    fn devices_are_refused_and_do_not_fill_the_memory() {
        let zero = Path::new("/dev/zero");
        assert!(read_regular(zero).unwrap_err().to_string().contains("no file"));
        assert!(read_table(zero).unwrap_err().to_string().contains("longer than 16 MiB"));
        assert_eq!(read_table(Path::new("/dev/null")).unwrap(), b"");
    }
}
