//! The files of a study one by one: with as many in flight as there are threads, and one that fails costing no other.

use std::num::NonZeroUsize;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

use crate::error::Error;
use crate::micrograph::beside::{TextBeside, texts_beside};
use crate::micrograph::{self, Micrograph, ReadOptions};
use crate::study::input::Input;
use crate::study::read_file::{check_regular, read_regular};
use crate::study::record::{Entry, sha256, sha256_of_file};
use crate::study::result::{Failure, Field};
use crate::study::survey::PictureScale;
use crate::timing::{Stage, Timings};

/// What happens during a run.
#[derive(Debug)]
pub enum Event<'a> {
    /// The pictures were listed.
    Started {
        /// Files to be looked at.
        files: usize,
    },
    /// A field was measured.
    Measured(&'a Field),
    /// The scale of a picture was looked for.
    Surveyed(&'a PictureScale),
    /// A picture could not be read or measured.
    Failed(&'a Failure),
    /// What an interrupted run had measured of this file holds.
    TakenOver(&'a str),
    /// An interrupted run left measured files, and this one does not take them over.
    LeftAside {
        /// Measured files.
        files: usize,
    },
    /// The results are there and nothing that they were made from has changed.
    Unchanged,
    /// All pages of a file are done.
    FileDone,
    /// All files are measured, and their stages took this long.
    Timed(&'a Timings),
}

/// What a file came to.
#[derive(Debug)]
pub(super) struct FileOutcome<R> {
    /// The file, if it could be read, and the text files beside it that say something.
    pub entries: Vec<Entry>,
    /// One result, or the reason why there is none, for each page.
    pub pages: Vec<Result<R, Failure>>,
}

/// A page of a file.
#[derive(Clone, Copy, Debug)]
pub(super) struct PageOf<'a> {
    /// SHA-256 of the file, in hexadecimal.
    pub sha256: &'a str,
    /// Page, from 1, where the file has several.
    pub page: Option<u32>,
}

/// The number of threads asked for, or one for each core.
pub(super) fn threads(asked: Option<NonZeroUsize>) -> NonZeroUsize {
    asked.or_else(|| std::thread::available_parallelism().ok()).unwrap_or(NonZeroUsize::MIN)
}

/// A pool of so many threads.
pub(super) fn pool(threads: NonZeroUsize) -> Result<rayon::ThreadPool, Error> {
    rayon::ThreadPoolBuilder::new()
        .num_threads(threads.get())
        .build()
        .map_err(|e| Error::Option { name: "--threads", why: e.to_string() })
}

/// Works on every file on so many threads, with `at_once` files in flight at most. `done` takes what came of it, in any order.
pub(super) fn for_each_file<T: Send>(
    inputs: &[Input],
    (threads, at_once): (NonZeroUsize, NonZeroUsize),
    work: &(dyn Fn(usize, &Input) -> Result<T, Error> + Sync),
    done: &(dyn Fn(usize, T) -> Result<(), Error> + Sync),
) -> Result<(), Error> {
    // A file runs on the pool, not on its worker: the pool then shares its threads between and inside pictures, and
    // workers only bound how many pictures are in memory.
    let pool = pool(threads)?;
    let next = AtomicUsize::new(0);
    let all = || -> Result<(), Error> {
        loop {
            let index = next.fetch_add(1, Ordering::Relaxed);
            let Some(input) = inputs.get(index) else { return Ok(()) };
            let outcome = pool.install(|| work(index, input))?;
            done(index, outcome)?;
        }
    };
    let stop_all = || {
        let result = all();
        if result.is_err() {
            next.store(inputs.len(), Ordering::Relaxed);
        }
        result
    };
    std::thread::scope(|scope| {
        let workers: Vec<_> = (0..at_once.get().min(inputs.len())).map(|_| scope.spawn(stop_all)).collect();
        workers.into_iter().try_for_each(|w| w.join().expect("invariant: workers hand on their errors"))
    })
}

/// A file as it was found: what its result is made from.
pub(super) struct Source {
    /// Its bytes; `None` of a picture that is read from its file by bands.
    bytes: Option<Vec<u8>>,
    /// Name and hash of the file.
    pub entry: Entry,
    pub texts: Vec<(TextBeside, Entry)>,
}

impl Source {
    /// Reads a file and the texts beside it; a picture that asks for `is_banded` is only hashed.
    pub fn read(input: &Input, is_banded: &dyn Fn(&Path) -> Result<bool, Error>) -> Result<Self, Failure> {
        // What was a file when it was listed may have become a pipe.
        let content = check_regular(&input.path)
            .and_then(|()| is_banded(&input.path))
            .and_then(|is_banded| content(&input.path, is_banded));
        let (bytes, sha256_of_file) = content.map_err(|error| {
            let error = error.to_string();
            Failure { file: input.name.clone(), page: None, error }
        })?;
        let beside = |name: &str| match input.name.rsplit_once('/') {
            Some((folder, _)) => format!("{folder}/{name}"),
            None => name.to_owned(),
        };
        let texts = texts_beside(&input.path).into_iter().map(|text| {
            let entry = Entry { file: beside(&text.name), sha256: sha256(&text.bytes) };
            (text, entry)
        });
        let entry = Entry { file: input.name.clone(), sha256: sha256_of_file };
        Ok(Self { texts: texts.collect(), entry, bytes })
    }

    /// Whether its picture is read from its file by bands.
    pub fn is_banded(&self) -> bool {
        self.bytes.is_none()
    }

    /// Names and hashes of the file and of every text beside it.
    pub fn entries(&self) -> Vec<&Entry> {
        std::iter::once(&self.entry).chain(self.texts.iter().map(|(_, entry)| entry)).collect()
    }
}

/// The bytes of a file, unless it is only hashed, and its hash.
fn content(path: &Path, only_hashed: bool) -> Result<(Option<Vec<u8>>, String), Error> {
    if only_hashed {
        let hash = sha256_of_file(path).map_err(|source| Error::Read { path: path.to_owned(), source })?;
        return Ok((None, hash));
    }
    let bytes = read_regular(path)?;
    let hash = sha256(&bytes);
    Ok((Some(bytes), hash))
}

/// For runs without a bound on memory: every picture is measured in one piece.
pub(super) fn none_is_banded(_: &Path) -> Result<bool, Error> {
    Ok(false)
}

/// Works on every page of a file, with what the texts beside it say; what `compute` refuses or a decoder panics on becomes a
/// failure of that page. `finish` turns what was computed into the result of the page; its errors stop the run.
pub(super) fn each_page<T, R>(
    input: &Input,
    source: Result<Source, Failure>,
    max_pixels: u64,
    timings: &Timings,
    compute: impl Fn(&Micrograph) -> Result<T, Error>,
    finish: impl Fn(PageOf<'_>, &Micrograph, T) -> Result<R, Error>,
) -> Result<FileOutcome<R>, Error> {
    let failed = |page, error: String| Failure { file: input.name.clone(), page, error };
    let Source { bytes, entry, texts } = match source {
        Ok(source) => source,
        Err(failure) => return Ok(FileOutcome { entries: vec![], pages: vec![Err(failure)] }),
    };
    let bytes = bytes.expect("invariant: pictures that are read by bands go another way");
    // A decoder that panics on a damaged file must not take the other pictures with it.
    let pages = match guarded(|| micrograph::pages(&bytes, &input.path, &ReadOptions { max_pixels })) {
        Ok(pages) => pages,
        Err(error) => return Ok(FileOutcome { entries: vec![entry], pages: vec![Err(failed(None, error))] }),
    };
    let mut texts: Vec<_> = texts.into_iter().map(|text| (text, false)).collect();
    let mut outcomes = Vec::with_capacity(pages.count());
    for index in 0..pages.count() {
        let page = (pages.count() > 1).then_some(index as u32 + 1);
        let computed = guarded(|| {
            let start = Instant::now();
            let mut micrograph = pages.read(index)?;
            let pixels = micrograph.grey.width() * micrograph.grey.height();
            timings.add(Stage::Decode, pixels, start.elapsed());
            texts.iter_mut().for_each(|((text, _), states)| *states |= text.tell(&mut micrograph));
            let computed = compute(&micrograph)?;
            Ok((micrograph, computed))
        });
        outcomes.push(match computed {
            Ok((micrograph, computed)) => {
                Ok(finish(PageOf { sha256: &entry.sha256, page }, &micrograph, computed)?)
            }
            Err(error) => Err(failed(page, error)),
        });
    }
    // A text that says nothing about the scale changes no result, and is no part of the run.
    let of_texts = texts.into_iter().filter(|(_, states)| *states).map(|((_, entry), _)| entry);
    let entries = std::iter::once(entry).chain(of_texts).collect();
    Ok(FileOutcome { entries, pages: outcomes })
}

/// Runs `f` and turns errors and panics into text.
pub(super) fn guarded<T>(f: impl FnOnce() -> Result<T, Error>) -> Result<T, String> {
    match catch_unwind(AssertUnwindSafe(f)) {
        Ok(result) => result.map_err(|error| error.to_string()),
        Err(panic) => {
            let text = panic
                .downcast_ref::<String>()
                .map(String::as_str)
                .or_else(|| panic.downcast_ref::<&str>().copied())
                .unwrap_or("no text");
            Err(format!("the program failed on this picture ({text}); please report it with the picture"))
        }
    }
}
