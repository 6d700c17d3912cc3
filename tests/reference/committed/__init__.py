"""Writes the values that a script makes, or compares the committed ones with them."""

import json
import pathlib
import sys


def write_or_check(script, text, tolerance=0.0, floor=0.0):
    """Writes `text` to the JSON file beside `script`; with --check, ends the program if that file differs.

    Without a tolerance every byte counts. With one, numbers may differ by that share of themselves, or of `floor` if that is
    larger, for last digits differ between machines.
    """
    target = pathlib.Path(script).with_suffix(".json")
    if "--check" not in sys.argv[1:]:
        target.write_text(text, encoding="utf-8")
        return
    stored = target.read_text(encoding="utf-8")
    equal = stored == text if tolerance == 0.0 else near(json.loads(stored), json.loads(text), tolerance, floor)
    if not equal:
        sys.exit(f"{target.name} differs from what {pathlib.Path(script).name} makes")


def near(a, b, tolerance, floor):
    if isinstance(a, dict) and isinstance(b, dict):
        return a.keys() == b.keys() and all(near(a[key], b[key], tolerance, floor) for key in a)
    if isinstance(a, list) and isinstance(b, list):
        return len(a) == len(b) and all(near(x, y, tolerance, floor) for x, y in zip(a, b))
    if isinstance(a, float) and isinstance(b, float):
        return abs(a - b) <= tolerance * max(floor, abs(a))
    return type(a) is type(b) and a == b
