//! Gathers fields in the order of their names, however the threads finish, and closes each specimen when its last
//! picture is in, so that rows of pores and grains do not pile up.

use std::collections::BTreeMap;

use crate::error::Error;
use crate::micrograph::check;
use crate::micrograph::overlap::{Fingerprint, overlaps};
use crate::options::Surface;
use crate::report;
use crate::report::html::FieldPictures;
use crate::study::output::{Staging, Table};
use crate::study::record::Entry;
use crate::study::result::{Failure, Field, FieldRows, Specimen};
use crate::study::run::{MeasuredField, Outcome};
use crate::study::sheet::SheetRow;
use crate::study::specimen::specimen;

/// Everything that a run gathered.
#[derive(Debug, Default)]
pub struct Collected {
    /// Fields by file and page.
    pub fields: Vec<Field>,
    /// Small pictures for the report, one set for each field.
    pub pictures: Vec<FieldPictures>,
    /// Failures by file and page.
    pub failures: Vec<Failure>,
    /// Specimens by name.
    pub specimens: Vec<Specimen>,
    /// Files that were read.
    pub inputs: Vec<Entry>,
}

/// Gathers outcomes.
#[derive(Debug)]
pub struct Collector<'a> {
    collected: Collected,
    /// Files that finished before an earlier one did.
    early: BTreeMap<usize, (Vec<Entry>, Vec<Outcome>)>,
    next: usize,
    /// Specimen of each file, and how many files of each specimen are still out.
    specimen_of_file: Vec<String>,
    files_left: BTreeMap<String, usize>,
    open: BTreeMap<String, Vec<(usize, Fingerprint)>>,
    sheet: &'a [SheetRow],
    surface: Option<Surface>,
    pores: Table<'a>,
    grains: Table<'a>,
    chords: Table<'a>,
}

impl<'a> Collector<'a> {
    /// Opens the tables. `specimens` names the specimen of each file, in order.
    ///
    /// # Errors
    /// [`Error::Write`] if a table cannot be opened.
    pub fn new(
        staging: &'a Staging,
        specimens: impl Iterator<Item = String>,
        sheet: &'a [SheetRow],
        surface: Option<Surface>,
    ) -> Result<Self, Error> {
        let specimen_of_file: Vec<String> = specimens.collect();
        let mut files_left = BTreeMap::new();
        for name in &specimen_of_file {
            *files_left.entry(name.clone()).or_insert(0) += 1;
        }
        let mut pores = staging.table("pores.csv")?;
        pores.append(&report::csv::pores_header())?;
        let mut grains = staging.table("grains.csv")?;
        grains.append(&report::csv::grains_header())?;
        let mut chords = staging.table("chords.csv")?;
        chords.append(&report::csv::chords_header())?;
        Ok(Self {
            collected: Collected::default(),
            early: BTreeMap::new(),
            next: 0,
            specimen_of_file,
            files_left,
            open: BTreeMap::new(),
            sheet,
            surface,
            pores,
            grains,
            chords,
        })
    }

    /// Takes the outcomes of file `index`.
    ///
    /// # Errors
    /// [`Error::Write`] if a table cannot be written.
    pub fn add(&mut self, index: usize, entries: Vec<Entry>, outcomes: Vec<Outcome>) -> Result<(), Error> {
        self.early.insert(index, (entries, outcomes));
        while let Some((entries, outcomes)) = self.early.remove(&self.next) {
            // One text may stand beside several pictures.
            let new = |entry: &Entry| !self.collected.inputs.contains(entry);
            let new: Vec<Entry> = entries.into_iter().filter(new).collect();
            self.collected.inputs.extend(new);
            for outcome in outcomes {
                match outcome {
                    Outcome::Failed(failure) => self.collected.failures.push(failure),
                    Outcome::Measured(measured) => self.take(*measured)?,
                }
            }
            self.close_specimen(self.next);
            self.next += 1;
        }
        Ok(())
    }

    /// Completes the tables.
    ///
    /// # Errors
    /// [`Error::Write`] if a table cannot be written.
    pub fn finish(mut self) -> Result<Collected, Error> {
        self.pores.finish()?;
        self.grains.finish()?;
        self.chords.finish()?;
        self.collected.specimens.sort_by(|a, b| a.name.cmp(&b.name));
        Ok(self.collected)
    }

    fn take(&mut self, measured: MeasuredField) -> Result<(), Error> {
        let MeasuredField { field, fingerprint, pictures } = measured;
        self.pores.append(&report::csv::pores(&field))?;
        self.grains.append(&report::csv::grains(&field))?;
        self.chords.append(&report::csv::chords(&field))?;
        let index = self.collected.fields.len();
        self.open.entry(field.specimen.clone()).or_default().push((index, fingerprint));
        self.collected.fields.push(field);
        self.collected.pictures.push(pictures);
        Ok(())
    }

    /// Summarises the specimen of file `index` if this was its last file.
    fn close_specimen(&mut self, index: usize) {
        let name = &self.specimen_of_file[index];
        let left = self.files_left.get_mut(name).expect("invariant: every specimen was counted");
        *left -= 1;
        if *left > 0 {
            return;
        }
        let Some(members) = self.open.remove(name) else { return };
        let fields = &mut self.collected.fields;
        let (indices, fingerprints): (Vec<usize>, Vec<Fingerprint>) = members.into_iter().unzip();
        for (a, b, share) in overlaps(&fingerprints) {
            let (a, b) = (indices[a], indices[b]);
            let other = fields[a].file.clone();
            note_overlap(&mut fields[b], &other, share);
        }
        let row = self.sheet.iter().find(|row| row.specimen == *name);
        let firing = row.map(|row| row.firing.clone()).unwrap_or_default();
        let surface = row.and_then(|row| row.surface).or(self.surface);
        let members: Vec<&Field> = indices.iter().map(|&i| &fields[i]).collect();
        self.collected.specimens.push(specimen(name, &members, firing, surface));
        for i in indices {
            fields[i].rows = FieldRows::default();
        }
    }
}

fn note_overlap(field: &mut Field, other: &str, share: f64) {
    let mut findings = std::mem::take(&mut field.picture_check.findings);
    findings.push(check::overlap(other, share));
    field.picture_check = check::grade(findings);
}
