//! The strip of text that instruments add below or above a picture.

use super::{Grey, InfoStrip};

/// Finds the strip.
pub fn find(_grey: &Grey) -> Option<InfoStrip> {
    None
}
