//! Porosity seen in pictures against porosity weighed and measured.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::result::Body;
use super::value::Value;

/// Porosity of a specimen from its pictures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PicturePorosity {
    /// Mean over fields in percent.
    pub mean_percent: f64,
    /// Half the 95 % interval of the mean in percentage points; `None` with one field.
    pub half_width_points: Option<f64>,
}

/// What the pictures are compared with.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// Total porosity by weighing in a liquid.
    Archimedes,
    /// Total porosity from mass and sizes.
    Geometrical,
    /// Open porosity by weighing in a liquid: a lower bound of what pictures show.
    ArchimedesOpen,
}

/// The porosity of pictures against that of another method.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Comparison {
    /// The other method.
    pub method: Method,
    /// Mean porosity of the pictures.
    pub pictures_percent: f64,
    /// Porosity by the other method.
    pub other_percent: f64,
    /// Pictures minus other, in percentage points.
    pub difference_points: f64,
    /// Half the 95 % interval of the difference: root of the squares of both half widths; null with one field.
    pub half_width_points: Option<f64>,
    /// Whether zero lies in the interval of the difference (for the open porosity: whether the pictures show at least
    /// that much); null where there is no interval.
    pub agree: Option<bool>,
    /// Usual reasons for a difference of this sign, most usual first; empty unless the methods disagree. None is shown to
    /// apply, and neither value is ever corrected by the other.
    pub usual_reasons: Vec<String>,
}

/// Usual reasons why pictures show more pores than the body has (common practice).
pub const REASONS_PICTURES_HIGH: [&str; 5] = [
    "grains pulled out in grinding and polishing count as pores: compare the porosity without pull-out, polish longer",
    "the threshold counts grooves, scratches or dark grains as pores: look at the overlays and the threshold sensitivity",
    "the fields lie where the body is more porous than on average (centre, or a lamination): take fields by rule, not choice",
    "the theoretical density is too low for this material, so that the weighed total porosity is too low",
    "thermal or chemical etching widened pores: compare with a polished, unetched face",
];

/// Usual reasons why pictures show fewer pores than the body has (common practice).
pub const REASONS_PICTURES_LOW: [&str; 6] = [
    "pores finer than the resolution, or than the smallest pore counted, are missing: photograph at higher magnification",
    "open pores were filled by resin, polishing debris or a coating and look solid",
    "the threshold is too strict for pores with a bright floor: look at the overlays and the threshold sensitivity",
    "the fields lie where the body is denser than on average (rim), or cracks and large flaws were avoided",
    "chamfers, warped or conical shape make the volume from sizes too large and that density too low",
    "the theoretical density is too high for this material, so that the weighed total porosity is too high",
];

/// Compares the porosity of pictures with every porosity of the body that is known: total by weighing, total from sizes,
/// open by weighing.
///
/// Two methods agree where their difference is at most √(h₁² + h₂²), h being the half width of the 95 % interval over
/// fields and two standard uncertainties of the body's value.
pub fn compare(pictures: &PicturePorosity, body: &Body) -> Vec<Comparison> {
    [
        (Method::Archimedes, body.archimedes_porosity_percent),
        (Method::Geometrical, body.geometrical_porosity_percent),
        (Method::ArchimedesOpen, body.open_porosity_percent),
    ]
    .into_iter()
    .filter_map(|(method, other)| Some(comparison(pictures, method, other?)))
    .collect()
}

fn comparison(pictures: &PicturePorosity, method: Method, other: Value) -> Comparison {
    let difference = pictures.mean_percent - other.value;
    let half_width = pictures.half_width_points.map(|own| f64::hypot(own, other.expanded()));
    let agree = half_width.map(|allowed| match method {
        Method::ArchimedesOpen => difference >= -allowed,
        Method::Archimedes | Method::Geometrical => difference.abs() <= allowed,
    });
    let reasons: &[&str] = match agree {
        Some(false) if difference > 0.0 => &REASONS_PICTURES_HIGH,
        Some(false) => &REASONS_PICTURES_LOW,
        _ => &[],
    };
    Comparison {
        method,
        pictures_percent: pictures.mean_percent,
        other_percent: other.value,
        difference_points: difference,
        half_width_points: half_width,
        agree,
        usual_reasons: reasons.iter().map(|&reason| reason.to_owned()).collect(),
    }
}
