//! Pictures with truth that are kept beside the repository, because some carry licences that the project does not.

use std::path::PathBuf;

/// The folder of the pictures: `micrographs` in the folder that `CERAMOGRAPH_SHARED` names, or else in `../shared`.
///
/// Where it is absent, says that what needs it is left out, so that a test that did not run cannot pass for one that did.
pub fn shared_micrographs() -> Option<PathBuf> {
    let shared = std::env::var_os("CERAMOGRAPH_SHARED")
        .map_or_else(|| PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../shared"), PathBuf::from);
    let folder = shared.join("micrographs");
    if folder.is_dir() {
        return Some(folder);
    }
    eprintln!("left out: there is no ../shared/micrographs, and CERAMOGRAPH_SHARED names none");
    None
}
