"""The networks of the learned maps on ONNX Runtime: the surroundings of the whole picture, then the tiles that
src/segment/learned/tiles.rs lays.

Usage: onnxruntime_peer.py PICTURE.npy NETWORK.onnx SURROUNDINGS.onnx MAPS.npy

NETWORK.onnx sees a tile, SURROUNDINGS.onnx the whole picture from afar. MAPS.npy holds our boundary map and, below it,
our pore map. Prints one JSON object: the seconds from grey levels to both maps, the peak memory, and how far the maps are
from ours.
"""

import json
import resource
import sys
import time

import numpy as np
import onnxruntime

LARGEST_KEPT_PX = 1024
REACH_PX = 96
STEP_PX = 16
BLOCK_PX = 8
CELL_PX = 16
SURROUNDINGS_STEP_PX = 64
# As src/segment/learned/surroundings.rs takes it, in standard deviations of the picture.
LEAST_DEVIATION = 1e-3


def spans(length):
    """First kept, first not kept, first seen and first not seen, for each part of a side."""
    whole = -(-length // STEP_PX) * STEP_PX
    parts = -(-whole // LARGEST_KEPT_PX)
    size = -(-(-(-whole // parts)) // STEP_PX) * STEP_PX
    for first in range(0, whole, size):
        end = min(first + size, whole)
        yield first, min(end, length), first - min(REACH_PX, first), end + min(REACH_PX, whole - end)


def mirrored(places, length):
    folded = places % (2 * length)
    return np.minimum(folded, 2 * length - 1 - folded)


def seen(span, length):
    return mirrored(np.arange(span[2], span[3]), length)


def cells(span):
    """Columns or rows of the surroundings under what is seen of a part."""
    return slice(span[2] // CELL_PX, span[3] // CELL_PX)


def blocks_of(picture, mean, spread):
    """Standardised means and standard deviations (2, rows / 8, columns / 8) of blocks of the mirrored picture."""
    height, width = (-(-side // SURROUNDINGS_STEP_PX) * SURROUNDINGS_STEP_PX for side in picture.shape)
    down, across = mirrored(np.arange(height), picture.shape[0]), mirrored(np.arange(width), picture.shape[1])
    blocks = np.empty((2, height // BLOCK_PX, width // BLOCK_PX), np.float32)
    # One row of blocks at a time: the squares of a whole picture would take eight bytes a pixel.
    for row, places in enumerate(down.reshape(-1, BLOCK_PX)):
        greys = picture[np.ix_(places, across)].reshape(BLOCK_PX, -1, BLOCK_PX).astype(np.int64)
        total, squares = greys.sum((0, 2)), (greys**2).sum((0, 2))
        blocks[0, row] = (total / BLOCK_PX**2 - mean) / spread
        deviation = np.sqrt(BLOCK_PX**2 * squares - total**2) / BLOCK_PX**2
        blocks[1, row] = np.maximum(deviation / spread, LEAST_DEVIATION)
    return blocks


def maps_of(network, far_network, picture):
    """Levels of boundary logits and of pore probabilities."""
    height, width = picture.shape
    mean, spread = picture.mean(dtype=np.float64), picture.std(dtype=np.float64)
    blocks = blocks_of(picture, mean, spread)
    surroundings = far_network.run(["surroundings"], {"blocks": blocks[None]})[0]
    maps = np.empty((2, height, width), np.uint8)
    for rows in spans(height):
        for columns in spans(width):
            tile = picture[np.ix_(seen(rows, height), seen(columns, width))].astype(np.float32)
            tile = (tile - np.float32(mean)) * np.float32(1 / spread)
            under = np.ascontiguousarray(surroundings[:, :, cells(rows), cells(columns)])
            logits = network.run(["maps"], {"picture": tile[None, None], "surroundings": under})[0][0]
            _, high, wide = logits.shape
            logits = logits.reshape(2, 2, 2, high, wide).transpose(0, 3, 1, 4, 2).reshape(2, 2 * high, 2 * wide)
            top, left = rows[0] - rows[2], columns[0] - columns[2]
            kept = logits[:, top : top + rows[1] - rows[0], left : left + columns[1] - columns[0]]
            # As src/segment/learned/levels.rs keeps them: logits of boundaries from -6 to 6, probabilities of pores.
            boundary = ((np.clip(kept[0], -6, 6) + 6) * (255 / 12) + 0.5).astype(np.uint8)
            pore = (255 / (1 + np.exp(-kept[1])) + 0.5).astype(np.uint8)
            maps[:, rows[0] : rows[1], columns[0] : columns[1]] = boundary, pore
    return maps


def main():
    picture, own = np.load(sys.argv[1]), np.load(sys.argv[4])
    network, far_network = (
        onnxruntime.InferenceSession(path, providers=["CPUExecutionProvider"]) for path in sys.argv[2:4])
    start = time.perf_counter()
    maps = maps_of(network, far_network, picture)
    seconds = time.perf_counter() - start
    peak = 1024 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    difference = np.abs(maps.reshape(own.shape).astype(np.int16) - own)
    print(json.dumps({
        "seconds": seconds,
        "peak_bytes": peak,
        "largest_difference": float(difference.max()),
        "share_beyond_one": float((difference > 1).mean()),
    }))


if __name__ == "__main__":
    main()
