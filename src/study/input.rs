//! Which pictures a run measures, and which specimen each belongs to.

use std::path::{Path, PathBuf};

use walkdir::WalkDir;

use crate::error::Error;
use crate::micrograph::is_picture_name;
use crate::study::record::RECORD_NAME;
use crate::warning::Warning;

/// Ending of the label maps that `phantom` writes beside its pictures; they are truth, not pictures.
pub const LABEL_MAP_ENDING: &str = ".labels.png";

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

/// Lists the pictures below the given folders, and the given files, in the order of their names.
///
/// Hidden entries, results of earlier runs and phantom label maps are passed over. With several roots, names begin
/// with the root's own name. Unreadable sub-folders become warnings.
///
/// # Errors
/// [`Error::Read`] if a root does not exist or cannot be read; [`Error::Field`] if there is no picture at all.
pub fn inputs(roots: &[PathBuf]) -> Result<(Vec<Input>, Vec<Warning>), Error> {
    let mut found = Vec::new();
    let mut warnings = Vec::new();
    for root in roots {
        let meta = std::fs::metadata(root).map_err(|source| Error::Read { path: root.clone(), source })?;
        if meta.is_dir() {
            // Fails here, with its reason, if the folder itself is unreadable.
            std::fs::read_dir(root).map_err(|source| Error::Read { path: root.clone(), source })?;
            walk(root, roots.len() > 1, &mut found, &mut warnings);
        } else {
            found.push(single(root));
        }
    }
    found.sort();
    found.dedup_by(|a, b| a.path == b.path);
    if found.is_empty() {
        let path = roots.first().cloned().unwrap_or_default();
        let why = "no picture was found here; PNG, TIFF, JPEG and BMP files are read, in sub-folders too";
        return Err(Error::Field { path, why: why.into() });
    }
    Ok((found, warnings))
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
        if !entry.file_type().is_file() || !is_picture_name(path) || label_map {
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
