//! Polished, not etched: an even ground in which only pores show.

use serde::{Deserialize, Serialize};

use super::super::scratches::scratch;
use super::super::section::Section;
use super::etched::pore_tone;
use crate::grid::Grid;

/// Settings of the polished look.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Polished {
    /// Scratches in a picture of 1024 x 768 px. Default: 6.
    pub scratches: f64,
}

impl Default for Polished {
    fn default() -> Self {
        Self { scratches: 6.0 }
    }
}

/// Grey levels of the section.
pub(crate) fn paint(section: &Section, look: &Polished) -> Grid<f32> {
    let mut picture = section
        .paint(|spot| pore_tone(spot, spot.finished(0.58 + 0.008 * spot.texture + 0.008 * spot.drift, 0.58)));
    scratch(&mut picture, look.scratches, 0.07, section.seed);
    picture
}
