"""The job of the speed bench, scripted on scikit-image: picture to pores, grains and intercepts.

Usage: scikit_image_peer.py PICTURE.npy

Prints one JSON object: seconds by stage, and what was found, so that a reader can see that the same job was done.
Each stage takes the fastest route that we know within the library: bilinear resizing of a reduced background,
`regionprops_table`, a quantised boundary map, no Python loop over pixels or regions.
Stages that take less than half a second are repeated and their best time counts.
"""

import json
import sys

import numpy as np
import scipy
import skimage
from scipy import ndimage
from skimage import filters, measure, morphology, segmentation, transform

from clock import Clock

REDUCTION = 32
SMALLEST_PORE_PX = 12
WIDTHS_PX = (1.5, 2.5)
SHALLOWEST = 25
LINE_SPACING_PX = 4

PORE_PROPERTIES = (
    "label", "area", "centroid", "bbox", "perimeter_crofton", "feret_diameter_max", "solidity", "orientation",
)
GRAIN_PROPERTIES = (
    "label", "area", "equivalent_diameter_area", "feret_diameter_max", "solidity", "perimeter_crofton",
)


def flatten(grey):
    """Divides by a smooth background, which a median over blocks keeps free of pores."""
    height, width = grey.shape
    rows, columns = height // REDUCTION, width // REDUCTION
    blocks = grey[: rows * REDUCTION, : columns * REDUCTION].reshape(rows, REDUCTION, columns, REDUCTION)
    medians = np.median(blocks.swapaxes(1, 2).reshape(rows, columns, -1), axis=2)
    smooth = filters.gaussian(medians, sigma=2, mode="nearest").astype(np.float32)
    background = transform.resize(smooth, grey.shape, order=1, mode="edge", anti_aliasing=False)
    flat = grey * (np.float32(smooth.mean()) / background)
    return np.clip(np.rint(flat), 0, 255).astype(np.uint8)


def threshold(flat):
    """Pores: at or below the middle between the commonest grey and that of the darkest hundredth."""
    counts = np.bincount(flat.ravel(), minlength=256)
    darkest = np.searchsorted(np.cumsum(counts), 0.01 * flat.size)
    level = (int(counts.argmax()) + int(darkest)) // 2
    return flat <= level


def label_pores(pores):
    """Labels of the pores that are large enough to be counted, and their areas."""
    labels = measure.label(pores, connectivity=2)
    areas = np.bincount(labels.ravel())
    keep = areas >= SMALLEST_PORE_PX
    keep[0] = False
    renumbered = np.where(keep, np.cumsum(keep), 0).astype(np.int32)
    return renumbered[labels], areas[keep]


def boundary_map(flat, pores):
    """Ridge strength of dark grooves over two widths as 8 bit; pores are filled so that their rims do not show."""
    filled = flat.astype(np.float32)
    filled[ndimage.binary_dilation(pores, np.ones((3, 3)), iterations=2)] = np.median(flat)
    strength = filters.sato(filled, sigmas=WIDTHS_PX, black_ridges=True)
    strength *= 255 / np.percentile(strength[::4, ::4], 99)
    return np.clip(strength, 0, 255, out=strength).astype(np.uint8)


def markers_of(boundaries):
    """Labels of the minima that remain once those shallower than a limit are filled."""
    raised = np.minimum(boundaries, 255 - SHALLOWEST) + np.uint8(SHALLOWEST)
    filled = morphology.reconstruction(raised, boundaries, method="erosion")
    return measure.label(morphology.local_minima(filled))


def intercepts(grains):
    """Line length outside pores and boundary passages along every fourth row and column."""
    length = passages = 0
    for lines in (grains[::LINE_SPACING_PX], grains[:, ::LINE_SPACING_PX].T):
        inside = lines > 0
        labels = lines[inside]
        line = np.repeat(np.arange(lines.shape[0]), inside.sum(axis=1))
        length += labels.size
        passages += int(np.count_nonzero((labels[1:] != labels[:-1]) & (line[1:] == line[:-1])))
    return length, passages


def main():
    clock = Clock()
    grey = clock.run("read", np.load, sys.argv[1])
    grey = clock.run("denoise", lambda: ndimage.median_filter(grey, size=3))
    flat = clock.run("flatten", flatten, grey)
    pores = clock.run("threshold", threshold, flat)
    pore_labels, pore_areas = clock.run("label pores", label_pores, pores)
    clock.run("pore properties", lambda: measure.regionprops_table(pore_labels, properties=PORE_PROPERTIES))
    pores = pore_labels > 0
    boundaries = clock.run("boundary map", boundary_map, flat, pores)
    markers = clock.run("markers", markers_of, boundaries)
    grains = clock.run("watershed", lambda: segmentation.watershed(boundaries, markers, mask=~pores))
    table = clock.run("grain properties", lambda: measure.regionprops_table(grains, properties=GRAIN_PROPERTIES))
    length, passages = clock.run("intercepts", intercepts, grains)
    print(json.dumps({
        "peer": f"scikit-image {skimage.__version__}, SciPy {scipy.__version__}, NumPy {np.__version__}",
        "seconds": clock.seconds,
        "total_seconds": sum(clock.seconds.values()),
        "pore_count": len(pore_areas),
        "porosity_percent": 100 * float(pore_areas.sum()) / grey.size,
        "grain_count": len(table["label"]),
        "mean_intercept_px": length / max(passages, 1),
    }))


if __name__ == "__main__":
    main()
