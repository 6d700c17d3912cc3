"""The network of the learned maps on ONNX Runtime, over the tiles that src/segment/learned/tiles.rs lays.

Usage: onnxruntime_peer.py PICTURE.npy NETWORK.onnx MAPS.npy

MAPS.npy holds our boundary map and, below it, our pore map. Prints one JSON object: the seconds from grey levels to
both maps, the peak memory, and how far the maps are from ours.
"""

import json
import resource
import sys
import time

import numpy as np
import onnxruntime

LARGEST_KEPT_PX = 1280
REACH_PX = 96
RIM_PX = 0
STEP_PX = 16


def spans(length):
    """First kept, first not kept, and how many are seen before and after, for each part of a side."""
    whole = -(-length // STEP_PX) * STEP_PX
    parts = -(-whole // LARGEST_KEPT_PX)
    size = -(-(-(-whole // parts)) // STEP_PX) * STEP_PX
    for first in range(0, whole, size):
        end = min(first + size, whole)
        yield first, min(end, length), min(REACH_PX, first + RIM_PX), end - length, min(REACH_PX, whole - end + RIM_PX)


def mirrored(places, length):
    folded = places % (2 * length)
    return np.minimum(folded, 2 * length - 1 - folded)


def seen(span, length):
    first, _, before, beyond, after = span
    return mirrored(np.arange(first - before, length + beyond + after), length)


def maps_of(network, picture):
    """Levels of boundary logits and of pore probabilities."""
    height, width = picture.shape
    mean, spread = picture.mean(dtype=np.float64), picture.std(dtype=np.float64)
    maps = np.empty((2, height, width), np.uint8)
    for rows in spans(height):
        for columns in spans(width):
            tile = picture[np.ix_(seen(rows, height), seen(columns, width))].astype(np.float32)
            tile = (tile - np.float32(mean)) * np.float32(1 / spread)
            logits = network.run(["maps"], {"picture": tile[None, None]})[0][0]
            _, high, wide = logits.shape
            logits = logits.reshape(2, 2, 2, high, wide).transpose(0, 3, 1, 4, 2).reshape(2, 2 * high, 2 * wide)
            top, left = rows[2], columns[2]
            kept = logits[:, top : top + rows[1] - rows[0], left : left + columns[1] - columns[0]]
            # As src/segment/learned/levels.rs keeps them: logits of boundaries from -6 to 6, probabilities of pores.
            boundary = ((np.clip(kept[0], -6, 6) + 6) * (255 / 12) + 0.5).astype(np.uint8)
            pore = (255 / (1 + np.exp(-kept[1])) + 0.5).astype(np.uint8)
            maps[:, rows[0] : rows[1], columns[0] : columns[1]] = boundary, pore
    return maps


def main():
    picture, own = np.load(sys.argv[1]), np.load(sys.argv[3])
    network = onnxruntime.InferenceSession(sys.argv[2], providers=["CPUExecutionProvider"])
    start = time.perf_counter()
    maps = maps_of(network, picture)
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
