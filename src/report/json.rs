//! `summary.json`, and the schema that describes it.

use schemars::generate::SchemaSettings;

use crate::study::result::Study;

/// The study as JSON: keys in the order of the types, two spaces of indent, a line end at the end.
pub fn summary(study: &Study) -> String {
    let mut text = serde_json::to_string_pretty(study).expect("invariant: every key of a study is a string");
    text.push('\n');
    text
}

/// The JSON Schema (draft 2020-12) of [`summary`], made from the types and their documentation.
pub fn schema() -> String {
    let settings = SchemaSettings::draft2020_12().for_serialize();
    let mut schema = settings.into_generator().into_root_schema_for::<Study>();
    schema.insert("title".to_owned(), "ceramograph summary".into());
    let mut text = serde_json::to_string_pretty(&schema).expect("invariant: a schema is JSON");
    text.push('\n');
    text
}
