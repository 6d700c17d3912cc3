//! `summary.json`, `relation.json` and the scales of a folder, and the schemas that describe them.

use std::io::Write;

use schemars::JsonSchema;
use schemars::generate::SchemaSettings;
use serde::Serialize;

use crate::relate::relation::Relation;
use crate::study::result::Study;
use crate::study::survey::Survey;

/// The study as JSON: keys in the order of the types, two spaces of indent, a line end at the end.
pub fn summary(study: &Study) -> String {
    text(study)
}

/// Writes [`summary`] without its lying in memory as a whole.
///
/// # Errors
/// Those of `to`.
pub fn write_summary(study: &Study, mut to: &mut dyn Write) -> std::io::Result<()> {
    serde_json::to_writer_pretty(&mut to, study)?;
    to.write_all(b"\n")
}

/// A relation as JSON, in the same form.
pub fn relation(relation: &Relation) -> String {
    text(relation)
}

/// The scales of a folder as JSON, in the same form.
pub fn survey(survey: &Survey) -> String {
    text(survey)
}

/// The JSON Schema (draft 2020-12) of [`summary`], made from the types and their documentation.
pub fn schema() -> String {
    schema_of::<Study>("ceramograph summary")
}

/// The JSON Schema of [`relation`].
pub fn relation_schema() -> String {
    schema_of::<Relation>("ceramograph relation")
}

/// The JSON Schema of [`survey`].
pub fn survey_schema() -> String {
    schema_of::<Survey>("ceramograph scales")
}

fn text(value: &impl Serialize) -> String {
    let mut text = serde_json::to_string_pretty(value).expect("invariant: every key of a result is a string");
    text.push('\n');
    text
}

fn schema_of<T: JsonSchema>(title: &str) -> String {
    let settings = SchemaSettings::draft2020_12().for_serialize();
    let mut schema = settings.into_generator().into_root_schema_for::<T>();
    schema.insert("title".to_owned(), title.into());
    text(&schema)
}
