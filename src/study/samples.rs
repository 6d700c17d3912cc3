//! Sizes of single grains and chords, read back from the tables of a results folder.

use std::collections::HashMap;

use clap::ValueEnum;

use crate::error::Error;
use crate::measure::weighted::{Size, WeightedSizes};
use crate::report::csv::defused;
use crate::statistics::interval::{MeanInterval, mean_interval};
use crate::study::record::Entry;
use crate::study::result::{Field, Study};
use crate::study::results::Results;
use crate::units::LengthUnit;

/// What is counted as the size of a grain.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Quantity {
    /// Equivalent circle diameters of whole grains
    Diameters,
    /// Whole chords that the test lines cut from grains
    Chords,
}

/// How much each size counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Weighting {
    /// Each grain, or each chord, counts alike
    Number,
    /// A grain counts by its area
    Area,
}

/// Sizes of one specimen.
#[derive(Clone, Debug)]
pub struct Sample {
    /// The specimen.
    pub name: String,
    /// Unit of all sizes.
    pub unit: LengthUnit,
    /// Sizes of all its fields together.
    pub sizes: WeightedSizes,
    /// Mean over the field means and its 95 % t-interval.
    pub mean: MeanInterval,
    /// Fields without a scale, which are left out beside fields that have one.
    pub fields_without_scale: u64,
    /// What the result doubts about the specimen.
    pub doubts: Vec<String>,
}

/// A table that was read.
#[derive(Clone, Debug)]
pub struct Table {
    /// Its name and hash.
    pub entry: Entry,
    /// For each field of the study, in its order, its sizes.
    sizes_by_field: Vec<Vec<Size>>,
}

impl Quantity {
    /// The table that lists such sizes.
    fn table(self) -> &'static str {
        match self {
            Self::Diameters => "grains.csv",
            Self::Chords => "chords.csv",
        }
    }
}

/// Reads the sizes of every field.
///
/// Whole grains count against their chance of being cut by the rim (Miles and Lantuéjoul), and by area in proportion to
/// their squared diameter as well.
///
/// # Errors
/// [`Error::Read`] if the table cannot be read; [`Error::Field`] if the run did not write it, or if it was changed since.
pub fn read(results: &Results, quantity: Quantity, weighting: Weighting) -> Result<Table, Error> {
    let study = &results.study;
    let (entry, bytes) = results.file(quantity.table())?;
    let path = results.folder.join(quantity.table());
    let refuse = |why: &str| Error::Field { path: path.clone(), why: why.into() };
    let mut sizes_by_field = vec![Vec::new(); study.fields.len()];
    let places: HashMap<_, _> = study.fields.iter().enumerate().map(|(i, field)| (key(field), i)).collect();
    let mut reader = csv::Reader::from_reader(&bytes[..]);
    let columns = Columns::of(reader.headers().map_err(|e| refuse(&e.to_string()))?, quantity)
        .ok_or_else(|| refuse("a column is missing; measure the pictures again with this version"))?;
    for row in reader.records() {
        let row = row.map_err(|e| refuse(&e.to_string()))?;
        let line = row.position().map_or(0, csv::Position::line);
        let place = places
            .get(&(row[columns.file].to_owned(), row[columns.page].to_owned()))
            .ok_or_else(|| refuse(&format!("line {line} names a picture that the summary does not have")))?;
        sizes_by_field[*place].extend(columns.size(&row, weighting));
    }
    Ok(Table { entry, sizes_by_field })
}

/// The picture of a field as the tables name it.
fn key(field: &Field) -> (String, String) {
    (defused(&field.file).into_owned(), field.page.map_or_else(String::new, |page| page.to_string()))
}

/// Where in a row things stand.
struct Columns {
    quantity: Quantity,
    file: usize,
    page: usize,
    um: usize,
    px: usize,
    /// Weight of a grain, or count of a chord.
    many: usize,
}

impl Columns {
    fn of(head: &csv::StringRecord, quantity: Quantity) -> Option<Self> {
        let place = |name: &str| head.iter().position(|column| column == name);
        let [um, px, many] = match quantity {
            Quantity::Diameters => ["equivalent_diameter_um", "equivalent_diameter_px", "frame_weight"],
            Quantity::Chords => ["chord_um", "chord_px", "count"],
        };
        Some(Self {
            quantity,
            file: place("file")?,
            page: place("page")?,
            um: place(um)?,
            px: place(px)?,
            many: place(many)?,
        })
    }

    /// The size in a row; `None` for a grain that the rim cuts, whose weight is empty.
    fn size(&self, row: &csv::StringRecord, weighting: Weighting) -> Option<Size> {
        let size: f64 = row[self.um].parse().or_else(|_| row[self.px].parse()).ok()?;
        let many: f64 = row[self.many].parse().ok()?;
        let area = if weighting == Weighting::Area { size * size } else { 1.0 };
        Some(match self.quantity {
            Quantity::Diameters => Size { size, count: 1, weight: many * area },
            Quantity::Chords => Size { size, count: many as u64, weight: area },
        })
    }
}

/// The samples of the named specimens, or of all, in the order of the study, and the names of those without any size.
///
/// # Errors
/// [`Error::Option`] if a name is unknown, or if lengths in µm and in px would stand on one axis; [`Error::Field`] if
/// there is no size at all.
pub fn samples(
    results: &Results,
    table: &Table,
    names: &[String],
) -> Result<(Vec<Sample>, Vec<String>), Error> {
    let study = &results.study;
    let known = || study.specimens.iter().map(|specimen| specimen.name.as_str());
    let option = |why: String| Error::Option { name: "--specimen", why };
    if let Some(name) = names.iter().find(|name| !known().any(|known| known == *name)) {
        let known: Vec<&str> = known().collect();
        return Err(option(format!("no specimen is called '{name}'; there are: {}", known.join(", "))));
    }
    let (mut found, mut empty) = (Vec::new(), Vec::new());
    for name in known().filter(|name| names.is_empty() || names.iter().any(|wanted| wanted == name)) {
        match sample(study, table, name) {
            Some(sample) => found.push(sample),
            None => empty.push(name.to_owned()),
        }
    }
    let in_unit = |unit| -> Vec<&str> {
        found.iter().filter(|sample| sample.unit == unit).map(|sample| sample.name.as_str()).collect()
    };
    let (um, px) = (in_unit(LengthUnit::Um), in_unit(LengthUnit::Px));
    if !um.is_empty() && !px.is_empty() {
        let (um, px) = (um.join(", "), px.join(", "));
        return Err(option(format!(
            "lengths are in µm for {um}, and in px for {px}, which has no scale; they cannot share an axis, so name the \
             specimens of one unit, or measure again with --pixel-size or --scale-bar"
        )));
    }
    if found.is_empty() {
        let why = "no specimen here has a whole grain or chord, so there is no size to draw; the overlays show what was \
                   found";
        return Err(Error::Field { path: results.folder.clone(), why: why.into() });
    }
    Ok((found, empty))
}

fn sample(study: &Study, table: &Table, name: &str) -> Option<Sample> {
    let fields =
        || study.fields.iter().zip(&table.sizes_by_field).filter(|(field, _)| field.specimen == name);
    let scaled = fields().any(|(field, _)| field.scale.is_some());
    let alike = || fields().filter(|(field, _)| field.scale.is_some() == scaled).map(|(_, sizes)| sizes);
    let means: Vec<f64> =
        alike().filter_map(|sizes| WeightedSizes::new(sizes.clone())).map(|field| field.mean()).collect();
    let specimen = study.specimens.iter().find(|specimen| specimen.name == name)?;
    Some(Sample {
        name: name.to_owned(),
        unit: if scaled { LengthUnit::Um } else { LengthUnit::Px },
        sizes: WeightedSizes::new(alike().flatten().copied().collect())?,
        mean: mean_interval(&means)?,
        fields_without_scale: (fields().count() - alike().count()) as u64,
        doubts: specimen.warnings.iter().map(|warning| warning.message.clone()).collect(),
    })
}
