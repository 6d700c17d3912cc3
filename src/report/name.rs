//! Names that others chose, made safe: for file names, for terminals and for pages.

use std::collections::HashSet;

const LONGEST_STEM: usize = 80;

/// Names that Windows keeps for devices, whatever the ending.
const DEVICE_NAMES: [&str; 22] = [
    "con", "prn", "aux", "nul", "com1", "com2", "com3", "com4", "com5", "com6", "com7", "com8", "com9",
    "lpt1", "lpt2", "lpt3", "lpt4", "lpt5", "lpt6", "lpt7", "lpt8", "lpt9",
];

/// A file name without ending, made from a specimen's name or a picture's path.
///
/// Letters and digits of any script, `-`, `_` and inner dots stay; every run of other characters becomes one `-`.
/// The result is never empty, never starts with a dot or a hyphen, is no device name and has at most 80 bytes.
/// Different names may give the same stem: see [`file_stems`].
///
/// ```
/// assert_eq!(ceramograph::report::file_stem("1500 °C / 2 h"), "1500-C-2-h");
/// assert_eq!(ceramograph::report::file_stem("../.."), "unnamed");
/// ```
pub fn file_stem(name: &str) -> String {
    let mut stem = String::with_capacity(name.len());
    for c in name.chars() {
        let kept = if c.is_alphanumeric() || matches!(c, '_' | '.') { c } else { '-' };
        if !(stem.ends_with(['-', '.']) && matches!(kept, '-' | '.')) {
            stem.push(kept);
        }
    }
    let trimmed = shortened(stem.trim_matches(['-', '.']), LONGEST_STEM);
    let before_dot = trimmed.split('.').next().unwrap_or_default().to_lowercase();
    match trimmed {
        "" => "unnamed".to_owned(),
        device if DEVICE_NAMES.contains(&before_dot.as_str()) => format!("_{device}"),
        other => other.to_owned(),
    }
}

/// One stem for each name, in order, no two alike even where upper and lower case count as the same.
///
/// Names that are their own stem keep it; the others that collide get `-2`, `-3`, … in the order of the list.
pub fn file_stems(names: &[&str]) -> Vec<String> {
    let mut taken = HashSet::new();
    let mut stems: Vec<Option<String>> = names
        .iter()
        .map(|&name| Some(file_stem(name)).filter(|stem| stem == name && taken.insert(stem.to_lowercase())))
        .collect();
    for (stem, name) in stems.iter_mut().zip(names).filter(|(stem, _)| stem.is_none()) {
        *stem = Some(unused(&file_stem(name), &mut taken));
    }
    stems.into_iter().flatten().collect()
}

/// The stem of a file's page: its own, with the page behind it where the file has several.
pub fn page_stem(stem: &str, page: Option<u32>) -> String {
    page.map_or_else(|| stem.to_owned(), |page| format!("{stem}-page-{page}"))
}

fn unused(stem: &str, taken: &mut HashSet<String>) -> String {
    let mut candidate = stem.to_owned();
    let mut number = 2;
    while !taken.insert(candidate.to_lowercase()) {
        candidate = format!("{stem}-{number}");
        number += 1;
    }
    candidate
}

fn shortened(text: &str, longest: usize) -> &str {
    let end = (0..=longest.min(text.len())).rev().find(|&i| text.is_char_boundary(i)).unwrap_or(0);
    text[..end].trim_end_matches(['-', '.'])
}

/// The text with everything visible: control characters, marks that turn the reading direction, and characters that
/// are not allowed in XML are written as `\u{…}`.
///
/// ```
/// assert_eq!(ceramograph::report::name::printable("a\u{202e}b\n"), r"a\u{202e}b\u{a}");
/// ```
pub fn printable(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for c in text.chars() {
        if is_hidden(c) {
            shown.extend(c.escape_unicode());
        } else {
            shown.push(c);
        }
    }
    shown
}

fn is_hidden(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{61c}')
        || matches!(c, '\u{feff}' | '\u{fffe}' | '\u{ffff}')
}

/// The first `longest` characters, with `…` where something was left out.
pub fn clipped(text: &str, longest: usize) -> String {
    if text.chars().count() <= longest {
        return text.to_owned();
    }
    text.chars().take(longest.saturating_sub(1)).chain(['…']).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stems_are_safe_on_every_system() {
        for (name, stem) in [
            ("", "unnamed"),
            ("...", "unnamed"),
            ("..\\..\\etc", "etc"),
            ("=cmd|' /C calc'!A0", "cmd-C-calc-A0"),
            ("a<b>\"c\"", "a-b-c"),
            ("NUL", "_NUL"),
            ("com1.txt", "_com1.txt"),
            ("ring\u{202e}gnp", "ring-gnp"),
            ("Tonerde 1550 °C", "Tonerde-1550-C"),
            ("焼結体", "焼結体"),
            ("-rf", "rf"),
            ("a./b", "a.b"),
        ] {
            assert_eq!(file_stem(name), stem, "{name}");
        }
        let long = file_stem(&"ö".repeat(200));
        assert!(long.len() <= LONGEST_STEM && long.chars().all(|c| c == 'ö'));
    }

    #[test]
    fn different_names_never_share_a_stem() {
        let names = ["a b", "a/b", "a-b", "A-B", "a-b-2", "", "unnamed", "a-b"];
        let stems = file_stems(&names);
        let distinct: HashSet<String> = stems.iter().map(|s| s.to_lowercase()).collect();
        assert_eq!(distinct.len(), names.len(), "{stems:?}");
        assert_eq!(stems[2], "a-b", "a name that is its own stem keeps it");
        assert_eq!(stems[4], "a-b-2");
        assert_eq!(stems[6], "unnamed");
    }

    #[test]
    fn hidden_characters_are_shown() {
        assert_eq!(printable("\u{1b}[31m\u{feff}µ\u{2067}"), r"\u{1b}[31m\u{feff}µ\u{2067}");
        assert_eq!(clipped("specimen", 5), "spec…");
        assert_eq!(clipped("ring", 4), "ring");
    }
}
