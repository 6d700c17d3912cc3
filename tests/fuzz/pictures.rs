//! What all picture formats share: how they are read, and what that may cost.

use std::path::Path;

use ceramograph::micrograph::{self, ReadOptions};

use crate::watch::Verdict;

/// Largest picture that is decoded here, so that sizes at the limit are cheap.
pub const MAX_PIXELS: u64 = 1 << 16;

/// Pages that are read of one file.
const MOST_PAGES: usize = 3;

/// Reads the first pages of a file. What is refused must say which file it is and what to do.
pub fn read(bytes: &[u8]) -> Verdict {
    let path = Path::new("field.png");
    let result = micrograph::pages(bytes, path, &ReadOptions { max_pixels: MAX_PIXELS }).and_then(|pages| {
        (0..pages.count().min(MOST_PAGES)).try_for_each(|index| {
            let picture = pages.read(index)?;
            assert!((picture.grey.width() * picture.grey.height()) as u64 <= MAX_PIXELS);
            Ok(())
        })
    });
    result.map_err(|error| {
        let text = error.to_string();
        assert!(text.starts_with("field.png is "), "{text}");
        let advice = ["copy it", "save it", "save the picture", "raise --max-pixels", "export the picture"];
        assert!(advice.iter().any(|advice| text.contains(advice)), "{text}");
        text
    })
}

/// As [`ReadOptions`] promises it.
pub fn budget(length: usize) -> usize {
    ReadOptions { max_pixels: MAX_PIXELS }.most_memory(length) as usize
}
