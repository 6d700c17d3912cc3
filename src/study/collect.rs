//! Gathers fields in the order of their names, however the threads finish, and closes each specimen when its last
//! picture is in. Of each field only what the result and the specimen need is kept, so that memory does not grow with the
//! number of pictures.

use std::collections::{BTreeMap, BTreeSet, HashMap, VecDeque};

use crate::error::Error;
use crate::micrograph::check;
use crate::micrograph::overlap::{Fingerprint, common_shares};
use crate::report;
use crate::report::html::StoredPictures;
use crate::study::agenda::Agenda;
use crate::study::output::{Staging, Table};
use crate::study::part::{Kept, MeasuredField, Outcome, Part};
use crate::study::record::Entry;
use crate::study::result::{Failure, Field, FieldRows, Specimen};
use crate::study::specimen::{Sizes, specimen};

/// Each field is compared with so many before it in the order of names, in which neighbours on the specimen mostly are. Larger
/// specimens would take the square of their number; equal files are found at any distance.
const NEIGHBOURS: usize = 64;

/// Everything that a run gathered.
#[derive(Debug)]
pub struct Collected {
    /// Fields by file and page.
    pub fields: Vec<Field>,
    /// Small pictures for the report, one set for each field.
    pub pictures: StoredPictures,
    /// Failures by file and page.
    pub failures: Vec<Failure>,
    /// Specimens by name.
    pub specimens: Vec<Specimen>,
    /// Files that were read.
    pub inputs: Vec<Entry>,
    /// Keys of the parts, in the order of the files.
    pub keys: Vec<String>,
}

/// What comes of a file.
#[derive(Debug)]
pub enum Arrival {
    /// It was measured just now, and its pictures are among the results.
    Here(Box<Part>),
    /// It lies on disk with its pictures, and is read when its turn comes.
    Kept(Kept),
}

/// Gathers what comes of the files.
#[derive(Debug)]
pub struct Collector<'a> {
    collected: Collected,
    /// Files that finished before an earlier one did.
    early: BTreeMap<usize, Arrival>,
    /// Files that stand among the inputs already.
    read: BTreeSet<Entry>,
    next: usize,
    agenda: &'a Agenda,
    /// How many files of each specimen are still out.
    files_left: BTreeMap<&'a str, usize>,
    open: BTreeMap<String, Open>,
    staging: &'a Staging,
    pores: Table<'a>,
    grains: Table<'a>,
    chords: Table<'a>,
}

/// What is kept of the fields of a specimen until its last one is in.
#[derive(Debug, Default)]
struct Open {
    /// Places among the fields.
    members: Vec<usize>,
    /// Of each, its sizes.
    sizes: Vec<Sizes>,
    /// The last ones.
    recent: VecDeque<(usize, Fingerprint)>,
    /// The first field of each file and page by its hash.
    seen: HashMap<(String, Option<u32>), usize>,
}

impl Open {
    /// Earlier fields that show the same place as a new one, with the share of the area that is common to both.
    fn overlapping(&self, field: &Field, fingerprint: &Fingerprint) -> Vec<(usize, f64)> {
        let (places, prints): (Vec<usize>, Vec<&Fingerprint>) =
            self.recent.iter().map(|(place, print)| (*place, print)).unzip();
        let shares = common_shares(fingerprint, &prints);
        let beyond = |place: &usize| places.first().is_some_and(|first| place < first);
        let equal = self.seen.get(&(field.sha256.clone(), field.page)).copied().filter(beyond);
        let near = places.iter().zip(shares).filter_map(|(&place, share)| Some((place, share?)));
        equal.map(|place| (place, 1.0)).into_iter().chain(near).collect()
    }

    /// Keeps what is needed of the field at `place`.
    fn keep(&mut self, place: usize, field: &Field, fingerprint: Fingerprint) {
        self.members.push(place);
        self.sizes.push(Sizes::of(field));
        self.seen.entry((field.sha256.clone(), field.page)).or_insert(place);
        if self.recent.len() == NEIGHBOURS {
            self.recent.pop_front();
        }
        self.recent.push_back((place, fingerprint));
    }
}

impl<'a> Collector<'a> {
    /// Opens the tables.
    ///
    /// # Errors
    /// [`Error::Write`] if a table cannot be opened.
    pub fn new(staging: &'a Staging, agenda: &'a Agenda) -> Result<Self, Error> {
        let refuse = |source| Error::Write { path: staging.scratch().to_owned(), source };
        let collected = Collected {
            fields: Vec::new(),
            pictures: StoredPictures::within(staging.scratch()).map_err(refuse)?,
            failures: Vec::new(),
            specimens: Vec::new(),
            inputs: Vec::new(),
            keys: Vec::new(),
        };
        let mut files_left = BTreeMap::new();
        for file in &agenda.files {
            *files_left.entry(file.specimen.as_str()).or_insert(0) += 1;
        }
        let mut pores = staging.table("pores.csv")?;
        pores.append(&report::csv::pores_header())?;
        let mut grains = staging.table("grains.csv")?;
        grains.append(&report::csv::grains_header())?;
        let mut chords = staging.table("chords.csv")?;
        chords.append(&report::csv::chords_header())?;
        Ok(Self {
            collected,
            early: BTreeMap::new(),
            read: BTreeSet::new(),
            next: 0,
            agenda,
            files_left,
            open: BTreeMap::new(),
            staging,
            pores,
            grains,
            chords,
        })
    }

    /// Takes what came of file `index`.
    ///
    /// # Errors
    /// [`Error::Write`] if a table or picture cannot be written; [`Error::Read`] or [`Error::Field`] if a part on disk is not
    /// what was written.
    pub fn add(&mut self, index: usize, arrival: Arrival) -> Result<(), Error> {
        self.early.insert(index, arrival);
        while let Some(arrival) = self.early.remove(&self.next) {
            let Part { key, entries, outcomes, .. } = self.received(arrival)?;
            self.collected.keys.push(key);
            // One text may stand beside several pictures.
            let new = entries.into_iter().filter(|entry| self.read.insert(entry.clone()));
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

    /// The part itself, with its pictures among the results.
    fn received(&self, arrival: Arrival) -> Result<Part, Error> {
        match arrival {
            Arrival::Here(part) => Ok(*part),
            Arrival::Kept(kept) => kept.hand_over(self.staging),
        }
    }

    fn take(&mut self, measured: MeasuredField) -> Result<(), Error> {
        let MeasuredField { mut field, fingerprint, pictures } = measured;
        self.pores.append(&report::csv::pores(&field))?;
        self.grains.append(&report::csv::grains(&field))?;
        self.chords.append(&report::csv::chords(&field))?;
        let fields = &mut self.collected.fields;
        let open = self.open.entry(field.specimen.clone()).or_default();
        for (other, share) in open.overlapping(&field, &fingerprint) {
            note_overlap(&mut field, &fields[other].file, share);
        }
        open.keep(fields.len(), &field, fingerprint);
        field.rows = FieldRows::default();
        fields.push(field);
        self.collected
            .pictures
            .push(&pictures)
            .map_err(|source| Error::Write { path: self.staging.scratch().to_owned(), source })
    }

    /// Summarises the specimen of file `index` if this was its last file.
    fn close_specimen(&mut self, index: usize) {
        let name = self.agenda.files[index].specimen.as_str();
        let left = self.files_left.get_mut(name).expect("invariant: every specimen was counted");
        *left -= 1;
        if *left > 0 {
            return;
        }
        let Some(Open { members, sizes, .. }) = self.open.remove(name) else { return };
        let said = self.agenda.specimens.get(name).cloned().unwrap_or_default();
        let members: Vec<&Field> = members.iter().map(|&place| &self.collected.fields[place]).collect();
        self.collected.specimens.push(specimen(name, &members, &sizes, said.firing, said.surface));
    }
}

fn note_overlap(field: &mut Field, other: &str, share: f64) {
    let mut findings = std::mem::take(&mut field.picture_check.findings);
    findings.push(check::overlap(other, share));
    field.picture_check = check::grade(findings);
}
