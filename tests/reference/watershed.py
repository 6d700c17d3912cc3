"""Reference values for tests/reference_watershed.rs, made with scikit-image 0.26.0, SciPy 1.16.3 and NumPy.

    python tests/reference/watershed.py            writes watershed.json beside this script
    python tests/reference/watershed.py --check    fails if watershed.json differs from what this script makes

Seeds are fixed, so the same versions write the same bytes.

scikit-image leaves open which of two marker pixels of one level floods first (it depends on its heap), so every marker
pixel has a level of its own here. Everything after that is decided by level and age, and must agree exactly.
"""

import json

import numpy as np
from scipy import ndimage
from skimage.segmentation import watershed

from committed import write_or_check


def relief_of(random, height, width, kind):
    if kind == "noise":
        return random.integers(0, 256, (height, width))
    if kind == "plateaus":
        return 40 * random.integers(0, 5, (height, width)) + 60
    smooth = ndimage.gaussian_filter(random.normal(size=(height, width)), 2)
    smooth = (smooth - smooth.min()) / (smooth.max() - smooth.min())
    return np.round(40 + 200 * smooth).astype(int)


def case(seed, height, width, kind, connectivity, masked):
    random = np.random.default_rng(seed)
    relief = relief_of(random, height, width, kind)
    count = max(2, height * width // 60)
    places = random.choice(height * width, size=min(count, 200), replace=False)
    markers = np.zeros((height, width), int)
    levels = random.permutation(256)[: len(places)]
    # Two pixels carry each label, so that a basin may have several bottoms.
    for number, (place, level) in enumerate(zip(places, levels)):
        markers.flat[place] = number // 2 + 1
        relief.flat[place] = level
    mask = random.random((height, width)) > 0.15 if masked else np.ones((height, width), bool)
    labels = watershed(relief, markers, connectivity=connectivity, mask=mask)
    return {
        "seed": seed,
        "kind": kind,
        "connectivity": 4 * connectivity,
        "width": width,
        "height": height,
        "relief": relief.ravel().tolist(),
        "markers": markers.ravel().tolist(),
        "mask": mask.astype(int).ravel().tolist(),
        "labels": labels.ravel().tolist(),
    }


def distance_case(seed, height, width, share):
    mask = np.random.default_rng(seed).random((height, width)) < share
    mask.flat[seed % mask.size] = False
    squared = np.rint(ndimage.distance_transform_edt(mask) ** 2).astype(int)
    return {
        "seed": seed,
        "width": width,
        "height": height,
        "mask": mask.astype(int).ravel().tolist(),
        "squared_distance": squared.ravel().tolist(),
    }


watersheds = [
    case(seed, height, width, kind, connectivity, masked)
    for seed, (kind, height, width, masked) in enumerate(
        [
            ("noise", 24, 31, False),
            ("noise", 24, 31, True),
            ("plateaus", 28, 25, False),
            ("plateaus", 28, 25, True),
            ("smooth", 33, 30, False),
            ("smooth", 33, 30, True),
        ]
    )
    for connectivity in (1, 2)
]
distances = [
    distance_case(seed, height, width, share)
    for seed, (height, width, share) in enumerate(
        [(1, 40, 0.8), (40, 1, 0.8), (30, 37, 0.5), (30, 37, 0.97), (45, 29, 0.999)], start=100
    )
]
write_or_check(__file__, json.dumps({"watersheds": watersheds, "distances": distances}, separators=(",", ":")) + "\n")
