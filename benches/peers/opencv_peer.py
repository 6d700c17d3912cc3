"""The job of the speed bench, scripted on OpenCV: picture to pores, grains and intercepts.

Usage: opencv_peer.py PICTURE.npy

Prints one JSON object: seconds by stage, and what was found, so that a reader can see that the same job was done.
Pixels are only touched by OpenCV and NumPy; Python loops over regions, each handled by its outline. All outlines come
from one call, which is several times faster than a call for each region's bounding box.
OpenCV has no reconstruction by erosion, so markers come from the distance to strong boundaries, as in its own
watershed tutorial. Its labelling and filters use all cores.
Stages that take less than half a second are repeated and their best time counts.
"""

import json
import sys

import cv2
import numpy as np

from clock import Clock

REDUCTION = 32
SMALLEST_PORE_PX = 12
WIDTHS_PX = (1.5, 2.5)
STRONG_BOUNDARY = 55
CORE_DISTANCE_PX = 4.0
LINE_SPACING_PX = 4


def flatten(grey):
    """Divides by a smooth background, which a median over blocks keeps free of pores."""
    height, width = grey.shape
    rows, columns = height // REDUCTION, width // REDUCTION
    blocks = grey[: rows * REDUCTION, : columns * REDUCTION].reshape(rows, REDUCTION, columns, REDUCTION)
    medians = np.median(blocks.swapaxes(1, 2).reshape(rows, columns, -1), axis=2).astype(np.float32)
    smooth = cv2.GaussianBlur(medians, (0, 0), 2, borderType=cv2.BORDER_REPLICATE)
    background = cv2.resize(smooth, (width, height), interpolation=cv2.INTER_LINEAR)
    return cv2.divide(grey, background, scale=float(smooth.mean()), dtype=cv2.CV_8U)


def threshold(flat):
    """Pores: at or below the middle between the commonest grey and that of the darkest hundredth."""
    counts = cv2.calcHist([flat], [0], None, [256], [0, 256]).ravel()
    darkest = np.searchsorted(np.cumsum(counts), 0.01 * flat.size)
    level = (int(counts.argmax()) + int(darkest)) // 2
    return cv2.threshold(flat, level, 255, cv2.THRESH_BINARY_INV)[1]


def label_pores(pores):
    """Mask of the pores that are large enough to be counted, and their areas, boxes and centroids."""
    _, labels, statistics, centroids = cv2.connectedComponentsWithStats(pores, connectivity=8, ltype=cv2.CV_32S)
    keep = statistics[:, cv2.CC_STAT_AREA] >= SMALLEST_PORE_PX
    keep[0] = False
    kept = np.where(keep, np.uint8(255), np.uint8(0))[labels]
    return kept, statistics[keep], centroids[keep]


def outline_properties(outline):
    """Perimeter, largest and smallest Feret diameter, solidity and orientation from one closed outline."""
    perimeter = cv2.arcLength(outline, True)
    hull = cv2.convexHull(outline)
    corners = hull[:, 0].astype(np.float32)
    offsets = corners[:, None] - corners[None]
    feret_max = float(np.sqrt((offsets * offsets).sum(axis=2).max()))
    feret_min = min(cv2.minAreaRect(hull)[1])
    moments = cv2.moments(outline)
    orientation = 0.5 * np.arctan2(2 * moments["mu11"], moments["mu20"] - moments["mu02"])
    hull_area = cv2.contourArea(hull)
    solidity = moments["m00"] / hull_area if hull_area > 0 else 1.0
    return perimeter, feret_max, feret_min, solidity, orientation


def pore_properties(pores):
    """Outline properties of every pore."""
    outlines, _ = cv2.findContours(pores, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.array([outline_properties(outline) for outline in outlines])


def boundary_map(flat, pores):
    """Ridge strength of dark grooves over two widths as 8 bit; pores are filled so that their rims do not show.

    Working arrays are used again: fresh ones cost as much time as the arithmetic on them.
    """
    rims = cv2.dilate(pores, np.ones((5, 5), np.uint8))
    filled = cv2.copyTo(np.full_like(flat, np.median(flat[::4, ::4])), rims, flat.copy()).astype(np.float32)
    strength = np.zeros_like(filled)
    smooth, xx, yy, xy = (np.empty_like(filled) for _ in range(4))
    for width in WIDTHS_PX:
        cv2.GaussianBlur(filled, (0, 0), width, dst=smooth)
        cv2.Sobel(smooth, cv2.CV_32F, 2, 0, dst=xx, ksize=3)
        cv2.Sobel(smooth, cv2.CV_32F, 0, 2, dst=yy, ksize=3)
        cv2.Sobel(smooth, cv2.CV_32F, 1, 1, dst=xy, ksize=3, scale=2)
        trace = cv2.add(xx, yy, dst=smooth)
        spread = cv2.magnitude(cv2.subtract(xx, yy, dst=xx), xy, yy)
        eigenvalue = cv2.addWeighted(trace, 0.5 * width * width, spread, 0.5 * width * width, 0, dst=xx)
        cv2.max(strength, eigenvalue, dst=strength)
    return cv2.convertScaleAbs(strength, alpha=255 / float(np.percentile(strength[::4, ::4], 99)))


def markers_of(boundaries):
    """Labels of the parts that lie far enough from strong boundaries."""
    weak = cv2.threshold(boundaries, STRONG_BOUNDARY, 255, cv2.THRESH_BINARY_INV)[1]
    distance = cv2.distanceTransform(weak, cv2.DIST_L2, 3)
    core = cv2.compare(distance, CORE_DISTANCE_PX, cv2.CMP_GT)
    return cv2.connectedComponents(core, connectivity=4, ltype=cv2.CV_32S)[1]


def watershed(boundaries, markers, pores):
    """Grains grown from the markers until they meet; lines between grains and pores are 0.

    OpenCV orders its flood by steps between neighbours, not by level, and leaks along a ridge. On a level picture the
    wide markers grow evenly and meet in the middle of the ridge, which is faster and finds the right lines.
    """
    grains = cv2.watershed(np.zeros((*boundaries.shape, 3), np.uint8), markers.copy())
    grains[(grains < 0) | (pores > 0)] = 0
    return grains


def grain_properties(grains):
    """Area and equivalent diameter of every grain by label, and the outline properties of its largest part."""
    areas = np.bincount(grains.ravel())
    diameters = np.sqrt(areas * (4 / np.pi))
    outlines, _ = cv2.findContours(grains, cv2.RETR_FLOODFILL, cv2.CHAIN_APPROX_NONE)
    largest = {}
    for outline in outlines:
        x, y = outline[0, 0]
        label = int(grains[y, x])
        known = largest.get(label)
        if label > 0 and (known is None or len(outline) > len(known)):
            largest[label] = outline
    return areas, diameters, np.array([outline_properties(outline) for outline in largest.values()])


def intercepts(grains, pores):
    """Line length outside pores and boundary passages along every fourth row and column."""
    length = passages = 0
    solid = pores == 0
    for lines, outside in (
        (grains[::LINE_SPACING_PX], solid[::LINE_SPACING_PX]),
        (grains[:, ::LINE_SPACING_PX].T, solid[:, ::LINE_SPACING_PX].T),
    ):
        inside = lines > 0
        labels = lines[inside]
        line = np.repeat(np.arange(lines.shape[0]), inside.sum(axis=1))
        length += int(np.count_nonzero(outside))
        passages += int(np.count_nonzero((labels[1:] != labels[:-1]) & (line[1:] == line[:-1])))
    return length, passages


def main():
    clock = Clock()
    grey = clock.run("read", np.load, sys.argv[1])
    grey = clock.run("denoise", cv2.medianBlur, grey, 3)
    flat = clock.run("flatten", flatten, grey)
    pores = clock.run("threshold", threshold, flat)
    pores, statistics, _ = clock.run("label pores", label_pores, pores)
    clock.run("pore properties", pore_properties, pores)
    boundaries = clock.run("boundary map", boundary_map, flat, pores)
    markers = clock.run("markers", markers_of, boundaries)
    grains = clock.run("watershed", watershed, boundaries, markers, pores)
    _, _, table = clock.run("grain properties", grain_properties, grains)
    length, passages = clock.run("intercepts", intercepts, grains, pores)
    print(json.dumps({
        "peer": f"OpenCV {cv2.__version__} on {cv2.getNumThreads()} threads, NumPy {np.__version__}",
        "seconds": clock.seconds,
        "total_seconds": sum(clock.seconds.values()),
        "pore_count": len(statistics),
        "porosity_percent": 100 * float(statistics[:, cv2.CC_STAT_AREA].sum()) / grey.size,
        "grain_count": len(table),
        "mean_intercept_px": length / max(passages, 1),
    }))


if __name__ == "__main__":
    main()
