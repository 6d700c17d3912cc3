//! Smooth rounded particles of a powder, over a ground that counts as pore.

use serde::{Deserialize, Serialize};

use super::super::spec::{PhantomSpec, in_ranges, is_default};
use super::Surface;
use super::powder_bodies::lie;
use super::powder_view::{crack, transmitted};
use super::relief::{DARK_GROUND, Relief, Shading, is_dark_ground, shaded};
use crate::error::Error;

/// Settings of the powder look. The mean intercept is that of the particles; `pores.percent` is the share of the
/// ground.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Powder {
    /// How the particles are seen. Default: by secondary electrons.
    pub view: View,
    /// Greatest length over width; each particle has its own between 1 and this; 1 to 5. Default: 1.4.
    pub elongation: f64,
    /// Share of particles that are rods with round ends; the others are ellipsoids. Default: 0.
    pub rod_share: f64,
    /// Standard deviation of the logarithm of the diameters; 0 to 0.6. Default: 0.2.
    pub size_spread: f64,
    /// 0: particles lie anywhere, over each other; 1: they lie side by side. Default: 0.8.
    pub order: f64,
    /// Brightness of edges, as a share of full white; below 0 dark rims, in transmission only. -0.5 to 0.8.
    /// Default: 0.3.
    pub edge_brightness: f64,
    /// Standard deviation of the grey level between particles. Default: 0.03.
    pub grain_contrast: f64,
    /// Optical thickness of a particle of median size, in transmission; 0.1 to 5. Default: 1.2.
    pub absorption: f64,
    /// Standard deviation of the grey level inside particles, in transmission; 0 to 0.3. Default: 0.04.
    pub mottle: f64,
    /// Share of particles with a cracked skin. Default: 0.
    pub crack_share: f64,
    /// Share of the plane where none lie, in patches some particles wide; 0 to 0.6. Default: 0.
    #[serde(skip_serializing_if = "is_default")]
    pub bare_share: f64,
    /// Grey level of the ground, as a share of full white, by secondary electrons; deep as it lies, about half of it is
    /// seen. 0 to 0.6. Default: 0.1.
    #[serde(skip_serializing_if = "is_dark_ground")]
    pub ground: f64,
}

/// How particles are seen.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum View {
    /// By secondary electrons: bright edges, shaded, dark ground.
    #[default]
    Secondary,
    /// Shone through: darker than the bright ground.
    Transmission,
}

impl Default for Powder {
    fn default() -> Self {
        Self {
            view: View::Secondary,
            elongation: 1.4,
            rod_share: 0.0,
            size_spread: 0.2,
            order: 0.8,
            edge_brightness: 0.3,
            grain_contrast: 0.03,
            absorption: 1.2,
            mottle: 0.04,
            crack_share: 0.0,
            bare_share: 0.0,
            ground: DARK_GROUND,
        }
    }
}

impl Powder {
    pub(super) fn check(&self) -> Result<(), Error> {
        in_ranges(&[
            ("elongation", self.elongation, 1.0, 5.0),
            ("rod share", self.rod_share, 0.0, 1.0),
            ("size spread", self.size_spread, 0.0, 0.6),
            ("order", self.order, 0.0, 1.0),
            ("edge brightness", self.edge_brightness, -0.5, 0.8),
            ("grain contrast", self.grain_contrast, 0.0, 0.3),
            ("absorption", self.absorption, 0.1, 5.0),
            ("mottle", self.mottle, 0.0, 0.3),
            ("crack share", self.crack_share, 0.0, 1.0),
            ("bare share", self.bare_share, 0.0, 0.6),
            ("ground", self.ground, 0.0, 0.6),
        ])
    }
}

/// Surface of `spec`.
pub(crate) fn paint(spec: &PhantomSpec, look: &Powder) -> Surface {
    let layer = lie(spec, look);
    let mut surface = match look.view {
        View::Secondary => {
            let shading = Relief {
                edge_brightness: look.edge_brightness.max(0.0),
                grain_contrast: look.grain_contrast,
                shading: Shading { ground: look.ground, ..Shading::default() },
                ..Relief::default()
            };
            shaded(&layer.field, &shading, spec.seed)
        }
        View::Transmission => transmitted(&layer, look, spec.seed),
    };
    if look.crack_share > 0.0 {
        crack(&mut surface.picture, &layer.field, (look.crack_share, spec.seed));
    }
    surface
}
