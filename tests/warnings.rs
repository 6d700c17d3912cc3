//! Every warning that the program can give is listed in docs/result.md, and nothing else is.

use std::collections::BTreeSet;
use std::path::Path;

#[test]
fn the_page_lists_the_warnings_that_exist() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let page = std::fs::read_to_string(root.join("docs/result.md")).unwrap();
    let section = page.split("## Warnings").nth(1).unwrap().split("## Keys").next().unwrap();
    let listed: BTreeSet<String> = section
        .lines()
        .filter_map(|line| line.strip_prefix("| `"))
        .flat_map(|line| line.split(" |").next().unwrap().split(", ").map(|c| c.trim_matches('`').to_owned()))
        .collect();
    assert_eq!(given(&root.join("src")), listed);
}

/// The first text after each `Warning::new(` outside tests.
fn given(folder: &Path) -> BTreeSet<String> {
    let mut codes = BTreeSet::new();
    for entry in walkdir::WalkDir::new(folder) {
        let path = entry.unwrap().into_path();
        if path.extension().is_none_or(|ending| ending != "rs") || path.ends_with("tests.rs") {
            continue;
        }
        let text = std::fs::read_to_string(path).unwrap();
        let code = text.split("#[cfg(test)]").next().unwrap();
        codes.extend(code.split("Warning::new(").skip(1).filter_map(|rest| {
            let rest = rest.trim_start().strip_prefix('"')?;
            Some(rest.split('"').next()?.to_owned())
        }));
    }
    codes
}
