//! Which pictures a run measures, and which specimen each belongs to.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use walkdir::WalkDir;

use crate::error::Error;
use crate::micrograph::is_picture_name;
use crate::study::record::RECORD_NAME;
use crate::warning::Warning;

/// Ending of the label maps that `phantom` writes beside its pictures; they are truth, not pictures.
pub const LABEL_MAP_ENDING: &str = ".labels.png";

/// Reading a pipe could wait for ever, and reading a device never end.
const NOT_A_FILE: &str = "this is a pipe, a socket or a device and no file; copy the picture into a file";

/// A picture file to be measured.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Input {
    /// Its name in the result: the path from the measured folder, with `/` between parts.
    pub name: String,
    /// The path from its own measured folder, which the patterns of a study sheet are matched with.
    pub relative: String,
    /// Where it is.
    pub path: PathBuf,
    /// Its folder below the measured one, or the name of the measured folder: the specimen, unless a sheet says
    /// otherwise.
    pub folder: String,
}

impl Input {
    /// Its name without ending, which the pictures that are written replace by their own.
    pub fn name_without_ending(&self) -> &str {
        self.name.rsplit_once('.').map_or(&self.name, |(stem, _)| stem)
    }
}

/// Lists the pictures below the given folders, and the given files, in the order of their names.
///
/// Each file is listed once, under the first of its names. Hidden entries, results of earlier runs and phantom label
/// maps are passed over. With several roots, names begin with the root's own name. Unreadable sub-folders, and pipes and
/// devices with the name of a picture, become warnings.
///
/// # Errors
/// [`Error::Read`] if a root does not exist or cannot be read; [`Error::Field`] if it is a pipe or a device, or if there is no
/// picture at all.
pub fn inputs(roots: &[PathBuf]) -> Result<(Vec<Input>, Vec<Warning>), Error> {
    let mut found = Vec::new();
    let mut warnings = Vec::new();
    for root in roots {
        let meta = std::fs::metadata(root).map_err(|source| Error::Read { path: root.clone(), source })?;
        if meta.is_dir() {
            // Fails here, with its reason, if the folder itself is unreadable.
            std::fs::read_dir(root).map_err(|source| Error::Read { path: root.clone(), source })?;
            walk(root, roots.len() > 1, &mut found, &mut warnings);
        } else if meta.is_file() {
            found.push(single(root));
        } else {
            return Err(Error::Field { path: root.clone(), why: NOT_A_FILE.into() });
        }
    }
    found.sort();
    // A picture that two roots reach, or a link and its target, is one field.
    let mut seen = HashSet::new();
    found.retain(|input| seen.insert(input.path.canonicalize().unwrap_or_else(|_| input.path.clone())));
    if found.is_empty() {
        let path = roots.first().cloned().unwrap_or_default();
        let why = "no picture was found here; PNG, TIFF, JPEG and BMP files are read, in sub-folders too";
        return Err(Error::Field { path, why: why.into() });
    }
    Ok((found, warnings))
}

/// The file of this name in the first of the given folders that has it.
pub fn beside_pictures(roots: &[PathBuf], name: &str) -> Option<PathBuf> {
    roots.iter().map(|root| root.join(name)).find(|path| path.is_file())
}

fn walk(root: &Path, several: bool, found: &mut Vec<Input>, warnings: &mut Vec<Warning>) {
    let base = own_name(root);
    let entries = WalkDir::new(root).follow_links(true).into_iter().filter_entry(|entry| {
        entry.depth() == 0
            || !(entry.file_name().to_string_lossy().starts_with('.')
                || entry.file_type().is_dir() && entry.path().join(RECORD_NAME).is_file())
    });
    for entry in entries {
        let entry = match entry {
            Ok(entry) => entry,
            Err(error) => {
                let text = format!("a part of the folder was left out: {error}; check its permissions");
                warnings.push(Warning::new("unreadable-entry", text));
                continue;
            }
        };
        let path = entry.path();
        let label_map = entry.file_name().to_string_lossy().ends_with(LABEL_MAP_ENDING);
        if entry.file_type().is_dir() || !is_picture_name(path) || label_map {
            continue;
        }
        if !entry.file_type().is_file() {
            let text = format!("{} was left out: {NOT_A_FILE}", path.display());
            warnings.push(Warning::new("unreadable-entry", text));
            continue;
        }
        let parts: Vec<_> = path
            .strip_prefix(root)
            .unwrap_or(path)
            .iter()
            .map(|part| part.to_string_lossy().into_owned())
            .collect();
        let folder = match parts.len() {
            0 | 1 => base.clone(),
            n => parts[..n - 1].join("/"),
        };
        let relative = parts.join("/");
        let name = if several { format!("{base}/{relative}") } else { relative.clone() };
        found.push(Input { name, relative, path: path.to_owned(), folder });
    }
}

fn single(path: &Path) -> Input {
    let folder = path.canonicalize().ok().and_then(|p| p.parent().map(own_name)).unwrap_or_default();
    Input { name: own_name(path), relative: own_name(path), path: path.to_owned(), folder }
}

/// The last part of a path, also for `.` and `..`.
fn own_name(path: &Path) -> String {
    let full = path.canonicalize();
    let name = path.file_name().or_else(|| full.as_ref().ok().and_then(|p| p.file_name()));
    name.map_or_else(|| "pictures".into(), |n| n.to_string_lossy().into_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn touch(path: &Path) {
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, b"").unwrap();
    }

    #[test]
    fn pictures_are_listed_once_in_order_and_nothing_else_is() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path().join("rings");
        for name in [
            "b/2.png",
            "b/1.TIF",
            "a.jpg",
            "notes.txt",
            ".hidden/x.png",
            "b/1.labels.png",
            "old/run.json",
            "old/y.png",
        ] {
            touch(&root.join(name));
        }
        let (found, warnings) = inputs(&[root.clone(), root.join("b")]).unwrap();
        let listed: Vec<_> = found.iter().map(|i| (i.name.as_str(), i.folder.as_str())).collect();
        assert_eq!(listed, [("b/1.TIF", "b"), ("b/2.png", "b"), ("rings/a.jpg", "rings")]);
        assert!(warnings.is_empty());
        let (found, _) = inputs(&[root]).unwrap();
        let listed: Vec<_> = found.iter().map(|i| (i.name.as_str(), i.folder.as_str())).collect();
        assert_eq!(listed, [("a.jpg", "rings"), ("b/1.TIF", "b"), ("b/2.png", "b")]);
    }
}
