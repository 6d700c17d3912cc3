//! What is settled before the first picture is read: the files, what is said about them, and the options.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use crate::error::Error;
use crate::options::{Options, Surface};
use crate::report;
use crate::study::input::{Input, beside_pictures, inputs};
use crate::study::read_file::read_table;
use crate::study::record::{Entry, absolute, sha256};
use crate::study::run::Request;
use crate::study::scale_list::{self, SCALES_NAME, ScaleList};
use crate::study::sheet::{self, SHEET_NAME, SheetRow};
use crate::warning::Warning;

/// What is settled before the first picture is read. With the parts of its files it makes the results.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Agenda {
    /// Version of the program.
    pub version: String,
    /// What is measured: folders or files, as absolute paths.
    pub roots: Vec<PathBuf>,
    /// Study sheet, if there is one.
    pub sheet: Option<TableFile>,
    /// File of scales, if there is one.
    pub scales: Option<TableFile>,
    /// All options, resolved.
    pub options: Options,
    /// Every picture file, in the order of the result.
    pub files: Vec<Listed>,
    /// What is said about each specimen, by its name.
    pub specimens: BTreeMap<String, Said>,
    /// Doubts about the list, the sheet and the file of scales.
    pub warnings: Vec<Warning>,
}

/// A table that was read.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TableFile {
    /// Where it is, as an absolute path.
    pub path: PathBuf,
    /// Its name and hash.
    pub entry: Entry,
}

/// A picture file in the list.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Listed {
    /// Path from the measured folder, with `/` between parts.
    pub name: String,
    /// Name without ending of what is written about it; no two files have the same.
    pub stem: String,
    /// Specimen that it belongs to.
    pub specimen: String,
}

/// What is said about a specimen.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Said {
    /// How its surface was prepared, if that is known.
    pub surface: Option<Surface>,
    /// Other filled columns of its row in the study sheet, by head, as written.
    pub firing: BTreeMap<String, String>,
}

/// An agenda, and what is needed to measure its files.
pub(super) struct Prepared {
    pub agenda: Agenda,
    /// Where the files are, in the order of the agenda.
    pub inputs: Vec<Input>,
    pub scales: ScaleList,
}

/// Lists the pictures and reads the tables.
pub(super) fn prepare(request: &Request) -> Result<Prepared, Error> {
    let options = request.options.clone().validated()?;
    let (inputs, mut warnings) = inputs(&request.roots)?;
    let sheet_path = request.sheet.clone().or_else(|| beside_pictures(&request.roots, SHEET_NAME));
    let (rows, sheet) = match sheet_path {
        Some(path) => {
            let bytes = read_table(&path)?;
            let sheet = sheet::parse(&bytes, &path)?;
            warnings.extend(sheet.warnings());
            let name = path.file_name().map(|name| name.to_string_lossy().into_owned());
            let entry = Entry { file: name.unwrap_or_default(), sha256: sha256(&bytes) };
            (sheet.rows, Some(TableFile { path: absolute(&path), entry }))
        }
        None => (Vec::new(), None),
    };
    warnings.extend(unmatched_rows(&rows, &inputs));
    let scales_path = request.scales.clone().or_else(|| beside_pictures(&request.roots, SCALES_NAME));
    let scales = scales_path.as_deref().map(scale_list::read).transpose()?.unwrap_or_default();
    warnings.extend(scales.warnings(&inputs));
    let scales_file =
        scales_path.zip(scales.entry.clone()).map(|(path, entry)| TableFile { path: absolute(&path), entry });
    let agenda = Agenda {
        version: env!("CARGO_PKG_VERSION").into(),
        roots: request.roots.iter().map(|root| absolute(root)).collect(),
        sheet,
        scales: scales_file,
        files: listed(&inputs, &rows),
        specimens: said(&inputs, &rows, options.surface),
        options,
        warnings,
    };
    Ok(Prepared { agenda, inputs, scales })
}

impl Agenda {
    /// A hash of the agenda and of what its files came from, given by the keys of their parts; two runs with the same one
    /// write the same bytes.
    pub fn digest(&self, keys: &[String]) -> String {
        sha256(&serde_json::to_vec(&(self, keys)).expect("invariant: an agenda is plain data"))
    }

    /// Why parts that were measured by this agenda and by `other` make no results together; `None` if they do.
    ///
    /// Paths may differ, because each machine may have the folder elsewhere.
    pub fn difference(&self, other: &Self) -> Option<String> {
        if self.version != other.version {
            return Some(format!("version {} and version {}", self.version, other.version));
        }
        if self.options != other.options {
            return Some(format!("different options: {}", different_options(&self.options, &other.options)));
        }
        for (what, a, b) in
            [("study sheets", &self.sheet, &other.sheet), ("files of scales", &self.scales, &other.scales)]
        {
            let hash = |file: &Option<TableFile>| file.as_ref().map(|file| file.entry.sha256.clone());
            if hash(a) != hash(b) {
                return Some(format!("different {what}"));
            }
        }
        let (a, b) = (&self.files, &other.files);
        let (longer, shorter) = if a.len() >= b.len() { (a, b) } else { (b, a) };
        let odd = longer.iter().zip(shorter.iter().map(Some).chain(std::iter::repeat(None)));
        let (odd, _) = odd.into_iter().find(|(file, beside)| Some(*file) != *beside)?;
        Some(format!("different lists of files, from '{}' on", odd.name))
    }
}

/// The options whose values differ, as typed.
fn different_options(a: &Options, b: &Options) -> String {
    let map = |options: &Options| match serde_json::to_value(options) {
        Ok(serde_json::Value::Object(map)) => map,
        _ => unreachable!("invariant: options are an object"),
    };
    let (a, b) = (map(a), map(b));
    let names: BTreeSet<String> =
        a.iter().filter(|(name, value)| b.get(*name) != Some(value)).map(|(n, _)| format!("--{n}")).collect();
    Vec::from_iter(names).join(", ")
}

fn listed(inputs: &[Input], rows: &[SheetRow]) -> Vec<Listed> {
    let names: Vec<&str> = inputs.iter().map(Input::name_without_ending).collect();
    let with_stem = inputs.iter().zip(report::file_stems(&names));
    let listed = with_stem.map(|(input, stem)| Listed {
        name: input.name.clone(),
        stem,
        specimen: specimen_of(rows, input).0,
    });
    listed.collect()
}

fn said(inputs: &[Input], rows: &[SheetRow], otherwise: Option<Surface>) -> BTreeMap<String, Said> {
    let said = inputs.iter().map(|input| {
        let (specimen, row) = specimen_of(rows, input);
        let surface = row.and_then(|row| row.surface).or(otherwise);
        (specimen, Said { surface, firing: row.map(|row| row.firing.clone()).unwrap_or_default() })
    });
    said.collect()
}

/// The specimen of a picture, and its row in the sheet.
fn specimen_of<'a>(sheet: &'a [SheetRow], input: &Input) -> (String, Option<&'a SheetRow>) {
    let row = sheet.iter().find(|row| row.covers(&input.relative)).or_else(|| {
        let own = |row: &&SheetRow| row.specimen == input.folder;
        sheet.iter().find(own)
    });
    (row.map_or_else(|| input.folder.clone(), |row| row.specimen.clone()), row)
}

/// Rows without pictures, and pictures without a row, become warnings.
fn unmatched_rows(sheet: &[SheetRow], inputs: &[Input]) -> Vec<Warning> {
    let mut pictures: BTreeMap<String, usize> = BTreeMap::new();
    let mut rowless = BTreeMap::new();
    for input in inputs {
        let (specimen, row) = specimen_of(sheet, input);
        if row.is_none() && !sheet.is_empty() {
            *rowless.entry(specimen.clone()).or_insert(0) += 1;
        }
        *pictures.entry(specimen).or_insert(0) += 1;
    }
    let without_pictures = sheet.iter().filter(|row| !pictures.contains_key(&row.specimen)).map(|row| {
        let text =
            format!("the study sheet names specimen '{}', but no picture matches its pattern", row.specimen);
        Warning::new("specimen-without-pictures", text)
    });
    let without_row = rowless.iter().map(|(name, count)| {
        let text = format!(
            "{count} pictures of '{name}' have no row in the study sheet; they are measured all the same"
        );
        Warning::new("specimen-without-row", text)
    });
    without_pictures.chain(without_row).collect()
}
