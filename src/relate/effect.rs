//! One property under one condition: lines, tests, and the sentences that they carry.

use super::differences::differences;
use super::levels::Levels;
use super::observation::{Condition, Observation, Property};
use super::relation::{Effect, LackOfFit, Line, Prediction, RankCorrelation};
use super::words;
use crate::statistics::line::{LineFit, fit, lack_of_fit};
use crate::statistics::rank::spearman;

/// With fewer specimens a line has no residual.
const FEWEST_FOR_A_LINE: usize = 3;
/// p below which something is called shown.
pub const LEVEL: f64 = 0.05;

/// Relates a property to a condition; `wanted` are further values of the condition to predict at.
///
/// `None` if fewer than two values of the condition have the property.
pub fn effect(
    observations: &[Observation],
    condition: &str,
    property: Property,
    wanted: &[f64],
) -> Option<Effect> {
    let levels = Levels::of(observations, condition, property);
    if levels.0.len() < 2 {
        return None;
    }
    let mut effect = Effect {
        condition: condition.to_owned(),
        property: property.key.to_owned(),
        levels: levels.0.iter().map(|members| members.level()).collect(),
        line: None,
        weighted_line: None,
        lack_of_fit: None,
        spearman: None,
        differences: differences(&levels),
        refused: Vec::new(),
        words: Vec::new(),
    };
    match levels.range() {
        Some(range) => add_lines(&mut effect, &levels, range, wanted),
        None => effect.refused.extend(wanted.iter().map(|x| {
            format!("nothing is predicted at {x}: {} is not a number", Condition::of(condition).name)
        })),
    }
    effect.words = words::of_effect(&effect, property);
    Some(effect)
}

fn add_lines(effect: &mut Effect, levels: &Levels, range: (f64, f64), wanted: &[f64]) {
    let points = levels.points();
    if points.len() < FEWEST_FOR_A_LINE {
        effect.refused.push(format!(
            "no line: {} specimens leave no residual to judge it by; three are the least",
            points.len()
        ));
        return;
    }
    let (x, y): (Vec<f64>, Vec<f64>) = points.iter().map(|&(x, y, _)| (x, y)).unzip();
    let mut at: Vec<f64> = levels.0.iter().filter_map(|level| level.value).collect();
    for &place in wanted {
        if (range.0..=range.1).contains(&place) {
            at.push(place);
        } else {
            effect.refused.push(outside(&effect.condition, place, range));
        }
    }
    effect.line = fit(&x, &y, None).map(|found| line(&found, &at));
    let errors: Option<Vec<f64>> = points.iter().map(|&(_, _, error)| error.filter(|e| *e > 0.0)).collect();
    match errors {
        Some(errors) => {
            let weights: Vec<f64> = errors.iter().map(|error| 1.0 / (error * error)).collect();
            effect.weighted_line = fit(&x, &y, Some(&weights)).map(|found| line(&found, &at));
        }
        None => effect.refused.push("no weighted line: the standard error of a specimen is not known".into()),
    }
    effect.lack_of_fit = lack_of_fit(&x, &y).map(|test| LackOfFit {
        test: test.name.into(),
        f: test.f,
        p: test.p,
        lacks_fit: test.p < LEVEL,
    });
    if effect.lack_of_fit.is_none() {
        effect.refused.push(
            "whether a straight line is the right form cannot be told: that takes specimens under equal conditions, or six levels"
                .into(),
        );
    }
    effect.spearman =
        spearman(&x, &y).map(|found| RankCorrelation { rho: found.rho, p: found.p, exact: found.exact });
}

/// Why nothing is said about a condition that was not fired.
fn outside(condition: &str, place: f64, (low, high): (f64, f64)) -> String {
    let shown = Condition::of(condition);
    let name = &shown.name;
    format!(
        "nothing is predicted for a {name} of {}: the specimens have {name} from {low} to {}, and beyond that range the line is a guess; \
         fire a specimen there",
        shown.value(&place.to_string()),
        shown.value(&high.to_string())
    )
}

fn line(found: &LineFit, at: &[f64]) -> Line {
    Line {
        slope: found.slope,
        slope_standard_error: found.slope_standard_error,
        slope_half_width: found.slope_half_width(),
        slope_p: found.slope_p(),
        intercept: found.intercept,
        intercept_standard_error: found.intercept_standard_error,
        r_squared: found.r_squared,
        residual_standard_deviation: found.residual_standard_deviation,
        degrees_of_freedom: found.degrees_of_freedom,
        mean_condition: found.mean_x,
        condition_sum_of_squares: found.sum_of_squares_x,
        at: at.iter().map(|&x| prediction(found, x)).collect(),
    }
}

fn prediction(found: &LineFit, x: f64) -> Prediction {
    Prediction {
        condition: x,
        value: found.at(x),
        mean_half_width: found.mean_half_width(x),
        prediction_half_width: found.prediction_half_width(x),
    }
}
