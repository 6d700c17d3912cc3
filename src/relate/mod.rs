//! What a study says about its firing: properties under conditions, grain growth, and what follows for the next firing.
//!
//! A specimen is the replicate of a firing, and a field the replicate of a specimen; tests say which of the two they rest
//! on. Nothing is predicted beyond the fired range, and no law is fitted with more parameters than conditions carry.

pub mod conclusion;
mod differences;
pub mod effect;
pub mod growth;
mod levels;
pub mod observation;
pub mod relation;
pub mod run;
pub mod specimens;
pub mod trajectory;
mod words;

use std::collections::BTreeSet;

use growth::GrowthQuestion;
use observation::{Condition, Observation, PROPERTIES};
use relation::{Effect, Growth, Trajectory};

/// What is asked of a study.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Question {
    /// Heads of the conditions to relate to; empty means all that differ between specimens.
    pub conditions: Vec<String>,
    /// Further values to predict at: head and value.
    pub at: Vec<(String, f64)>,
    /// What is known about grain growth.
    pub growth: GrowthQuestion,
    /// Activation energy in kJ/mol for the thermal work of each firing.
    pub activation_energy_kj_mol: Option<f64>,
}

/// What the specimens say.
#[derive(Clone, Debug)]
pub struct Answer {
    /// See [`relation::Relation::conclusions`].
    pub conclusions: Vec<String>,
    /// See [`relation::Relation::effects`].
    pub effects: Vec<Effect>,
    /// See [`relation::Relation::growth`].
    pub growth: Growth,
    /// See [`relation::Relation::trajectory`].
    pub trajectory: Option<Trajectory>,
}

/// Relates every property to every condition that differs between specimens.
pub fn answer(observations: &[Observation], question: &Question) -> Answer {
    let conditions = conditions(observations, question);
    let effects: Vec<Effect> = conditions
        .iter()
        .flat_map(|condition| {
            let wanted: Vec<f64> =
                question.at.iter().filter(|(head, _)| head == condition).map(|(_, value)| *value).collect();
            PROPERTIES
                .iter()
                .filter_map(|property| effect::effect(observations, condition, *property, &wanted))
                .collect::<Vec<_>>()
        })
        .collect();
    let mut conclusions = conclusion::conclusions(&effects);
    conclusions.extend(mixed(observations, &conditions));
    Answer {
        conclusions,
        growth: growth::growth(observations, &question.growth),
        trajectory: trajectory::trajectory(observations),
        effects,
    }
}

/// Heads of conditions, in the order of the alphabet.
fn conditions(observations: &[Observation], question: &Question) -> Vec<String> {
    if !question.conditions.is_empty() {
        return question.conditions.clone();
    }
    let numbers = observations.iter().flat_map(|observation| observation.numbers.keys());
    let words = observations.iter().flat_map(|observation| observation.words.keys());
    let heads: BTreeSet<&String> = numbers.chain(words).collect();
    heads.into_iter().cloned().collect()
}

/// Conditions that changed from specimen to specimen in step, whose effects no test can tell apart.
fn mixed(observations: &[Observation], conditions: &[String]) -> Vec<String> {
    let values = |head: &str| -> Option<Vec<f64>> {
        let values: Option<Vec<f64>> = observations.iter().map(|o| o.numbers.get(head).copied()).collect();
        values.filter(|values| values.iter().any(|value| *value != values[0]))
    };
    let numeric: Vec<(&String, Vec<f64>)> =
        conditions.iter().filter_map(|head| Some((head, values(head)?))).collect();
    let mut told = Vec::new();
    for (index, (one, first)) in numeric.iter().enumerate() {
        for (other, second) in &numeric[index + 1..] {
            if in_step(first, second) {
                told.push(format!(
                    "{} and {} changed together, so what is put down to one may be due to the other",
                    Condition::of(one).name,
                    Condition::of(other).name
                ));
            }
        }
    }
    told
}

/// Whether equal values of one always go with equal values of the other.
fn in_step(first: &[f64], second: &[f64]) -> bool {
    let pairs: Vec<(f64, f64)> = first.iter().copied().zip(second.iter().copied()).collect();
    pairs.iter().all(|a| pairs.iter().all(|b| (a.0 == b.0) == (a.1 == b.1)))
}
