//! Every reader against files that are wrong in ways that someone knew the format for.
//!
//! Files of every kind that the readers know are written here, small, and then changed with knowledge of their structure:
//! lengths, offsets, dimensions, code tables, chains; checksums are put right again, so that what lies behind them is reached.
//! No input may cause a panic, take longer than two seconds, or take more memory than the budget of its reader.
//!
//! `CERAMOGRAPH_FUZZ` sets the number of inputs of each format (4000 unless it is set), `CERAMOGRAPH_FUZZ_SEED` what they are
//! drawn from. A faulty input is made as small as it goes, kept in the target folder and named with its seed.

mod bmp;
mod change;
mod corpus;
mod jpeg;
mod pictures;
mod png;
mod texts;
mod tiff;
mod watch;

#[path = "../invented_study/mod.rs"]
mod invented_study;
#[path = "../tagged_file/mod.rs"]
mod tagged_file;

use std::cell::RefCell;

use change::{Change, change};
use proptest::prelude::*;
use proptest::test_runner::{Config, RngAlgorithm, TestCaseError, TestError, TestRng, TestRunner};
use watch::{Tally, Verdict, Watch, kept};

/// Changes a file; the others are there to take pieces from.
type ChangeFile = dyn Fn(&mut Vec<u8>, &Change, &[Vec<u8>]);

/// Of a longer file not every byte is an end.
const MOST_CUTS: usize = 4096;

/// A format and how it is tried.
pub struct Format<'a> {
    pub name: &'static str,
    /// Of the number of changes that is asked for, one in so many is tried: some formats take long.
    pub one_in: u64,
    /// Sound files.
    pub files: Vec<Vec<u8>>,
    pub change: &'a ChangeFile,
    pub read: &'a dyn Fn(&[u8]) -> Verdict,
    /// Bytes of memory that reading a file of so many bytes may take.
    pub budget: &'a dyn Fn(usize) -> usize,
}

fn from_environment(name: &str, usual: u64) -> u64 {
    std::env::var(name).map_or(usual, |text| text.parse().unwrap_or_else(|_| panic!("{name}={text}")))
}

impl Format<'_> {
    /// Reads every sound file, every file cut at every byte, and so many changed ones; they are to be refused for so many
    /// reasons.
    pub fn try_all(&self, reasons: usize) {
        self.assert_reach(&self.tried(), reasons);
    }

    fn tried(&self) -> Tally {
        let seed = from_environment("CERAMOGRAPH_FUZZ_SEED", 20_261_126);
        let watch = RefCell::new(Watch::new(self.name));
        let try_one = |bytes: &[u8]| watch.borrow_mut().read(bytes, (self.budget)(bytes.len()), self.read);
        let demand = |bytes: &[u8], what: &str| {
            try_one(bytes).unwrap_or_else(|fault| self.report(bytes, what, &fault))
        };
        for (i, file) in self.files.iter().enumerate() {
            let verdict = demand(file, &format!("sound file {i}"));
            assert_eq!(verdict, Ok(()), "{}: sound file {i} is refused", self.name);
        }
        for (i, file) in self.files.iter().enumerate() {
            for length in (0..file.len()).step_by(file.len() / MOST_CUTS + 1) {
                demand(&file[..length], &format!("file {i} cut to {length} bytes")).ok();
            }
        }
        let (inputs, read) = (watch.borrow().tally.inputs, watch.borrow().tally.read);
        let cases = (from_environment("CERAMOGRAPH_FUZZ", 4000) / self.one_in) as u32;
        let config =
            Config { cases, failure_persistence: None, max_shrink_time: 60_000, ..Config::default() };
        let mut bytes = [0; 32];
        bytes[..8].copy_from_slice(&seed.to_le_bytes());
        let mut runner = TestRunner::new_with_rng(config, TestRng::from_seed(RngAlgorithm::ChaCha, &bytes));
        let strategy = (0..self.files.len(), prop::collection::vec(change(), 1..6));
        let result = runner.run(&strategy, |(file, changes)| {
            try_one(&self.changed(file, &changes)).map(drop).map_err(TestCaseError::fail)
        });
        if let Err(TestError::Fail(why, (file, changes))) = &result {
            let what = format!("file {file}, CERAMOGRAPH_FUZZ_SEED={seed}, {changes:?}");
            self.report(&self.changed(*file, changes), &what, &why.to_string());
        }
        result.expect("invariant: only faults stop the runner");
        let tally = watch.into_inner().finish();
        Tally { changed: tally.inputs - inputs, changed_read: tally.read - read, ..tally }
    }

    /// Asserts that changed files are both read and refused, and for how many reasons, or the changes are too coarse or too fine
    /// to reach anything.
    fn assert_reach(&self, tally: &Tally, reasons: usize) {
        let share = tally.changed_read as f64 / tally.changed as f64;
        assert!((0.02..0.98).contains(&share), "{}: {share} of the changed files are read", self.name);
        assert!(tally.reasons.len() >= reasons, "{}: {:#?}", self.name, tally.reasons);
    }

    fn changed(&self, file: usize, changes: &[Change]) -> Vec<u8> {
        let mut bytes = self.files[file].clone();
        changes.iter().for_each(|change| (self.change)(&mut bytes, change, &self.files));
        bytes
    }

    /// Keeps a faulty input and fails.
    fn report(&self, bytes: &[u8], what: &str, fault: &str) -> ! {
        let path = kept(&format!("{}-fault", self.name));
        std::fs::write(&path, bytes).unwrap();
        panic!("{}: {fault}; {what}; the input is kept as {}", self.name, path.display());
    }
}
