//! Text files that an instrument leaves beside a picture: `ring-1.txt` or `ring-1.tif.txt` beside `ring-1.tif`.

use std::fs::File;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use super::Micrograph;
use crate::scale::{ScaleClaim, ScaleSource, statement};
use crate::warning::Warning;

/// Longer files are no such text and are not read.
const LONGEST_TEXT: u64 = 1 << 20;

/// Ways to write the ending, because not every file system takes them for the same.
const ENDINGS: [&str; 8] = ["txt", "TXT", "Txt", "tXt", "txT", "TXt", "TxT", "tXT"];

/// A text file beside a picture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TextBeside {
    /// Its file name.
    pub name: String,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

/// The text files beside the picture at `path`: that of its full name first, then that of its name without ending.
///
/// What cannot be read, or is longer than 1 MiB, is passed over: a picture is good without it.
pub fn texts_beside(path: &Path) -> Vec<TextBeside> {
    let stem = path.with_extension("");
    let without_ending = Some(stem.as_path()).filter(|stem| *stem != path);
    [Some(path), without_ending].into_iter().flatten().filter_map(first_text).collect()
}

/// The first readable file of this name with `.txt` behind it.
fn first_text(name: &Path) -> Option<TextBeside> {
    ENDINGS.iter().find_map(|ending| {
        let mut path = name.as_os_str().to_owned();
        path.push(".");
        path.push(ending);
        let path = PathBuf::from(path);
        // Opening a pipe would wait for someone to write into it.
        let file = path.is_file().then(|| File::open(&path).ok())??;
        let mut bytes = Vec::new();
        let read = file.take(LONGEST_TEXT + 1).read_to_end(&mut bytes).ok()?;
        let name = path.file_name()?.to_string_lossy().into_owned();
        (read as u64 <= LONGEST_TEXT).then_some(TextBeside { name, bytes })
    })
}

impl TextBeside {
    /// Adds to the picture what the text states about its pixel size; `false` if that is nothing.
    ///
    /// As with a tag, a pixel size for another frame width becomes a warning.
    pub fn tell(&self, micrograph: &mut Micrograph) -> bool {
        let size = (micrograph.grey.width(), micrograph.grey.height());
        self.tell_of(size, &mut micrograph.claims, &mut micrograph.warnings)
    }

    /// The same of a picture of `size` columns and rows.
    pub(crate) fn tell_of(
        &self,
        size: (usize, usize),
        claims: &mut Vec<ScaleClaim>,
        warnings: &mut Vec<Warning>,
    ) -> bool {
        let text = statement::decode_text(&self.bytes);
        let side = |px: usize| u32::try_from(px).unwrap_or(u32::MAX);
        let size = (side(size.0), side(size.1));
        let found = statement::read(&text, ScaleSource::TextBeside, &self.name, size);
        let states = !(found.claims.is_empty() && found.warnings.is_empty());
        claims.extend(found.claims);
        warnings.extend(found.warnings);
        states
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::Grid;
    use crate::micrograph::Grey;

    fn told(text: &[u8]) -> Micrograph {
        let grey = Grey::Eight(Grid::filled(640, 480, 0));
        let mut micrograph = Micrograph { grey, claims: Vec::new(), warnings: Vec::new() };
        TextBeside { name: "ring-1.txt".into(), bytes: text.to_vec() }.tell(&mut micrograph);
        micrograph
    }

    #[test]
    fn a_text_is_found_by_either_name_and_any_case_of_its_ending() {
        let folder = tempfile::tempdir().unwrap();
        let picture = folder.path().join("ring-1.tif");
        assert!(texts_beside(&picture).is_empty());
        for name in ["ring-1.TXT", "ring-1.tif.Txt", "ring-10.txt", "ring.txt"] {
            std::fs::write(folder.path().join(name), name).unwrap();
        }
        let names: Vec<String> = texts_beside(&picture).into_iter().map(|text| text.name).collect();
        assert_eq!(
            names.iter().map(|name| name.to_lowercase()).collect::<Vec<_>>(),
            ["ring-1.tif.txt", "ring-1.txt"]
        );
    }

    #[test]
    fn a_folder_or_an_endless_file_of_that_name_is_no_text() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("a.txt")).unwrap();
        std::fs::write(folder.path().join("b.txt"), vec![b' '; LONGEST_TEXT as usize + 1]).unwrap();
        std::fs::write(folder.path().join("c.txt"), vec![b' '; LONGEST_TEXT as usize]).unwrap();
        let count = |name: &str| texts_beside(&folder.path().join(name)).len();
        assert_eq!([count("a.png"), count("b.png"), count("c.png")], [0, 0, 1]);
    }

    #[test]
    fn pixel_sizes_are_told_and_magnifications_are_not() {
        let told_um = |text: &str| told(text.as_bytes()).claims.first().map(|claim| claim.um_per_px_x);
        assert_eq!(told_um("Pixel size: 25 nm"), Some(0.025));
        assert_eq!(told_um("Image width: 64 um\r\nColumns: 640\r\n"), Some(0.1));
        for nothing in ["Magnification: 5000 x", "Mag = 10.00 K X", "polished, 1500 C", ""] {
            let micrograph = told(nothing.as_bytes());
            assert!(micrograph.claims.is_empty() && micrograph.warnings.is_empty(), "{nothing}");
        }
        let other = told(b"Pixel size: 25 nm\nImage size: 1280 x 960");
        assert!(other.claims.is_empty());
        assert_eq!(other.warnings[0].code, "pixel-size-for-other-width");
    }
}
