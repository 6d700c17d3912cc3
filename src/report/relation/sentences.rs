//! What a relation says on a terminal.

use crate::relate::relation::Relation;
use crate::report::name::printable;

/// Conclusions, then what was found under each condition, a sentence a line.
pub fn sentences(relation: &Relation) -> String {
    let mut lines: Vec<String> =
        relation.conclusions.iter().map(|sentence| format!("- {}", printable(sentence))).collect();
    if lines.is_empty() {
        lines.push("No condition differs between specimens that have results, so nothing can be said about the firing.".into());
    }
    let refused = relation.effects.iter().flat_map(|effect| &effect.refused);
    let mut told: Vec<&String> = Vec::new();
    for sentence in refused {
        // The same reason holds for every property under a condition.
        if !told.contains(&sentence) {
            told.push(sentence);
        }
    }
    lines.extend(told.into_iter().map(|sentence| format!("  {}", printable(sentence))));
    lines.join("\n")
}
