"""Reference values for labels, region measures and thresholds, from scikit-image and SciPy.

Run with the versions of requirements.txt beside this file:

    python tests/reference/regions.py            writes regions.json beside this file
    python tests/reference/regions.py --check    fails if regions.json differs from what this script makes

Masks and pictures come from a 64-bit linear congruential generator with integer arithmetic only, which the Rust test
repeats, so that only results are stored.
"""

import json

import numpy as np
from scipy import ndimage
from scipy.spatial import ConvexHull
from scipy.spatial.distance import pdist
from skimage import filters, measure

from committed import write_or_check

MASK64 = (1 << 64) - 1


def generator(seed):
    """Knuth's MMIX generator; yields the upper 32 bits."""
    state = seed
    while True:
        state = (state * 6364136223846793005 + 1442695040888963407) & MASK64
        yield state >> 32


def discs(seed, width, height, count, largest):
    """Mask of discs with centres and radii from the generator: x, y, radius in turn."""
    numbers = generator(seed)
    ys, xs = np.mgrid[0:height, 0:width]
    mask = np.zeros((height, width), bool)
    for _ in range(count):
        x, y, radius = next(numbers) % width, next(numbers) % height, next(numbers) % largest + 1
        mask |= (xs - x) ** 2 + (ys - y) ** 2 <= radius**2
    return mask


def noise(seed, width, height, percent):
    """Mask of single pixels, row by row."""
    numbers = generator(seed)
    values = [next(numbers) % 100 < percent for _ in range(width * height)]
    return np.array(values).reshape(height, width)


def grey(seed, count, dark_percent):
    """8-bit greys: sums of four numbers, a dark share below a bright one."""
    numbers = generator(seed)
    greys = []
    for _ in range(count):
        dark = next(numbers) % 100 < dark_percent
        spread = 12 if dark else 22
        total = sum(next(numbers) % spread for _ in range(4))
        greys.append(total + (30 if dark else 105))
    return np.array(greys, np.uint8)


MASKS = [
    ("few discs", discs(1, 120, 90, 14, 14)),
    ("overlapping discs", discs(2, 150, 110, 60, 12)),
    ("small discs at the rim", discs(3, 64, 48, 40, 4)),
    ("sparse noise", noise(4, 70, 50, 20)),
    ("dense noise", noise(5, 60, 60, 45)),
]
GREYS = [("tenth dark", grey(11, 20000, 10)), ("third dark", grey(12, 20000, 33)), ("twentieth dark", grey(13, 20000, 5))]


def feret(coords):
    """Smallest and largest distance of parallel tangents to the midpoints of pixel edges, on Qhull's hull."""
    midpoints = np.vstack([coords + step for step in ([0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5])])
    hull = midpoints[ConvexHull(midpoints).vertices]
    edges = np.roll(hull, -1, axis=0) - hull
    normals = np.stack([-edges[:, 1], edges[:, 0]], 1) / np.linalg.norm(edges, axis=1)[:, None]
    widths = np.ptp(hull @ normals.T, axis=0)
    return float(widths.min()), float(pdist(hull).max())


def regions(mask, connectivity):
    structure = ndimage.generate_binary_structure(2, connectivity)
    labels, count = ndimage.label(mask, structure)
    again = measure.label(mask, connectivity=connectivity)
    assert (labels == again).all(), "SciPy and scikit-image number regions alike"
    rows = []
    for region in measure.regionprops(labels):
        top, left, bottom, right = region.bbox
        rows.append(
            {
                "area_px": int(region.area),
                "centroid_x_px": float(region.centroid[1]),
                "centroid_y_px": float(region.centroid[0]),
                "bounding_box": [int(left), int(top), int(right - left), int(bottom - top)],
                "perimeter": float(measure.perimeter_crofton(region.image, 4)),
                "feret_min": feret(region.coords)[0],
                "feret_max": feret(region.coords)[1],
                "feret_max_of_hull_picture": float(region.feret_diameter_max),
                "solidity": float(region.solidity),
                "orientation_rad": float(region.orientation),
                "round": bool(abs(region.axis_major_length - region.axis_minor_length) < 1e-9),
            }
        )
    # A checksum that depends on the label of every pixel.
    places = np.arange(1, labels.size + 1, dtype=np.uint64)
    checksum = int((labels.ravel().astype(np.uint64) * (places % np.uint64(65521))).sum())
    return {"count": int(count), "checksum": checksum, "regions": rows}


def thresholds(values):
    picture = values.reshape(100, -1)
    return {
        "otsu": float(filters.threshold_otsu(picture)),
        "li": float(filters.threshold_li(picture, tolerance=1e-9)),
        "triangle": float(filters.threshold_triangle(picture)),
        "multi_otsu": [int(level) for level in filters.threshold_multiotsu(picture, 3)],
    }


def result():
    return {
        "made_by": "tests/reference/regions.py with scikit-image 0.26.0 and SciPy 1.16.3",
        "masks": [
            {"name": name, "four": regions(mask, 1), "eight": regions(mask, 2)} for name, mask in MASKS
        ],
        "greys": [{"name": name, **thresholds(values)} for name, values in GREYS],
    }


if __name__ == "__main__":
    text = json.dumps(result(), indent=None, separators=(",", ":")).replace('{"area_px"', '\n{"area_px"') + "\n"
    write_or_check(__file__, text, tolerance=1e-9, floor=1.0)
