"""Pictures to learn from: phantoms that the program draws, and real packed bodies with traced outlines."""

import json
import subprocess
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from PIL import Image

# Of the traced pictures, sorted by name, every third is learned from (the first, fourth, ...); the others are kept for
# scoring. Bodies in them are large, so each is taken at several sizes.
BODIES_EVERY = 3
BODIES_SIZES = (0.25, 0.35, 0.5, 0.7, 1.0)
# Pixels are drawn once; then some of the pictures are brought to another scale, because that happens to pictures before or
# when they are measured, and changes their noise: those of grains up to this mean intercept are enlarged or reduced, larger
# ones only reduced.
LARGE_PX = 80
TWICE_SHARE = 0.35
OTHER_SHARE = 0.2


def phantoms(binary, folder, seeds, side_px, processes=1):
    """(grey, boundary, pore) as uint8 arrays (picture, rows, columns) of the pictures of these seeds, and their looks."""
    folder.mkdir(parents=True, exist_ok=True)
    # Drawn larger than needed, so that those reduced afterwards still fill the square.
    drawn_px = side_px * 3 // 2 // 16 * 16
    shards = [seeds[k::processes * 4] for k in range(processes * 4)]
    with ProcessPoolExecutor(processes) as pool:
        jobs = [pool.submit(drawn_shard, binary, folder, shard, drawn_px, side_px) for shard in shards if len(shard)]
        drawn = [picture for job in jobs for picture in job.result()]
    return tuple(np.stack([maps[k] for maps, _ in drawn]) for k in range(3)), [look for _, look in drawn]


def drawn_shard(binary, folder, seeds, drawn_px, side_px):
    """The pictures of one process, each with its look."""
    found = []
    for seed in seeds:
        name = folder / f"p-{seed}"
        drawn = subprocess.run(
            [binary, "phantom", "--vary", "--seed", str(seed), "--size", f"{drawn_px}x{drawn_px}", "--strip", "none",
             "--name", "p", "--replace", "--out", folder],
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )
        if "could not be reached" in drawn.stderr:
            # A few mixtures of settings cannot give the porosity that they ask for; train.py says how many.
            continue
        drawn.check_returncode()
        truth = json.loads(Path(f"{name}.truth.json").read_text())
        grey = Image.open(f"{name}.png").convert("L")
        labels = np.array(Image.open(f"{name}.labels.png")).astype(np.int32)
        random = np.random.default_rng(seed)
        maps = square(grey, labels, truth["grains_visible"], scale_for(truth["mean_intercept_px"], random), side_px, random)
        found.append((maps, truth["spec"]["look"]["kind"]))
        for ending in (".png", ".labels.png", ".truth.json"):
            Path(f"{name}{ending}").unlink()
    return found


def scale_for(mean_px, random):
    kind = random.random()
    if mean_px is not None and mean_px > LARGE_PX:
        return float(random.uniform(0.67, 1.0)) if kind < TWICE_SHARE + OTHER_SHARE else 1.0
    if kind < TWICE_SHARE:
        return 2.0
    return float(np.exp(random.uniform(np.log(0.67), np.log(2.0)))) if kind < TWICE_SHARE + OTHER_SHARE else 1.0


def square(grey, labels, visible, scale, side_px, random):
    """A square of the picture brought to `scale`, with its boundary and pore maps."""
    width, height = round(grey.width * scale), round(grey.height * scale)
    if scale != 1.0:
        grey = grey.resize((width, height), Image.BOX if scale < 1 else Image.BICUBIC)
        rows = np.minimum((np.arange(height) + 0.5) / scale, labels.shape[0] - 1).astype(int)
        columns = np.minimum((np.arange(width) + 0.5) / scale, labels.shape[1] - 1).astype(int)
        labels = labels[rows][:, columns]
    top, left = random.integers(0, height - side_px + 1), random.integers(0, width - side_px + 1)
    part = np.s_[top:top + side_px, left:left + side_px]
    labels = labels[part]
    return np.array(grey)[part], boundary_map(labels) * np.uint8(visible), (labels == 0).astype(np.uint8)


def boundary_map(labels):
    """1 on both pixels of every pair of edge-sharing pixels in two different grains."""
    found = np.zeros(labels.shape, np.uint8)
    for axis in (0, 1):
        first, second = (labels[:-1], labels[1:]) if axis == 0 else (labels[:, :-1], labels[:, 1:])
        differs = (first != second) & (first > 0) & (second > 0)
        if axis == 0:
            found[:-1] |= differs
            found[1:] |= differs
        else:
            found[:, :-1] |= differs
            found[:, 1:] |= differs
    return found


def bodies(folder, side_px, seed):
    """The part of the traced pictures that is learned from, as (grey, boundary, pore), and its file names."""
    names = sorted(path.name for path in (folder / "images").iterdir())[::BODIES_EVERY]
    random = np.random.default_rng(seed)
    found = []
    for name in names:
        grey = Image.open(folder / "images" / name).convert("L")
        labels = np.array(Image.open(folder / "labels" / name)).astype(np.int32)
        for scale in BODIES_SIZES:
            found.append(mirrored(square_of(grey, labels, scale), side_px, random))
    return tuple(np.stack(maps) for maps in zip(*found)), names


def square_of(grey, labels, scale):
    width, height = round(grey.width * scale), round(grey.height * scale)
    rows = ((np.arange(height) + 0.5) / scale).astype(int).clip(0, labels.shape[0] - 1)
    columns = ((np.arange(width) + 0.5) / scale).astype(int).clip(0, labels.shape[1] - 1)
    small = labels[rows][:, columns]
    return np.array(grey.resize((width, height), Image.BOX)), boundary_map(small), (small == 0).astype(np.uint8)


def mirrored(maps, side_px, random):
    """A square of `side_px`; smaller pictures are continued by their mirror image."""
    height, width = maps[0].shape
    top, left = random.integers(0, max(1, height - side_px + 1)), random.integers(0, max(1, width - side_px + 1))
    missing = (max(0, side_px - height), max(0, side_px - width))
    grown = [np.pad(m, ((0, missing[0]), (0, missing[1])), mode="symmetric") for m in maps]
    return tuple(m[top:top + side_px, left:left + side_px] for m in grown)
