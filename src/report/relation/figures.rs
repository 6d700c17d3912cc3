//! Figures of a relation: properties under conditions, the sintering trajectory, and grain growth.

use crate::relate::effect::LEVEL;
use crate::relate::observation::{Condition, GRAIN_SIZE, POROSITY, PROPERTIES, Property, RELATIVE_DENSITY};
use crate::relate::relation::{Effect, Line, Relation, Trajectory};
use crate::report::figure::{Band, BandPoint, Curve, Point, Scatter, Series, scatter};
use crate::report::file_stem;
use crate::report::name::printable;
use crate::statistics::student;

/// Column width of most journals.
const WIDTH_MM: f64 = 85.0;
/// Points of a curve.
const STEPS: u32 = 60;
/// Properties that are drawn; the others stand in the tables.
const DRAWN: [Property; 3] = [POROSITY, GRAIN_SIZE, RELATIVE_DENSITY];

/// One drawn figure.
pub struct RelationFigure {
    /// File name without ending.
    pub name: String,
    /// Head of the condition that it belongs to; empty for densification and growth.
    pub condition: String,
    /// The drawing.
    pub svg: String,
}

/// Every figure that the relation can carry, in the order of its effects.
pub fn figures(relation: &Relation) -> Vec<RelationFigure> {
    let effects =
        relation.effects.iter().filter(|effect| effect.levels.iter().all(|level| level.value.is_some()));
    let drawn = |effect: &&Effect| DRAWN.iter().any(|property| property.key == effect.property);
    let mut figures: Vec<RelationFigure> = effects
        .filter(drawn)
        .filter_map(|effect| {
            Some(RelationFigure {
                name: format!("{}-by-{}", effect.property, file_stem(&effect.condition)),
                condition: effect.condition.clone(),
                svg: scatter(&of_effect(effect), WIDTH_MM)?,
            })
        })
        .collect();
    figures.extend(relation.trajectory.as_ref().and_then(|trajectory| {
        Some(RelationFigure {
            name: "grain-size-by-relative-density".into(),
            condition: String::new(),
            svg: scatter(&of_trajectory(trajectory), WIDTH_MM)?,
        })
    }));
    figures
}

fn property_of(effect: &Effect) -> Property {
    PROPERTIES.into_iter().find(|property| property.key == effect.property).unwrap_or(POROSITY)
}

fn of_effect(effect: &Effect) -> Scatter {
    let (property, condition) = (property_of(effect), Condition::of(&effect.condition));
    let points = effect
        .levels
        .iter()
        .filter_map(|level| {
            Some(Point { x: level.value?, y: level.mean, low: level.ci95_low, high: level.ci95_high })
        })
        .collect();
    // A line that is not shown, or does not fit, is not drawn: the eye would believe it.
    let fits = !effect.lack_of_fit.as_ref().is_some_and(|test| test.lacks_fit);
    let line = effect.line.as_ref().filter(|line| fits && line.slope_p < LEVEL);
    let ends = effect
        .levels
        .first()
        .and_then(|level| level.value)
        .zip(effect.levels.last().and_then(|level| level.value));
    let places: Vec<f64> = ends.map_or_else(Vec::new, |(low, high)| {
        (0..=STEPS).map(|step| low + (high - low) * f64::from(step) / f64::from(STEPS)).collect()
    });
    Scatter {
        title: format!("{} by {}", property.name, printable(&condition.name)),
        x_label: printable(&condition.label()),
        y_label: format!("{}, {}", property.name, property.unit),
        x_logarithmic: false,
        y_logarithmic: false,
        series: vec![Series { name: "mean with 95 % interval".into(), points }],
        curves: line
            .map(|line| Curve {
                name: "straight line".into(),
                points: places.iter().map(|&x| (x, line.intercept + line.slope * x)).collect(),
                dashed: false,
            })
            .into_iter()
            .collect(),
        bands: line.and_then(|line| band(line, &places)).into_iter().collect(),
    }
}

/// The 95 % band of a line, in the formula of its own result.
fn band(line: &Line, places: &[f64]) -> Option<Band> {
    let degrees = line.degrees_of_freedom as f64;
    let t = student::quantile(0.975, degrees)?;
    let half = |x: f64| {
        let off = x - line.mean_condition;
        t * line.residual_standard_deviation
            * (1.0 / (degrees + 2.0) + off * off / line.condition_sum_of_squares).sqrt()
    };
    let points = places.iter().map(|&x| {
        let y = line.intercept + line.slope * x;
        BandPoint { x, low: y - half(x), high: y + half(x) }
    });
    Some(Band { name: "95 % interval of the line".into(), points: points.collect() })
}

fn of_trajectory(trajectory: &Trajectory) -> Scatter {
    let points = trajectory.points.iter().map(|point| Point {
        x: point.relative_density_percent,
        y: point.mean_linear_intercept_um,
        low: None,
        high: None,
    });
    Scatter {
        title: "sintering trajectory".into(),
        x_label: "relative density, %".into(),
        y_label: "mean linear intercept, µm".into(),
        x_logarithmic: false,
        y_logarithmic: true,
        series: vec![Series { name: "specimens".into(), points: points.collect() }],
        curves: Vec::new(),
        bands: Vec::new(),
    }
}
