//! The shards of a run joined into its results.

use std::path::{Path, PathBuf};

use crate::error::Error;
use crate::study::agenda::Listed;
use crate::study::collect::{Arrival, Collector};
use crate::study::files::Event;
use crate::study::output::Staging;
use crate::study::part::Kept;
use crate::study::result::Study;
use crate::study::run::{COMMAND, conclude};
use crate::study::shard::{ShardRecord, part_name};

/// Missing shards that an error names.
const MOST_NAMED: usize = 20;

/// What is to be joined.
#[derive(Clone, Debug)]
pub struct Request {
    /// Folders of all shards, in any order.
    pub shards: Vec<PathBuf>,
    /// Results folder.
    pub out: PathBuf,
    /// Whether earlier results in it give way.
    pub replace: bool,
}

/// Joins all shards of a run into the results folder that the run would have written in one go, byte for byte.
///
/// The paths in its record are those of the machine that measured the first shard. Parts are read one at a time.
///
/// # Errors
/// [`Error::Field`], with what to do, if a folder is no shard, a shard is missing or named twice, two do not belong together,
/// or a part is not what was written; [`Error::Read`] if one cannot be read; [`Error::Option`] and [`Error::Write`] if the
/// results folder cannot be written.
pub fn merge(request: &Request, show: &(dyn Fn(Event<'_>) + Sync)) -> Result<Study, Error> {
    let shards = in_order(&request.shards)?;
    let agenda = &shards[0].1.agenda;
    let staging = Staging::open(&request.out, COMMAND, request.replace)?;
    show(Event::Started { files: agenda.files.len() });
    let mut collector = Collector::new(&staging, agenda)?;
    for (place, file) in agenda.files.iter().enumerate() {
        let (folder, record) = &shards[place % shards.len()];
        collector.add(place, Arrival::Kept(part(folder, record, file)?))?;
        show(Event::FileDone);
    }
    conclude(agenda, collector.finish()?, staging)
}

/// The shards by number, each there once.
fn in_order(folders: &[PathBuf]) -> Result<Vec<(&Path, ShardRecord)>, Error> {
    let mut shards = Vec::new();
    for folder in folders {
        shards.push((folder.as_path(), ShardRecord::read(folder)?));
    }
    let refuse = |folder: &Path, why: String| Err(Error::Field { path: folder.to_owned(), why });
    let Some((first, record)) = shards.first() else {
        return refuse(Path::new(""), "no shard is named".into());
    };
    let here = env!("CARGO_PKG_VERSION");
    if record.agenda.version != here {
        let then = &record.agenda.version;
        return refuse(
            first,
            format!("measured by version {then}, and this is {here}; merge with that version"),
        );
    }
    let of = record.shard.of;
    for (folder, other) in &shards {
        let first = first.display();
        if other.shard.of != of {
            let (a, b) = (other.shard, record.shard);
            return refuse(
                folder,
                format!("this is shard {a}, and {first} is shard {b}; measure both with one N"),
            );
        }
        if let Some(difference) = record.agenda.difference(&other.agenda) {
            let why = format!("it does not belong with {first}: {difference}; measure one of them again");
            return refuse(folder, why);
        }
    }
    shards.sort_by_key(|(_, record)| record.shard.number);
    if let Some(pair) = shards.windows(2).find(|pair| pair[0].1.shard == pair[1].1.shard) {
        let (shard, other) = (pair[0].1.shard, pair[0].0.display());
        return refuse(pair[1].0, format!("{other} is shard {shard} as well; name only one of them"));
    }
    // Shards are sound, of one number and all different, so what is missing is known from how many there are; a record may
    // claim any number of shards.
    if shards.len() < of {
        let missing = missing(&shards, of);
        let why =
            format!("shard {missing} is missing beside it; name its folder too, or measure it with --shard");
        return refuse(shards[0].0, why);
    }
    Ok(shards)
}

/// The first shards that are missing, and how many more.
fn missing(shards: &[(&Path, ShardRecord)], of: usize) -> String {
    let is_there = |number: usize| shards.iter().any(|(_, record)| record.shard.number == number);
    let named: Vec<String> = (1..=of)
        .filter(|&number| !is_there(number))
        .take(MOST_NAMED)
        .map(|number| format!("{number}/{of}"))
        .collect();
    let more = of - shards.len() - named.len();
    let more = if more > 0 { format!(" and {more} more") } else { String::new() };
    named.join(", ") + &more
}

/// The part of a file, as the record of its shard vouches for it.
fn part(folder: &Path, record: &ShardRecord, file: &Listed) -> Result<Kept, Error> {
    let name = part_name(&file.stem);
    let entry = record.outputs.iter().find(|entry| entry.file == name).ok_or_else(|| Error::Field {
        path: folder.join(&name),
        why: format!("the record of the shard lacks this part; measure shard {} again", record.shard),
    })?;
    Ok(Kept::new(folder, &name, &entry.sha256))
}
