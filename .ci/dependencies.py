"""Fails unless the table of dependencies in DEVELOPERS.md names exactly the crates that Cargo.toml does, each with a reason.

Reads `cargo metadata --no-deps --format-version 1` from standard input.
"""

import json
import re
import sys
from pathlib import Path

HEAD = "| crate | why |"


def table(text):
    """Crates of the table with their reasons."""
    rows = text.split(HEAD, 1)[1].split("\n\n", 1)[0].splitlines()[2:]
    reasons = {}
    for row in rows:
        crates, why = (cell.strip() for cell in row.strip("|").split("|"))
        for crate in re.split(r",\s*", crates):
            if crate in reasons or not why:
                sys.exit(f"DEVELOPERS.md: {crate} stands twice in the table of dependencies, or without a reason")
            reasons[crate] = why
    return reasons


def main():
    package = json.load(sys.stdin)["packages"][0]
    used = {dependency["name"] for dependency in package["dependencies"]}
    named = set(table(Path("DEVELOPERS.md").read_text(encoding="utf-8")))
    wrong = [f"{crate} is used and has no reason" for crate in sorted(used - named)]
    wrong += [f"{crate} has a reason and is not used" for crate in sorted(named - used)]
    if wrong:
        sys.exit("the table of dependencies in DEVELOPERS.md: " + "; ".join(wrong))
    print(f"{len(used)} direct dependencies, each with its reason")


if __name__ == "__main__":
    main()
