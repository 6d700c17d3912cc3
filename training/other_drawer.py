"""Draws sections in another way than `ceramograph phantom` does, with their truth, for the calibration of fields.

    python training/other_drawer.py --seed 0 --count 100 --out OTHERS

The network knows how phantoms are drawn; what its counts are off by there holds for phantoms. A correction is worth making
only where it holds for pictures of another drawer as well. So nothing here is taken over from the program: centres that push
each other apart, cells of a power diagram found as nearest neighbours in four dimensions, pixels that belong to one grain
each, lines with one of three profiles along them, blobs for pores, three kinds of noise. The folder is one that
`cargo bench --bench accuracy` reads.
"""

import argparse
import json
import os
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from PIL import Image
from scipy import ndimage
from scipy.spatial import cKDTree

WIDTH, HEIGHT = 1024, 768
LOOKS = ("etched", "optical", "orientation")
# Mean intercepts, in px.
INTERCEPTS = (18, 45)
# Of two pictures one has boundaries that show as this part of their depth, or more.
FAINTEST = 0.1
# Rows and columns that the true mean intercept is counted on: every fourth.
STEP = 4


def cells(random, intercept):
    """Label of each pixel: a plane section of a power diagram."""
    apart = 1.6 * intercept
    margin, depth = 3 * apart, 2.6 * apart
    count = random.poisson((WIDTH + 2 * margin) * (HEIGHT + 2 * margin) * 2 * depth / apart**3)
    centres = random.uniform((-margin, -margin, -depth), (WIDTH + margin, HEIGHT + margin, depth), (count, 3))
    for _ in range(random.integers(12)):
        distance, nearest = cKDTree(centres).query(centres, k=4)
        away = centres[:, None] - centres[nearest[:, 1:]]
        distance = distance[:, 1:, None]
        centres = centres + (0.3 * away / np.maximum(distance, 1e-9) * np.maximum(0.95 * apart - distance, 0)).sum(1)
    weight = np.minimum(apart / 2 * np.exp(random.normal(0, random.uniform(0, 0.45), count)), 1.3 * apart) ** 2
    # The cell of the least squared distance less weight is that of the nearest centre once what its weight falls short of the
    # largest is a fourth coordinate, squared.
    lifted = np.column_stack([centres, np.sqrt(weight.max() - weight)])
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    pixels = np.zeros((WIDTH * HEIGHT, 4))
    pixels[:, 0], pixels[:, 1] = x.ravel(), y.ravel()
    nearest = cKDTree(lifted).query(pixels)[1]
    return np.unique(nearest, return_inverse=True)[1].reshape(HEIGHT, WIDTH)


def rims(labels):
    """First pixels of another cell than the one before or above, and which of the two."""
    other = labels.copy()
    other[1:] = np.where(labels[1:] != labels[:-1], labels[:-1], other[1:])
    other[:, 1:] = np.where(labels[:, 1:] != labels[:, :-1], labels[:, :-1], other[:, 1:])
    return labels != other, other


def pores(random, rim, intercept):
    """Blobs, two of three on boundaries."""
    mask = np.zeros(rim.shape, bool)
    on_rim = np.argwhere(rim)
    share = random.uniform(0.005, 0.1)
    while mask.mean() < share:
        at_rim = random.random() < 0.67
        y, x = on_rim[random.integers(len(on_rim))] if at_rim else (random.integers(HEIGHT), random.integers(WIDTH))
        long = max(2.2, intercept * random.uniform(0.06, 0.22))
        wide, turn, phases = long * random.uniform(0.55, 1), random.uniform(0, np.pi), random.uniform(0, 2 * np.pi, 2)
        reach = int(1.4 * long) + 2
        part = np.s_[max(y - reach, 0):min(y + reach + 1, HEIGHT), max(x - reach, 0):min(x + reach + 1, WIDTH)]
        dy, dx = np.mgrid[part]
        dy, dx = dy - y, dx - x
        along, across = dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn)
        angle = np.arctan2(across, along)
        bound = 1 + 0.18 * np.sin(2 * angle + phases[0]) + 0.1 * np.sin(3 * angle + phases[1])
        mask[part] |= (along / long) ** 2 + (across / wide) ** 2 < bound**2
    return mask


def line(random, distance, width):
    """One of three profiles of a line, 1 in its middle."""
    profiles = (lambda d: np.exp(-d * d / 2), lambda d: np.exp(-d), lambda d: np.clip(1 - d / 2, 0, 1))
    return profiles[random.integers(3)](distance / width)


def surface(random, look, labels, depth, distance):
    """Grey levels without pores, blur and noise, and the grey of pores."""
    of_grain = np.clip(random.normal(size=labels.max() + 1), -2.2, 2.2)[labels]
    if look == "etched":
        lines = random.uniform(45, 90) * line(random, distance, random.uniform(0.9, 2.4))
        return 150 + random.uniform(0, 10) * of_grain - depth * lines, random.uniform(20, 45)
    if look == "optical":
        lines = random.uniform(70, 150) * line(random, distance, random.uniform(0.6, 1.5))
        return 205 + random.uniform(0, 6) * of_grain - depth * lines, random.uniform(5, 30)
    lines = random.uniform(0, 12) * line(random, distance, 1)
    return 130 + random.uniform(22, 40) * of_grain - depth * lines, random.uniform(5, 25)


def noise(random):
    """Noise of deviation 1: of single pixels, of neighbours alike, or stronger to one side."""
    white = random.normal(size=(HEIGHT, WIDTH))
    kind = random.integers(3)
    if kind == 0:
        return white
    if kind == 1:
        alike = ndimage.gaussian_filter(white, random.uniform(0.4, 0.8))
        return alike / alike.std()
    return white * np.linspace(0.7, 1.3, WIDTH)


def drawn(seed, look):
    """Picture and labels, 0 in pores."""
    random = np.random.default_rng((seed, LOOKS.index(look)))
    intercept = INTERCEPTS[0] * (INTERCEPTS[1] / INTERCEPTS[0]) ** random.random()
    labels = cells(random, intercept)
    rim, other = rims(labels)
    distance, nearest = ndimage.distance_transform_edt(~rim, return_indices=True)
    # Each pair of cells has a depth of its own.
    pair = (np.minimum(labels, other).astype(np.int64) * (labels.max() + 1) + np.maximum(labels, other))[tuple(nearest)]
    _, number = np.unique(pair, return_inverse=True)
    faintest = FAINTEST if random.random() < 0.5 else 1
    depth = random.uniform(faintest, 1, number.max() + 1)[number.reshape(labels.shape)]
    mask = pores(random, rim, intercept)
    grey, pore_grey = surface(random, look, labels, depth, distance)
    grey += random.uniform(0, 2) * ndimage.gaussian_filter(random.normal(size=grey.shape), 3) / 0.094
    grey[mask] = pore_grey
    if look != "optical" and random.random() < 0.5:
        grey += random.uniform(0, 25) * np.exp(-ndimage.distance_transform_edt(~mask) / 2) * ~mask
    grey = ndimage.gaussian_filter(grey, random.uniform(0.5, 1.6))
    slope = random.uniform(-0.1, 0.1, 2)
    grey *= 1 + slope[0] * np.linspace(-1, 1, WIDTH) + slope[1] * np.linspace(-1, 1, HEIGHT)[:, None]
    grey += random.uniform(3, 14) * noise(random)
    return np.clip(grey, 0, 255).round().astype(np.uint8), ((labels + 1) * ~mask).astype(np.uint16)


def mean_intercept(labels):
    """Solid pixels for each change of grain along every fourth row and column, pores taken out."""
    solid = changes = 0
    for lines in (labels[::STEP], labels.T[::STEP]):
        for own in lines:
            own = own[own > 0]
            solid, changes = solid + len(own), changes + np.count_nonzero(own[1:] != own[:-1])
    return solid / changes


def write(task):
    seed, look, out = task
    grey, labels = drawn(seed, look)
    name = f"{look}-{seed}"
    Image.fromarray(grey).save(out / f"{name}.png")
    Image.fromarray(labels).save(out / f"{name}.labels.png")
    stated = {"look": look, "hard": False, "porosity": float((labels == 0).mean()), "mean_intercept_px": mean_intercept(labels)}
    return name, stated


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, required=True, help="of the first pictures; the others follow")
    parser.add_argument("--count", type=int, required=True, help="pictures of each look")
    parser.add_argument("--out", type=Path, required=True, help="a folder that is not there yet")
    arguments = parser.parse_args()
    arguments.out.mkdir(parents=True)
    tasks = [(seed, look, arguments.out) for seed in range(arguments.seed, arguments.seed + arguments.count) for look in LOOKS]
    with Pool(os.cpu_count()) as pool:
        truth = dict(pool.map(write, tasks, chunksize=1))
    (arguments.out / "truth.json").write_text(json.dumps(truth, indent=1) + "\n")


if __name__ == "__main__":
    main()
