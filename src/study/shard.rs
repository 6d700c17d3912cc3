//! A run split over machines: each measures some of the files and writes their parts.

use std::fmt;
use std::path::Path;
use std::str::FromStr;
use std::sync::Mutex;

use serde::{Deserialize, Serialize};

use crate::error::Error;
use crate::study::agenda::{Agenda, prepare};
use crate::study::collect::Arrival;
use crate::study::files::{Event, for_each_file, threads};
use crate::study::input::Input;
use crate::study::measure_file::Plan;
use crate::study::output::Staging;
use crate::study::record::{Entry, RECORD_NAME, parsed};
use crate::study::run::{Desk, Request, is_complete};
use crate::study::workplace;

/// Name of the command, as it stands in the record.
pub const COMMAND: &str = "measure --shard";

/// Which share of the files is measured: those whose place in the list is `number` - 1 modulo `of`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Shard {
    /// From 1 to `of`.
    pub number: usize,
    /// Shards in all.
    pub of: usize,
}

impl Shard {
    /// Whether the file at this place of the list, from 0, belongs to it.
    pub fn holds(self, place: usize) -> bool {
        place % self.of == self.number - 1
    }
}

impl FromStr for Shard {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let numbers = text.split_once('/').map(|(number, of)| (number.parse(), of.parse()));
        let Some((Ok(number), Ok(of))) = numbers else {
            return Err("K/N is expected, such as 2/5 for the second of five shards".into());
        };
        if of == 0 || !(1..=of).contains(&number) {
            return Err(format!(
                "there is no shard {number} of {of}: K runs from 1 to N, as in 1/{}",
                of.max(1)
            ));
        }
        Ok(Self { number, of })
    }
}

impl fmt::Display for Shard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.number, self.of)
    }
}

/// The record of a shard.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ShardRecord {
    /// `measure --shard`.
    pub command: String,
    /// Which one it is.
    pub shard: Shard,
    /// Pages of it that could not be measured.
    pub failed: usize,
    /// What is settled for all shards.
    pub agenda: Agenda,
    /// Digest of the agenda and of the files of this shard.
    pub digest: String,
    /// Every file that was written, this record excepted, by name.
    pub outputs: Vec<Entry>,
}

impl ShardRecord {
    /// Reads the record of a shard.
    ///
    /// # Errors
    /// [`Error::Read`] if there is none or it cannot be read; [`Error::Field`] if it is not that of a shard.
    pub fn read(folder: &Path) -> Result<Self, Error> {
        let not_a_shard = || Error::Field {
            path: folder.join(RECORD_NAME),
            why: format!(
                "this is not the record of a shard; name folders that `ceramograph {COMMAND}` wrote"
            ),
        };
        match parsed::<Self>(folder) {
            Err(Error::Field { .. }) => Err(not_a_shard()),
            Ok(record) if record.command != COMMAND || !record.shard.is_sound() => Err(not_a_shard()),
            other => other,
        }
    }

    /// Files that belong to the shard.
    pub fn files(&self) -> usize {
        (0..self.agenda.files.len()).filter(|&place| self.shard.holds(place)).count()
    }
}

impl Shard {
    fn is_sound(self) -> bool {
        (1..=self.of).contains(&self.number)
    }
}

/// Name of the part of a file within the folder of a shard.
pub fn part_name(stem: &str) -> String {
    format!("parts/{stem}.json")
}

/// Measures the files of a shard and writes their parts, for [`merge`](crate::study::merge::merge).
///
/// # Errors
/// As [`run`](crate::study::run::run).
pub fn run(request: &Request, shard: Shard, show: &(dyn Fn(Event<'_>) + Sync)) -> Result<ShardRecord, Error> {
    let prepared = prepare(request)?;
    let plan = Plan::new(&prepared)?;
    let own: Vec<(usize, &Input)> =
        prepared.inputs.iter().enumerate().filter(|(place, _)| shard.holds(*place)).collect();
    let digest = |keys: &[String]| prepared.agenda.digest(keys);
    if request.resume
        && ShardRecord::read(&request.out).is_ok_and(|there| there.shard == shard)
        && is_complete(request, COMMAND, &plan, own.iter().copied(), &digest)
    {
        show(Event::Unchanged);
        workplace::clear(&request.out);
        return ShardRecord::read(&request.out);
    }
    let staging = Staging::open(&request.out, COMMAND, request.replace)?;
    let desk = Desk::new(request, &plan, &staging, show);
    show(Event::Started { files: own.len() });
    let done = Mutex::new(vec![(String::new(), 0); own.len()]);
    let inputs: Vec<Input> = own.iter().map(|&(_, input)| input.clone()).collect();
    let work = |index: usize, input: &Input| {
        let place = own[index].0;
        let part = match desk.file(place, input)? {
            Arrival::Here(part) => *part,
            Arrival::Kept(kept) => kept.hand_over(&staging)?,
        };
        staging.write(&part_name(&prepared.agenda.files[place].stem), &part.to_bytes())?;
        let failed = part.failures().count();
        Ok((part.key, failed))
    };
    let threads = threads(request.threads);
    for_each_file(&inputs, (threads, plan.at_once(threads)), &work, &|index, came| {
        show(Event::FileDone);
        done.lock().expect("invariant: nothing panics while it holds the list")[index] = came;
        Ok(())
    })?;
    show(Event::Timed(&plan.timings));
    let done = done.into_inner().expect("invariant: nothing panics while it holds the list");
    let (keys, failed): (Vec<String>, Vec<usize>) = done.into_iter().unzip();
    let record = ShardRecord {
        command: COMMAND.into(),
        shard,
        failed: failed.into_iter().sum(),
        digest: prepared.agenda.digest(&keys),
        agenda: prepared.agenda,
        outputs: staging.entries(),
    };
    staging.publish(&record)?;
    Ok(record)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_file_belongs_to_one_shard() {
        for of in 1..7 {
            for place in 0..20 {
                let holding = (1..=of).filter(|&number| Shard { number, of }.holds(place)).count();
                assert_eq!(holding, 1);
            }
        }
    }

    #[test]
    fn a_shard_that_is_none_is_refused_with_the_reason() {
        assert_eq!("2/5".parse(), Ok(Shard { number: 2, of: 5 }));
        for text in ["0/3", "4/3", "1/0", "-1/3", "1", "1/3/5", "", "a/b", "1.5/3"] {
            let why = text.parse::<Shard>().unwrap_err();
            assert!(why.contains("K/N is expected") || why.contains("K runs from 1 to N"), "{text}: {why}");
        }
    }
}
