//! How a surface looks under the microscope: one file per look.

mod bodies;
mod cubes;
mod etched;
mod optical;
mod orientation;
mod polished;
mod powder;
mod powder_bodies;
mod powder_view;
mod relief;

use serde::{Deserialize, Serialize};

pub use bodies::Heap;
pub use cubes::Cubes;
pub use etched::Etched;
pub use optical::Optical;
pub use orientation::Orientation;
pub use polished::Polished;
pub use powder::{Powder, View};
pub use relief::{Relief, Shading};

use super::section::section;
use super::spec::PhantomSpec;
use crate::error::Error;
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
    /// Smooth rounded particles over a ground that counts as pore.
    Powder(Powder),
}

impl Default for Look {
    fn default() -> Self {
        Self::Etched(Etched::default())
    }
}

impl Look {
    /// The kind without its settings.
    pub fn kind(&self) -> LookKind {
        match self {
            Self::Etched(_) => LookKind::Etched,
            Self::Orientation(_) => LookKind::Orientation,
            Self::Optical(_) => LookKind::Optical,
            Self::Relief(_) => LookKind::Relief,
            Self::Cubes(_) => LookKind::Cubes,
            Self::Polished(_) => LookKind::Polished,
            Self::Powder(_) => LookKind::Powder,
        }
    }

    /// The kind as written in files and on the command line.
    pub fn name(&self) -> &'static str {
        match self.kind() {
            LookKind::Etched => "etched",
            LookKind::Orientation => "orientation",
            LookKind::Optical => "optical",
            LookKind::Relief => "relief",
            LookKind::Cubes => "cubes",
            LookKind::Polished => "polished",
            LookKind::Powder => "powder",
        }
    }

    /// Checks the numbers that could not be drawn.
    pub(crate) fn check(&self) -> Result<(), Error> {
        match self {
            Self::Powder(powder) => powder.check(),
            Self::Relief(relief) => relief.check(),
            Self::Cubes(cubes) => Relief::from(cubes).check(),
            _ => Ok(()),
        }
    }

    /// `false` where the grains of the label map cannot be seen in the picture.
    pub fn shows_grains(&self) -> bool {
        !matches!(self, Self::Polished(_))
    }
}

/// The looks by name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum LookKind {
    /// Polished and thermally etched: dark grooves
    Etched,
    /// Grains of different grey, no grooves
    Orientation,
    /// Light microscope: thin dark boundaries, scratches
    Optical,
    /// As fired: facetted bodies with bright edges
    Relief,
    /// Cube-like grains over each other
    Cubes,
    /// Polished, not etched: only pores show
    Polished,
    /// Smooth rounded particles over a ground that counts as pore
    Powder,
}

impl LookKind {
    /// `true` for looks of a plane section; the others heap bodies and cannot lose grains in polishing.
    pub fn is_section(self) -> bool {
        !matches!(self, Self::Relief | Self::Cubes | Self::Powder)
    }

    /// The look with default settings.
    pub fn with_defaults(self) -> Look {
        match self {
            Self::Etched => Look::Etched(Etched::default()),
            Self::Orientation => Look::Orientation(Orientation::default()),
            Self::Optical => Look::Optical(Optical::default()),
            Self::Relief => Look::Relief(Relief::default()),
            Self::Cubes => Look::Cubes(Cubes::default()),
            Self::Polished => Look::Polished(Polished::default()),
            Self::Powder => Look::Powder(Powder::default()),
        }
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
        Look::Powder(look) => return powder::paint(spec, look),
        _ => {}
    }
    let section = section(spec);
    let picture = match &spec.look {
        Look::Etched(look) => etched::paint(&section, look),
        Look::Orientation(look) => orientation::paint(&section, look),
        Look::Optical(look) => optical::paint(&section, look),
        Look::Polished(look) => polished::paint(&section, look),
        Look::Relief(_) | Look::Cubes(_) | Look::Powder(_) => unreachable!("invariant: painted above"),
    };
    Surface {
        picture,
        margin: section.frame.x,
        labels: section.labels(),
        pull_out_percent: section.pull_out_percent(),
    }
}
