//! A whole relation: results folder and study sheet in, folder with tables, figures and page out.

use std::path::{Path, PathBuf};

use rayon::prelude::*;

use crate::error::Error;
use crate::relate::relation::{Relation, SCHEMA_VERSION};
use crate::relate::specimens::{pieces, warnings};
use crate::relate::{Question, answer};
use crate::report::folder::write_figure;
use crate::report::{self, html};
use crate::study::output::Staging;
use crate::study::read_file::read_table;
use crate::study::record::{Derivation, Entry, Record, absolute, sha256};
use crate::study::result::Study;
use crate::study::results::{self, Results};
use crate::study::sheet::{self, SHEET_NAME, Sheet};

/// Name of the command whose results these are.
const COMMAND: &str = "relate";

/// What a relation is asked to do.
#[derive(Clone, Debug)]
pub struct Request {
    /// Results folder of a measured study.
    pub results: PathBuf,
    /// Study sheet; `None` is the one that was measured with.
    pub sheet: Option<PathBuf>,
    /// Folder to write.
    pub out: PathBuf,
    /// Whether an earlier relation there gives way.
    pub replace: bool,
    /// What is asked.
    pub question: Question,
}

/// Relates a measured study to its firing and writes the folder.
///
/// # Errors
/// [`Error`] if the folder holds no results, there is no sheet or it cannot be read, a condition is not a column of it, or
/// the folder may not be written.
pub fn run(request: &Request) -> Result<Relation, Error> {
    let results = results::read(&request.results)?;
    let path = sheet_path(request, &results.record)?;
    let bytes = read_table(&path)?;
    let relation = relation(&results.study, &sheet::parse(&bytes, &path)?, &request.question)?;
    let staging = Staging::open(&request.out, COMMAND, request.replace)?;
    write(&relation, &results, request, &staging)?;
    let sheet_name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let outputs = staging.entries();
    staging.publish(&Derivation {
        command: COMMAND.into(),
        version: env!("CARGO_PKG_VERSION").into(),
        results: absolute(&request.results),
        inputs: vec![results.summary, Entry { file: sheet_name, sha256: sha256(&bytes) }],
        outputs,
    })?;
    Ok(relation)
}

/// The sheet that was typed, else the one that was measured with.
fn sheet_path(request: &Request, record: &Record) -> Result<PathBuf, Error> {
    request.sheet.clone().or_else(|| record.sheet.clone()).ok_or_else(|| Error::Option {
        name: "--sheet",
        why: format!(
            "the pictures were measured without a study sheet; write one (`ceramograph relate --template > {SHEET_NAME}`) and name it"
        ),
    })
}

/// What the study and its sheet say together.
///
/// # Errors
/// [`Error::Option`] if the question names a column that no specimen has filled with what is needed.
pub fn relation(study: &Study, sheet: &Sheet, question: &Question) -> Result<Relation, Error> {
    let pieces = pieces(study, sheet, question)?;
    let (specimens, observations): (Vec<_>, Vec<_>) =
        pieces.into_iter().map(|piece| (piece.related, piece.observation)).unzip();
    let answer = answer(&observations, question);
    Ok(Relation {
        schema_version: SCHEMA_VERSION,
        tool: study.tool.clone(),
        conclusions: answer.conclusions,
        warnings: warnings(&specimens, sheet),
        specimens,
        effects: answer.effects,
        growth: answer.growth,
        trajectory: answer.trajectory,
    })
}

fn write(relation: &Relation, results: &Results, request: &Request, staging: &Staging) -> Result<(), Error> {
    staging.write("relation.json", report::json::relation(relation).as_bytes())?;
    staging.write("relation.csv", &report::relation::levels(relation))?;
    staging.write("specimens.csv", &report::relation::specimens(relation))?;
    let figures = report::relation::figures(relation);
    figures.par_iter().try_for_each(|drawn| write_figure(staging, &drawn.name, &drawn.svg))?;
    let (_, page) = results.file("report.html")?;
    let way = between(&future(&request.out), &absolute(&request.results));
    let text = html::with_firing(&String::from_utf8_lossy(&page), relation, &figures, &way);
    let text = text.ok_or_else(|| Error::Field {
        path: request.results.join("report.html"),
        why: "this page was written by another version; measure the pictures again".into(),
    })?;
    staging.write("report.html", text.as_bytes())
}

/// Where a folder will be that need not exist yet, unlike the one that it lies in.
fn future(folder: &Path) -> PathBuf {
    let parent = folder.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    folder.file_name().map_or_else(|| absolute(folder), |name| absolute(parent).join(name))
}

/// The way from one folder to another for a link in a page, with `/` between parts.
fn between(from: &Path, to: &Path) -> String {
    let (from, to): (Vec<_>, Vec<_>) = (from.components().collect(), to.components().collect());
    let shared = from.iter().zip(&to).take_while(|(a, b)| a == b).count();
    let up = std::iter::repeat_n("..".to_owned(), from.len() - shared);
    let down = to[shared..].iter().map(|part| part.as_os_str().to_string_lossy().into_owned());
    let parts: Vec<String> = up.chain(down).collect();
    if parts.is_empty() { ".".into() } else { parts.join("/") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn links_lead_from_one_folder_to_the_other() {
        assert_eq!(between(Path::new("/a/results/relation"), Path::new("/a/results")), "..");
        assert_eq!(between(Path::new("/a/relation"), Path::new("/a/results")), "../results");
        assert_eq!(between(Path::new("/a"), Path::new("/a")), ".");
    }
}
