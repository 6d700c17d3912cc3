//! A whole relation: results folder and study sheet in, folder with tables, figures and page out.

use std::path::{Path, PathBuf};

use crate::error::Error;
use crate::relate::relation::{Relation, SCHEMA_VERSION};
use crate::relate::specimens::{observations, related};
use crate::relate::{Question, answer};
use crate::report::{self, figure, html};
use crate::study::output::Staging;
use crate::study::record::{Derivation, Entry, Record, sha256};
use crate::study::result::Study;
use crate::study::results;
use crate::study::sheet::{self, SHEET_NAME, Sheet};

/// Name of the command whose results these are.
const COMMAND: &str = "relate";
/// Resolution of the figures' PNG form, enough for print.
const FIGURE_DPI: u32 = 600;

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

/// A relation, and what was wrong in the study sheet.
#[derive(Clone, Debug)]
pub struct Done {
    /// The result.
    pub relation: Relation,
    /// Cells that could not be read, with row, column and what was expected.
    pub problems: Vec<String>,
}

/// Relates a measured study to its firing and writes the folder.
///
/// # Errors
/// [`Error`] if the folder holds no results, there is no sheet or it cannot be read, a condition is not a column of it, or the
/// folder may not be written.
pub fn run(request: &Request) -> Result<Done, Error> {
    let (study, record) = results::read(&request.results)?;
    let path = sheet_path(request, &record)?;
    let sheet = sheet::read(&path)?;
    let staging = Staging::open(&request.out, COMMAND, request.replace)?;
    let relation = relation(&study, &sheet, &request.question)?;
    write(&relation, request, &staging)?;
    let record = Derivation {
        command: COMMAND.into(),
        version: env!("CARGO_PKG_VERSION").into(),
        results: absolute(&request.results),
        inputs: [request.results.join(results::SUMMARY_NAME), path]
            .iter()
            .map(|file| entry(file))
            .collect::<Result<_, _>>()?,
        outputs: staging.entries(),
    };
    staging.publish(&record)?;
    Ok(Done { problems: sheet.warnings().into_iter().map(|warning| warning.message).collect(), relation })
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

fn absolute(path: &Path) -> PathBuf {
    std::path::absolute(path).unwrap_or_else(|_| path.to_owned())
}

fn entry(path: &Path) -> Result<Entry, Error> {
    let bytes = std::fs::read(path).map_err(|source| Error::Read { path: path.to_owned(), source })?;
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    Ok(Entry { file: name, sha256: sha256(&bytes) })
}

/// What the study and its sheet say together.
///
/// # Errors
/// [`Error::Option`] if the question names a column that no specimen has filled with what is needed.
pub fn relation(study: &Study, sheet: &Sheet, question: &Question) -> Result<Relation, Error> {
    let specimens = related(study, sheet, question);
    let observations = observations(study, sheet, &specimens, question)?;
    let answer = answer(&observations, question);
    Ok(Relation {
        schema_version: SCHEMA_VERSION,
        tool: study.tool.clone(),
        conclusions: answer.conclusions,
        warnings: crate::relate::specimens::warnings(&specimens, sheet),
        specimens,
        effects: answer.effects,
        growth: answer.growth,
        trajectory: answer.trajectory,
    })
}

fn write(relation: &Relation, request: &Request, staging: &Staging) -> Result<(), Error> {
    staging.write("relation.json", report::json::relation(relation).as_bytes())?;
    staging.write("relation.csv", &report::relation::levels(relation))?;
    staging.write("specimens.csv", &report::relation::specimens(relation))?;
    let figures = report::relation::figures(relation);
    for drawn in &figures {
        staging.write(&format!("figures/{}.svg", drawn.name), drawn.svg.as_bytes())?;
        let png = figure::png(&drawn.svg, FIGURE_DPI).expect("invariant: figures are SVG");
        staging.write(&format!("figures/{}.png", drawn.name), &png)?;
    }
    let page = request.results.join("report.html");
    let text = std::fs::read_to_string(&page).map_err(|source| Error::Read { path: page.clone(), source })?;
    let results = between(&absolute(&request.out), &absolute(&request.results));
    let text = html::with_firing(&text, relation, &figures, &results).ok_or_else(|| Error::Field {
        path: page,
        why: "this page was written by another version; measure the pictures again".into(),
    })?;
    staging.write("report.html", text.as_bytes())
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
