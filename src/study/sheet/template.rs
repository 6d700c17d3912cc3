//! An empty sheet to fill in.

use super::columns::{KNOWN, SEGMENT_PARTS, TEXTS};
use super::unit::Kind;

/// Segments that the template has heads for.
const SEGMENTS: u8 = 2;

/// An empty sheet with every known head, and comments that explain them.
pub fn template() -> String {
    let mut text = String::from(
        "# Study sheet: one row a specimen. Lines that begin with # are comments. Leave empty what is not known.\n\
         # Delete columns that you do not need, add your own: they are kept and shown.\n\
         # Units stand in the heads; another unit is chosen by another head, as in fired_mass_mg.\n\
         # Decimal commas are read where cells are parted by semicolons or tabs.\n#\n",
    );
    let mut heads: Vec<String> = Vec::new();
    let mut add = |head: String, kind: Option<Kind>, meaning: &str| {
        let others: Vec<String> = kind
            .map_or(&[][..], |kind| &kind.units()[1..])
            .iter()
            .map(|unit| format!("_{}", unit.key))
            .collect();
        let units = if others.is_empty() { String::new() } else { format!(" (or {})", others.join(" ")) };
        text += &format!("# {head}: {meaning}{units}\n");
        heads.push(head);
    };
    for (_, name, meaning) in TEXTS {
        add(name.to_owned(), None, meaning);
    }
    for known in &KNOWN {
        add(format!("{}_{}", known.stems[0], known.kind.kept().key), Some(known.kind), known.meaning);
    }
    for number in 1..=SEGMENTS {
        for (_, stem, kind, _, meaning) in SEGMENT_PARTS {
            let meaning = format!("firing with several segments, number {number}: {meaning}");
            add(format!("segment_{number}_{stem}_{}", kind.kept().key), Some(kind), &meaning);
        }
    }
    text += &heads.join(",");
    text.push('\n');
    text
}
