"""Fails if a crate that is linked or built with has no licence among those allowed.

Reads `cargo metadata --format-version 1` from standard input.
"""

import json
import re
import sys

ALLOWED = {
    "0BSD", "Apache-2.0", "Apache-2.0 WITH LLVM-exception", "BSD-2-Clause", "BSD-3-Clause", "BSL-1.0", "CC0-1.0", "ISC",
    "MIT", "MIT-0", "Unicode-3.0", "Unlicense", "Zlib",
}


def allowed(expression):
    """Whether one of the alternatives has only allowed parts; older manifests write / for OR."""
    text = expression.replace("/", " OR ")
    while (inner := re.search(r"\(([^()]*)\)", text)) is not None:
        verdict = "MIT" if allowed(inner[1]) else "refused"
        text = text[: inner.start()] + verdict + text[inner.end() :]
    alternatives = re.split(r"\s+OR\s+", text.strip())
    return any(all(part.strip() in ALLOWED for part in re.split(r"\s+AND\s+", one)) for one in alternatives)


def main():
    packages = json.load(sys.stdin)["packages"]
    refused = [f"{p['name']} {p['version']}: {p['license']}" for p in packages if not allowed(p["license"] or "none")]
    if refused:
        sys.exit("licences that are not allowed:\n" + "\n".join(refused))
    print(f"{len(packages)} packages, all under allowed licences")


if __name__ == "__main__":
    main()
