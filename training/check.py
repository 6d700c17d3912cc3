"""The recipe in small: trains for a minute on a CPU, and compares the written network with the one that was trained.

    python training/check.py --binary target/release/ceramograph
"""

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

import jax
import jax.numpy as jnp
import numpy as np
import onnxruntime

from export import onnx_model
from network import MAPS, forward, initial

# Sixteen-bit weights carry 11 bits; logits of some tens of added layers then agree to about a hundredth of their spread.
MOST_DIFFERENCE = 0.02


def written_network_agrees():
    """The ONNX file gives the logits of the network in training/network.py."""
    parameters, running = initial(jax.random.key(7))
    # Statistics and shifts that differ from 0 and 1, so that a slip in folding shows.
    parameters = jax.tree.map(lambda p: p + 0.05 * jnp.cos(jnp.arange(p.size, dtype=jnp.float32)).reshape(p.shape), parameters)
    running = {name: {"mean": 0.1 * jnp.sin(jnp.arange(s["mean"].size)), "variance": 1.2 * s["variance"]} for name, s in running.items()}
    picture = np.random.default_rng(3).normal(size=(1, 64, 96)).astype(np.float32)
    expected, _ = forward(parameters, running, jnp.asarray(picture), training=False)
    session = onnxruntime.InferenceSession(onnx_model(parameters, running, "check").SerializeToString())
    (maps,) = session.run(None, {"picture": picture[None]})
    rows, columns = maps.shape[2:]
    found = maps[0].reshape(len(MAPS), 2, 2, rows, columns).transpose(3, 1, 4, 2, 0).reshape(2 * rows, 2 * columns, len(MAPS))
    expected = np.asarray(expected)[0]
    difference = np.abs(found - expected).max() / expected.std()
    print(f"written network: logits differ by at most {difference:.4f} of their spread")
    if not difference < MOST_DIFFERENCE:
        raise SystemExit(f"the written network is not the trained one: {difference:.3f}")


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--binary", type=Path, required=True, help="the ceramograph program")
    options = parser.parse_args()
    written_network_agrees()
    with tempfile.TemporaryDirectory() as out:
        subprocess.run(
            [sys.executable, Path(__file__).with_name("train.py"), "--binary", options.binary, "--out", out, "--pictures", "12",
             "--side", "192", "--crop", "128", "--batch", "4", "--steps", "60", "--processes", "2", "--check-falls"],
            check=True)


if __name__ == "__main__":
    main()
