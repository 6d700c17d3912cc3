//! What is said on standard error while pictures are measured or looked at.

use std::io::{IsTerminal as _, stderr};

use indicatif::{ProgressBar, ProgressStyle};

use crate::report::name::printable;
use crate::report::table::field_line;
use crate::study::run::Event;

/// A bar on a terminal, one line for each field elsewhere, nothing but failures when quiet.
#[derive(Debug)]
pub struct Progress {
    bar: ProgressBar,
    quiet: bool,
}

impl Progress {
    /// Chooses the form for this standard error.
    pub fn new(quiet: bool) -> Self {
        let bar = if !quiet && stderr().is_terminal() { ProgressBar::new(0) } else { ProgressBar::hidden() };
        let style = ProgressStyle::with_template("{bar:32} {pos}/{len} pictures, {eta} left  {msg}");
        bar.set_style(style.expect("invariant: the template is valid"));
        Self { bar, quiet }
    }

    /// Says what happened.
    pub fn show(&self, event: &Event<'_>) {
        match event {
            Event::Started { files } => self.bar.set_length(*files as u64),
            Event::Measured(field) if self.bar.is_hidden() && !self.quiet => {
                anstream::eprintln!("{}", field_line(field));
            }
            Event::Measured(field) => self.bar.set_message(printable(&field.file)),
            Event::Surveyed(picture) => self.bar.set_message(printable(&picture.file)),
            Event::Failed(failure) => {
                self.bar.suspend(|| {
                    anstream::eprintln!("failed: {}: {}", printable(&failure.file), printable(&failure.error))
                });
            }
            Event::TakenOver(file) if self.bar.is_hidden() && !self.quiet => {
                anstream::eprintln!("{}: taken over from the interrupted run", printable(file));
            }
            Event::TakenOver(file) => self.bar.set_message(printable(file)),
            Event::LeftAside { .. } | Event::Unchanged if self.quiet => {}
            Event::LeftAside { files } => anstream::eprintln!(
                "an interrupted run left {files} measured files; with --resume they would be taken over"
            ),
            Event::Unchanged => anstream::eprintln!(
                "the results are complete and nothing has changed; they are left as they are"
            ),
            Event::FileDone => self.bar.inc(1),
            Event::Timed(_) => {}
        }
    }

    /// Takes the bar away.
    pub fn finish(&self) {
        self.bar.finish_and_clear();
    }
}
