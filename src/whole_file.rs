//! A file that is whole or not there.

use std::io::{self, Write as _};
use std::path::Path;

use tempfile::{Builder, NamedTempFile};

use crate::error::Error;

/// Writes a file beside its place and renames it; one that is there already gives way and leaves its permissions.
///
/// # Errors
/// [`Error::Write`] if the system refuses; what was there is then as it was.
pub(crate) fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    let write = || -> io::Result<()> {
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let mut file = file_in(folder)?;
        file.write_all(bytes)?;
        if let Ok(there) = std::fs::metadata(path) {
            file.as_file().set_permissions(there.permissions())?;
        }
        file.persist(path).map(drop).map_err(|refused| refused.error)
    };
    write().map_err(|source| Error::Write { path: path.to_owned(), source })
}

/// A hidden file of a name that nothing else has, removed if it is not put in place.
#[cfg(unix)]
fn file_in(folder: &Path) -> io::Result<NamedTempFile> {
    use std::os::unix::fs::PermissionsExt as _;
    // Of these the user's mask leaves those of an ordinary file; temporary ones are private.
    let ordinary = std::fs::Permissions::from_mode(0o666);
    Builder::new().prefix(".ceramograph-").permissions(ordinary).tempfile_in(folder)
}

#[cfg(not(unix))]
fn file_in(folder: &Path) -> io::Result<NamedTempFile> {
    Builder::new().prefix(".ceramograph-").tempfile_in(folder)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_but_the_file_is_there_and_it_is_whole() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("scales.csv");
        let foreign = folder.path().join("scales.csv.part");
        std::fs::write(&foreign, "mine").unwrap();
        for text in ["first", "second, longer"] {
            write_whole(&path, text.as_bytes()).unwrap();
            assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
        }
        assert_eq!(std::fs::read_to_string(&foreign).unwrap(), "mine");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 2);
        assert!(write_whole(&folder.path().join("no/such.csv"), b"x").is_err());
    }

    #[cfg(unix)]
    #[test]
    fn permissions_are_those_of_an_ordinary_file_or_of_the_one_that_gives_way() {
        use std::os::unix::fs::PermissionsExt as _;
        let folder = tempfile::tempdir().unwrap();
        let mode = |path: &Path| std::fs::metadata(path).unwrap().permissions().mode();
        let (ordinary, path) = (folder.path().join("ordinary"), folder.path().join("whole"));
        std::fs::write(&ordinary, "x").unwrap();
        write_whole(&path, b"x").unwrap();
        assert_eq!(mode(&path), mode(&ordinary));
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o640)).unwrap();
        write_whole(&path, b"y").unwrap();
        assert_eq!(mode(&path) & 0o777, 0o640);
    }
}
