//! How a surface looks under the microscope: one file per look.

mod bodies;
mod cubes;
mod etched;
mod optical;
mod orientation;
mod polished;
mod relief;

use serde::{Deserialize, Serialize};

pub use cubes::Cubes;
pub use etched::Etched;
pub use optical::Optical;
pub use orientation::Orientation;
pub use polished::Polished;
pub use relief::Relief;

use super::section::section;
use super::spec::PhantomSpec;
use crate::grid::{Grid, Labels};

/// A kind of surface with its settings.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Look {
    /// Polished and thermally etched: dark grooves along the grain boundaries.
    Etched(Etched),
    /// Grains of different grey without grooves.
    Orientation(Orientation),
    /// Light microscope: thin dark boundaries, scratches.
    Optical(Optical),
    /// As fired: facetted bodies with bright edges.
    Relief(Relief),
    /// Cube-like grains lying over each other.
    Cubes(Cubes),
    /// Polished, not etched: only pores show.
    Polished(Polished),
}

impl Default for Look {
    fn default() -> Self {
        Self::Etched(Etched::default())
    }
}

impl Look {
    /// The kind as written in files and on the command line.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Etched(_) => "etched",
            Self::Orientation(_) => "orientation",
            Self::Optical(_) => "optical",
            Self::Relief(_) => "relief",
            Self::Cubes(_) => "cubes",
            Self::Polished(_) => "polished",
        }
    }

    /// `false` where the grains of the label map cannot be seen in the picture.
    pub fn shows_grains(&self) -> bool {
        !matches!(self, Self::Polished(_))
    }
}

/// A surface before the microscope: grey levels from 0 to about 1 with a margin, and the truth.
pub(crate) struct Surface {
    pub(crate) picture: Grid<f32>,
    /// Margin on each side of the part that is shown, in px.
    pub(crate) margin: usize,
    pub(crate) labels: Labels,
    pub(crate) pull_out_percent: f64,
}

/// Draws the surface of `spec`.
pub(crate) fn surface(spec: &PhantomSpec) -> Surface {
    match &spec.look {
        Look::Relief(look) => return relief::paint(spec, look),
        Look::Cubes(look) => return cubes::paint(spec, look),
        _ => {}
    }
    let section = section(spec);
    let picture = match &spec.look {
        Look::Etched(look) => etched::paint(&section, look),
        Look::Orientation(look) => orientation::paint(&section, look),
        Look::Optical(look) => optical::paint(&section, look),
        Look::Polished(look) => polished::paint(&section, look),
        Look::Relief(_) | Look::Cubes(_) => unreachable!("invariant: painted above"),
    };
    Surface {
        picture,
        margin: section.frame.x,
        labels: section.labels(),
        pull_out_percent: section.pull_out_percent(),
    }
}
