//! What a relation says on a terminal.

use crate::relate::relation::{GrowthFit, Relation};
use crate::report::name::printable;
use crate::report::number::significant;

/// Conclusions and the law of grain growth, a sentence a line, then what was refused and why.
pub fn sentences(relation: &Relation) -> String {
    let law = relation.growth.fit.as_ref().map(growth_law);
    let told = relation.conclusions.iter().cloned().chain(law);
    let mut lines: Vec<String> = told.map(|sentence| format!("- {}", printable(&sentence))).collect();
    if lines.is_empty() {
        lines.push(
            "No condition differs between specimens that have results, so nothing can be said about the firing."
                .into(),
        );
    }
    let mut refused: Vec<&String> = Vec::new();
    let of_effects = relation.effects.iter().flat_map(|effect| &effect.refused);
    for sentence in of_effects.chain(&relation.growth.refused) {
        // The same reason holds for every property under a condition.
        if !refused.contains(&sentence) {
            refused.push(sentence);
        }
    }
    lines.extend(refused.into_iter().map(|sentence| format!("  {}", printable(sentence))));
    lines.join("\n")
}

/// The fitted law of grain growth with its intervals.
pub fn growth_law(fit: &GrowthFit) -> String {
    let within =
        |half: Option<f64>| half.map_or_else(String::new, |half| format!(" ± {}", significant(half, 2)));
    let energy = fit.activation_energy_kj_mol.map_or_else(String::new, |energy| {
        format!(", Q = {}{} kJ/mol", significant(energy, 3), within(fit.activation_energy_half_width))
    });
    let given = if fit.exponent_half_width.is_none() { " (given)" } else { "" };
    format!(
        "Grain growth Gⁿ − G0ⁿ = K t: n = {}{}{given}{energy}, from {} conditions with {} fitted parameters (95 % intervals)",
        significant(fit.exponent, 3),
        within(fit.exponent_half_width),
        fit.condition_count,
        fit.parameter_count
    )
}
