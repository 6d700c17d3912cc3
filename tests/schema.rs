//! The schema in docs/ is the one that the types give; results validate against it; every key is documented.

mod invented_study;

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::PathBuf;

use ceramograph::options::Options;
use ceramograph::phantom::strip::StripSpec;
use ceramograph::phantom::write::{PictureFormat, Target, write_phantom};
use ceramograph::phantom::{PhantomSpec, draw};
use ceramograph::relate::Question;
use ceramograph::relate::run::relation;
use ceramograph::report::{csv, json};
use ceramograph::study::sheet::Sheet;
use ceramograph::study::survey::{self, Request};
use invented_study::{hostile_study, study, unknown_study, unscaled_study};
use serde_json::Value;

const TABLE_START: &str = "<!-- keys: written by tests/schema.rs -->\n";
const TABLE_END: &str = "<!-- end of keys -->\n";

fn docs(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("docs").join(name)
}

/// A result with a schema and a page of its own in docs/.
struct Form {
    schema: fn() -> String,
    schema_file: &'static str,
    page: &'static str,
    root: &'static str,
}

const FORMS: [Form; 3] = [
    Form { schema: json::schema, schema_file: "summary.schema.json", page: "result.md", root: "Study" },
    Form {
        schema: json::relation_schema,
        schema_file: "relation.schema.json",
        page: "relation.md",
        root: "Relation",
    },
    Form { schema: json::survey_schema, schema_file: "scale.schema.json", page: "scale.md", root: "Survey" },
];

impl Form {
    fn parsed(&self) -> Value {
        serde_json::from_str(&(self.schema)()).unwrap()
    }
}

fn schema() -> Value {
    FORMS[0].parsed()
}

/// The scales of pictures with a bar, with a tag alone and with nothing, and of a file that is no picture.
fn surveys() -> Vec<Value> {
    let folder = tempfile::tempdir().unwrap();
    let spec = PhantomSpec { width_px: 640, height_px: 120, ..PhantomSpec::default() };
    let bar = PhantomSpec { strip: Some(StripSpec::default()), ..spec.clone() };
    for (name, spec) in [("bar", bar), ("tag", PhantomSpec { strip: None, ..spec })] {
        let (pictures, truth) = (folder.path(), folder.path());
        let target = Target { pictures, truth, name, format: PictureFormat::Png, replace: false };
        write_phantom(&draw(&spec).unwrap(), &target).unwrap();
    }
    image::GrayImage::new(64, 64).save(folder.path().join("nothing.png")).unwrap();
    std::fs::write(folder.path().join("broken.png"), "no picture").unwrap();
    let request = Request {
        roots: vec![folder.path().to_owned()],
        scales: None,
        crops: Some(folder.path().join("crops")),
        save: Some(folder.path().join("saved.csv")),
        replace: false,
        threads: None,
        options: Options::default(),
    };
    let survey = survey::run(&request, &|_| ()).unwrap();
    assert_eq!((survey.pictures.len(), survey.failures.len()), (3, 1));
    vec![serde_json::from_str(&json::survey(&survey)).unwrap()]
}

/// Relations of a study with a full sheet, with a bare one, and without any.
fn relations() -> Vec<Value> {
    let folder = tempfile::tempdir().unwrap();
    let study = study();
    let names: Vec<&str> = study.specimens.iter().map(|specimen| specimen.name.as_str()).collect();
    let path = folder.path().join("specimens.csv");
    let mut written = String::from(
        "specimen;peak_temperature_c;hold_min;ramp_rate_k_min;atmosphere;theoretical_density_g_cm3;fired_mass_g;\
         fired_outer_diameter_mm;fired_height_mm;dry_mass_g;suspended_mass_g;saturated_mass_g;liquid_temperature_c\n",
    );
    for (index, name) in names.iter().enumerate() {
        let (celsius, hold) = (1400 + 50 * index, 60 * (index + 1));
        writeln!(written, "{name};{celsius};{hold};5;air;3.987;5.6;25.1;3.0;5.6;4.15;5.62;21").unwrap();
    }
    for (celsius, hold) in [(1500, 30), (1600, 240), (1650, 60)] {
        writeln!(written, "other {celsius};{celsius};{hold};5;air;;;;;;;;").unwrap();
    }
    std::fs::write(&path, written).unwrap();
    let full = ceramograph::study::sheet::read(&path).unwrap();
    std::fs::write(&path, "specimen,peak_temperature_c\nnobody,1x\n").unwrap();
    let bare = ceramograph::study::sheet::read(&path).unwrap();
    let question = Question { activation_energy_kj_mol: Some(485.0), ..Question::default() };
    [(study.clone(), full), (study, bare), (unknown_study(), Sheet::default())]
        .iter()
        .map(|(study, sheet)| relation(study, sheet, &question).unwrap())
        .map(|relation| serde_json::from_str(&json::relation(&relation)).unwrap())
        .collect()
}

/// Compares a file in docs/ with what it should be. With `UPDATE_SCHEMA` set it is rewritten, and the test fails, so
/// that a rewrite never looks like a pass.
fn assert_up_to_date(name: &str, expected: &str) {
    let current = std::fs::read_to_string(docs(name)).unwrap_or_default().replace("\r\n", "\n");
    if current == expected {
        return;
    }
    if std::env::var_os("UPDATE_SCHEMA").is_some() {
        std::fs::write(docs(name), expected).unwrap();
        panic!(
            "docs/{name} was rewritten; look at the difference and run the tests again without UPDATE_SCHEMA"
        );
    }
    panic!("docs/{name} is out of date; UPDATE_SCHEMA=1 cargo test --release --test schema rewrites it");
}

#[test]
fn the_schema_in_docs_is_the_one_of_the_types() {
    for form in &FORMS {
        assert_up_to_date(form.schema_file, &(form.schema)());
    }
}

#[test]
fn results_validate_and_export_no_key_that_the_schema_lacks() {
    let studies = [study(), unknown_study(), unscaled_study(), hostile_study()];
    let summaries =
        studies.iter().map(|study| serde_json::from_str(&json::summary(study)).unwrap()).collect();
    for (form, instances) in FORMS.iter().zip([summaries, relations(), surveys()]) {
        let mut strict = form.parsed();
        forbid_other_keys(&mut strict);
        let validator = jsonschema::draft202012::new(&strict).unwrap();
        for instance in &instances as &Vec<Value> {
            let errors: Vec<String> =
                validator.iter_errors(instance).map(|e| format!("{}: {e}", e.instance_path())).collect();
            assert!(errors.is_empty(), "{}: {errors:#?}", form.schema_file);
        }
    }
}

#[test]
fn validation_can_fail() {
    let validator = jsonschema::draft202012::new(&schema()).unwrap();
    let mut instance: Value = serde_json::from_str(&json::summary(&study())).unwrap();
    assert!(validator.is_valid(&instance));
    instance["fields"][0]["pore_count"] = "many".into();
    assert!(!validator.is_valid(&instance));
    let mut instance: Value = serde_json::from_str(&json::summary(&study())).unwrap();
    instance["specimens"][0].as_object_mut().unwrap().remove("porosity_percent");
    assert!(!validator.is_valid(&instance), "an unknown value is null, not missing");
}

#[test]
fn the_summary_is_stable_and_keeps_every_digit() {
    let text = json::summary(&study());
    assert_eq!(text, json::summary(&study()));
    assert!(text.starts_with("{\n  \"schema_version\": 1,\n") && text.ends_with("}\n"));
    let parsed: Value = serde_json::from_str(&text).unwrap();
    let intercept = parsed["fields"][0]["mean_linear_intercept_um"].as_f64();
    assert_eq!(intercept, study().fields[0].mean_linear_intercept_um);
}

/// Every object that lists its keys forbids all others.
fn forbid_other_keys(schema: &mut Value) {
    if let Some(object) = schema.as_object_mut() {
        if object.get("properties").is_some_and(Value::is_object) && object.contains_key("type") {
            object.insert("additionalProperties".into(), false.into());
        }
        object.values_mut().for_each(forbid_other_keys);
    } else if let Some(list) = schema.as_array_mut() {
        list.iter_mut().for_each(forbid_other_keys);
    }
}

/// The keys of the result, by the type that holds them.
fn keys_by_type(form: &Form) -> BTreeMap<String, Vec<(String, Value)>> {
    let mut types = BTreeMap::new();
    let schema = &form.parsed();
    collect(form.root, schema, &mut types);
    for (name, definition) in schema["$defs"].as_object().unwrap() {
        collect(name, definition, &mut types);
    }
    types
}

fn collect(name: &str, definition: &Value, types: &mut BTreeMap<String, Vec<(String, Value)>>) {
    let mut keys = own_keys(definition);
    for variant in definition.get("oneOf").and_then(Value::as_array).into_iter().flatten() {
        keys.extend(own_keys(variant).into_iter().map(|(key, mut value)| {
            if value.get("description").is_none()
                && let (Some(object), Some(text)) = (value.as_object_mut(), variant.get("description"))
            {
                object.insert("description".into(), text.clone());
            }
            (key, value)
        }));
    }
    if !keys.is_empty() {
        types.insert(name.to_owned(), keys);
    }
}

/// Keys in the order of the types, which `required` keeps.
fn own_keys(schema: &Value) -> Vec<(String, Value)> {
    let Some(properties) = schema.get("properties").and_then(Value::as_object) else {
        return vec![];
    };
    let required: Vec<&str> =
        schema["required"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
    assert_eq!(required.len(), properties.len(), "every key is always there: {properties:?}");
    required.into_iter().map(|key| (key.to_owned(), properties[key].clone())).collect()
}

#[test]
fn every_key_has_a_description() {
    for (name, keys) in FORMS.iter().flat_map(keys_by_type) {
        for (key, value) in keys {
            let text = value.get("description").and_then(Value::as_str).unwrap_or_default();
            assert!(text.len() > 3, "{name}.{key} has no description in the schema");
        }
    }
}

#[test]
fn the_pages_in_docs_name_every_key() {
    let studies = [study(), unknown_study(), unscaled_study()];
    let summaries =
        studies.iter().map(|study| serde_json::from_str(&json::summary(study)).unwrap()).collect();
    for (form, instances) in FORMS.iter().zip([summaries, relations(), surveys()]) {
        let name = form.page;
        let page = std::fs::read_to_string(docs(name)).unwrap_or_default().replace("\r\n", "\n");
        let (before, rest) = page
            .split_once(TABLE_START)
            .unwrap_or_else(|| panic!("docs/{name} lacks the mark where the keys start"));
        let (_, after) = rest
            .split_once(TABLE_END)
            .unwrap_or_else(|| panic!("docs/{name} lacks the mark where the keys end"));
        let table = key_tables(form);
        assert_up_to_date(name, &format!("{before}{TABLE_START}{table}{TABLE_END}{after}"));
        for instance in &instances as &Vec<Value> {
            for key in exported_keys(instance) {
                assert!(page.contains(&format!("`{key}`")), "docs/{name} does not name {key}");
            }
        }
    }
}

/// Every key in a result, but for those that the user's own data make: options, study sheet columns, pore places.
fn exported_keys(instance: &Value) -> BTreeSet<String> {
    let mut keys = BTreeSet::new();
    match instance {
        Value::Object(object) => {
            for (key, value) in object {
                keys.insert(key.clone());
                if !is_users_own(key, value) {
                    keys.extend(exported_keys(value));
                }
            }
        }
        Value::Array(list) => list.iter().for_each(|value| keys.extend(exported_keys(value))),
        _ => {}
    }
    keys
}

/// Whether the keys below are made by the user's own data. `firing` is a map of the sheet's columns in a summary, and a
/// programme in a relation.
fn is_users_own(key: &str, value: &Value) -> bool {
    let programme = value.get("programme").is_some();
    matches!(key, "options" | "count_by_place" | "percent_by_place" | "conditions" | "words" | "properties")
        || key == "firing" && !programme
}

fn key_tables(form: &Form) -> String {
    let (schema, types) = (&form.parsed(), keys_by_type(form));
    let mut text = String::new();
    for name in reading_order(form, &types) {
        let definition = if name == form.root { schema } else { &schema["$defs"][&name] };
        let about = cell(definition.get("description").and_then(Value::as_str).unwrap_or_default());
        writeln!(text, "\n### {name}\n\n{about}\n\n| key | holds | meaning |\n|---|---|---|").unwrap();
        for (key, value) in &types[&name] {
            let meaning = value.get("description").and_then(Value::as_str).unwrap_or_default();
            writeln!(text, "| `{key}` | {} | {} |", kind(value), cell(meaning)).unwrap();
        }
    }
    text.push_str("\n### Named values\n\n| type | value | meaning |\n|---|---|---|\n");
    for (name, definition) in schema["$defs"].as_object().unwrap() {
        for variant in definition.get("oneOf").and_then(Value::as_array).into_iter().flatten() {
            if let Some(value) = variant.get("const").and_then(Value::as_str) {
                let meaning = variant.get("description").and_then(Value::as_str).unwrap_or_default();
                writeln!(text, "| {name} | `{value}` | {} |", cell(meaning)).unwrap();
            }
        }
    }
    text.push('\n');
    text
}

/// Types in the order in which a reader of the summary meets them.
fn reading_order(form: &Form, types: &BTreeMap<String, Vec<(String, Value)>>) -> Vec<String> {
    let mut order = vec![form.root.to_owned()];
    let mut next = 0;
    while let Some(name) = order.get(next).cloned() {
        for (_, value) in &types[&name] {
            for referred in references(value) {
                if types.contains_key(&referred) && !order.contains(&referred) {
                    order.push(referred);
                }
            }
        }
        next += 1;
    }
    assert_eq!(order.len(), types.len(), "every type is reached from {}", form.root);
    order
}

fn references(value: &Value) -> Vec<String> {
    match value {
        Value::Object(object) => object
            .iter()
            .flat_map(|(key, inner)| match inner.as_str().filter(|_| key == "$ref") {
                Some(path) => vec![path.trim_start_matches("#/$defs/").to_owned()],
                None => references(inner),
            })
            .collect(),
        Value::Array(list) => list.iter().flat_map(references).collect(),
        _ => vec![],
    }
}

/// What a key holds, in words: `number or null`, `list of Field`.
fn kind(value: &Value) -> String {
    if let Some(path) = value.get("$ref").and_then(Value::as_str) {
        return path.trim_start_matches("#/$defs/").to_owned();
    }
    if let Some(choices) = value.get("anyOf").and_then(Value::as_array) {
        return choices.iter().map(kind).collect::<Vec<String>>().join(" or ");
    }
    let names: Vec<String> = match value.get("type") {
        Some(Value::String(name)) => vec![name.clone()],
        Some(Value::Array(names)) => names.iter().filter_map(Value::as_str).map(str::to_owned).collect(),
        _ => return "any JSON".to_owned(),
    };
    let worded = names.into_iter().map(|name| {
        match (name.as_str(), value.get("items"), value.get("additionalProperties")) {
            ("array", Some(items), _) => format!("list of {}", kind(items)),
            ("object", _, Some(values)) => format!("map to {}", kind(values)),
            ("string", ..) => "text".to_owned(),
            _ => name,
        }
    });
    worded.collect::<Vec<String>>().join(" or ")
}

/// Text for one cell of a table: links between types become code, line ends become spaces.
fn cell(text: &str) -> String {
    text.replace("[`", "`")
        .replace("`]", "`")
        .replace('|', "\\|")
        .split_whitespace()
        .collect::<Vec<&str>>()
        .join(" ")
}

#[test]
fn the_page_in_docs_names_every_column_of_the_tables() {
    let page = std::fs::read_to_string(docs("result.md")).unwrap();
    let (_, columns) = page.split_once("## Columns of the tables").unwrap();
    let study = study();
    for table in [
        csv::fields(&study),
        csv::pores_header(),
        csv::grains_header(),
        csv::chords_header(),
        csv::intercepts(&study),
    ] {
        let head = String::from_utf8(table).unwrap().lines().next().unwrap().to_owned();
        for column in head.split(',') {
            assert!(
                columns.contains(&format!("`{column}`")),
                "docs/result.md does not name the column {column}"
            );
        }
    }
}
