"""The recipe in small: some minutes of training on a CPU, the written network against the trained one, the calibration.

    python training/check.py --binary target/release/ceramograph
"""

import argparse
import csv
import itertools
import json
import subprocess
import sys
import tempfile
from pathlib import Path

import jax
import jax.numpy as jnp
import numpy as np
import onnx
import onnxruntime
from PIL import ImageFont

import calibrate
import other_drawer
import reader_network
import shortfall
from export import far_model, near_model
from network import MAPS, SEEN, STEP_PX, blocks, forward, initial

# Sixteen-bit weights carry 11 bits; logits of some tens of added layers then agree to about a hundredth of their spread.
MOST_DIFFERENCE = 0.02
# A training that a CPU gets through: few small pictures, the same ones again and again.
SMALL = ("--pictures", "6", "--side", "128", "--crop", "128", "--batch", "4", "--steps", "300", "--rate", "4e-3", "--seed", "1",
         "--processes", "2")
# Estimates lie within so many of their standard errors of the truth: outside once in a million and a half.
ERRORS = 5
# Made-up boundaries, 40 000 of them: what chance leaves of 401 weights is about the root of 401 / 40 000 times p (1 - p).
MOST_OFF = 0.06


def written_network_agrees():
    """The ONNX files give the logits of the network in training/network.py."""
    parameters, running = initial(jax.random.key(7))
    # Statistics and shifts that differ from 0 and 1, so that a slip in folding shows.
    parameters = jax.tree.map(lambda p: p + 0.05 * jnp.cos(jnp.arange(p.size, dtype=jnp.float32)).reshape(p.shape), parameters)
    running = {name: {"mean": 0.1 * jnp.sin(jnp.arange(s["mean"].size)), "variance": 1.2 * s["variance"]} for name, s in running.items()}
    picture = np.random.default_rng(3).normal(size=(1, 2 * STEP_PX, 3 * STEP_PX)).astype(np.float32)
    expected, _ = forward(parameters, running, jnp.asarray(picture), training=False)
    far, near = (
        onnxruntime.InferenceSession(model(parameters, running, "check").SerializeToString()) for model in (far_model, near_model)
    )
    (surroundings,) = far.run(None, {"blocks": np.asarray(blocks(picture)).transpose(0, 3, 1, 2)})
    maps, _ = near.run(None, {"picture": picture[None], "surroundings": surroundings})
    rows, columns = maps.shape[2:]
    found = maps[0].reshape(len(MAPS), 2, 2, rows, columns).transpose(3, 1, 4, 2, 0).reshape(2 * rows, 2 * columns, len(MAPS))
    expected = np.asarray(expected)[0]
    difference = np.abs(found - expected).max() / expected.std()
    print(f"written network: logits differ by at most {difference:.4f} of their spread")
    if not difference < MOST_DIFFERENCE:
        raise SystemExit(f"the written network is not the trained one: {difference:.3f}")


def written_reader_agrees():
    """The ONNX file gives the logits of the network in training/reader_network.py."""
    parameters, running = reader_network.initial(jax.random.key(5))
    parameters = jax.tree.map(lambda p: p + 0.05 * jnp.cos(jnp.arange(p.size, dtype=jnp.float32)).reshape(p.shape), parameters)
    running = {name: {"mean": 0.1 * jnp.sin(jnp.arange(s["mean"].size)), "variance": 1.2 * s["variance"]} for name, s in running.items()}
    crop = np.random.default_rng(4).normal(size=(1, 32, 96)).astype(np.float32)
    expected = np.asarray(reader_network.forward(parameters, running, jnp.asarray(crop), training=False)[0])[0]
    session = onnxruntime.InferenceSession(reader_network.onnx_model(parameters, running, "check").SerializeToString())
    (signs,) = session.run(None, {"crop": crop[None]})
    difference = np.abs(signs[0, :, 0].T - expected).max() / expected.std()
    print(f"written reader: logits differ by at most {difference:.4f} of their spread")
    if not difference < MOST_DIFFERENCE:
        raise SystemExit(f"the written reader is not the trained one: {difference:.3f}")


def texts_have_the_probability_of_all_their_ways():
    """ctc_loss is the negative logarithm of the sum over every way to write a text."""
    logits = np.random.default_rng(6).normal(size=(1, 5, 4))
    chances = np.exp(logits[0]) / np.exp(logits[0]).sum(1, keepdims=True)
    for text in ([], [2], [1, 3], [2, 2], [3, 1, 3]):
        ways = 0.0
        for path in itertools.product(range(4), repeat=5):
            written = [sign for sign, _ in itertools.groupby(path) if sign]
            ways += np.prod([chances[step, sign] for step, sign in enumerate(path)]) if written == text else 0.0
        padded = jnp.asarray([text + [0] * (3 - len(text))], jnp.int32)
        found = float(reader_network.ctc_loss(jnp.asarray(logits, jnp.float32), padded)[0])
        if not abs(found + np.log(ways)) < 1e-4:
            raise SystemExit(f"the loss of {text} is {found}, not {-np.log(ways)}")
    print("loss of the reader: as counted over every way to write a text")


def reader_learns(folder):
    """A short training of the reader, with the one font that Pillow carries, whose loss must fall."""
    (folder / "fonts").mkdir()
    (folder / "fonts" / "carried.ttf").write_bytes(ImageFont.load_default(20).font_bytes)
    run("reader_train.py", "--fonts", folder / "fonts", "--out", folder / "reader", "--lines", "256", "--kept-back", "16",
        "--steps", "60", "--batch", "32", "--processes", "2")
    record = json.loads((folder / "reader" / "reader.json").read_text())
    print(f"reader: loss {record['loss_first']:.1f} -> {record['loss_last']:.1f}")
    if not record["loss_last"] < 0.6 * record["loss_first"]:
        raise SystemExit("the loss of the reader did not fall: the recipe is broken")


def shortfall_is_learned(folder):
    """shortfall.py finds how made-up fields fall short, and the written network says it as the layers that were learned."""
    random = np.random.default_rng(12)
    (folder / "models").mkdir()
    parameters, running = initial(jax.random.key(7))
    for name, model in [("grains", near_model), ("surroundings", far_model)]:
        onnx.save(model(parameters, running, "check"), folder / "models" / f"{name}.onnx")
    shape = (12, 14)
    found = []
    for _ in range(320):
        kind = random.normal()
        seen = random.normal(size=(SEEN, *shape)) + kind * np.cos(np.arange(SEEN))[:, None, None]
        solid = (random.random(shape) < 0.9).astype(np.float32)
        error = 0.1 * np.tanh(kind)
        found.append({"look": "etched", "ambiguity": 0.05, "error": error, "seen": seen.astype(np.float16), "solid": solid})
    path = folder / "models" / "grains.onnx"
    layers, data, kept_back = shortfall.learn(found, {"spread": [0.02, 0.0]}, path)
    error = np.array([field["error"] for field in found])[kept_back]
    left = np.abs(error - shortfall.estimates(layers, data, kept_back)).mean() / np.abs(error).mean()
    grey = random.normal(size=(2 * STEP_PX, 3 * STEP_PX))
    sessions = shortfall.networks(folder / "models")
    seen, solid = shortfall.seen_in_cells(grey, sessions)
    mean, spread = data[2]
    x = (seen.transpose(1, 2, 0)[None].astype(np.float32) - mean) / spread
    expected = np.array([[shortfall.shortfall_of(layers, x[:, r:r + 1, c:c + 1], jnp.ones((1, 1, 1)))[0] for c in range(x.shape[2])]
                         for r in range(x.shape[1])])
    picture = ((grey - grey.mean()) / grey.std()).astype(np.float32)[None]
    (surroundings,) = sessions[0].run(None, {"blocks": np.asarray(blocks(picture)).transpose(0, 3, 1, 2)})
    (stated,) = sessions[1].run(["shortfall"], {"picture": picture[None], "surroundings": surroundings})
    difference = np.abs(stated[0, 0] - expected).max() / expected.std()
    print(f"shortfall: {left:.2f} of the error of fields kept back is left; as written it differs by at most {difference:.4f} of its spread")
    if not (left < 0.6 and difference < MOST_DIFFERENCE):
        raise SystemExit("the shortfall is not learned, or not written as it was learned")


def run(script, *words):
    subprocess.run([sys.executable, "-B", Path(__file__).with_name(script), *words], check=True)


def write_csv(path, head, rows):
    with open(path, "w", newline="") as file:
        csv.writer(file).writerows([head, *rows])


def boundaries_are_fitted(folder, calibration, random):
    """calibrate.py finds the probabilities that boundaries were drawn with, bends and products of features among them."""
    pictures, each = 80, 500
    features = len(json.loads(calibration.read_text())["edge"]["mean"])
    table = random.normal(size=(pictures * each, features))
    likely = 1 / (1 + np.exp(0.5 - 2 * table[:, 0] - table[:, 1] * table[:, 2] + 0.5 * table[:, 3] ** 2))
    real = random.random(len(likely)) < likely
    rows = [[k // each, "etched", 10, int(real[k]), *table[k]] for k in range(len(real))]
    write_csv(folder / "edges.csv", ["picture", "look", "length", "real", *(f"f{k + 1}" for k in range(features))], rows)
    run("calibrate.py", "edge", folder / "edges.csv", calibration)
    found = calibrate.likely_of(table, json.loads(calibration.read_text())["edge"])
    off, spread = np.abs(found - likely).mean(), likely.std()
    print(f"calibration of boundaries: probabilities off by {off:.3f} on average, where they spread by {spread:.3f}")
    if not off < MOST_OFF:
        raise SystemExit("the calibration of boundaries is off")


def other_drawer_draws():
    """other_drawer.py draws the same for a seed, grains of the size that was asked for, and dark pores."""
    for look in other_drawer.LOOKS:
        grey, labels = other_drawer.drawn(1, look)
        again, _ = other_drawer.drawn(1, look)
        solid = labels > 0
        intercept = other_drawer.mean_intercept(labels)
        largest = np.bincount(labels[solid]).max() / labels.size
        print(f"other drawer, {look}: mean intercept {intercept:.1f} px, {100 * (1 - solid.mean()):.1f} % pores, greys {grey[solid].mean():.0f} and "
              f"{grey[~solid].mean():.0f}")
        low, high = other_drawer.INTERCEPTS
        fits = 0.6 * low <= intercept <= 1.5 * high and 0.004 <= 1 - solid.mean() <= 0.12 and largest < 0.1
        if not ((grey == again).all() and fits and grey[~solid].mean() < grey[solid].mean() - 40):
            raise SystemExit(f"the other drawer does not draw {look} sections as it should")


def made_up_fields(path, random, count, bias, spread):
    """Writes a table of fields that are off by such a bias, and gives what it follows from and their ambiguity."""
    ambiguity = random.uniform(0, 0.3, count)
    shortfall = random.uniform(-0.1, 0.2, count)
    excess = ambiguity * random.uniform(-0.5, 0.5, count)
    curve = np.column_stack([ambiguity**2, ambiguity**3, np.clip(shortfall, -ambiguity, ambiguity), excess])
    error = 100 * np.expm1(curve @ bias + spread * random.normal(size=count))
    write_csv(path, ["ambiguity", "shortfall", "excess", "error_percent"], zip(ambiguity, shortfall, excess, error))
    return curve, ambiguity


def fitted_fields(calibration, *tables):
    """The calibration that calibrate.py finds from such tables, and nothing before."""
    calibration.write_text(json.dumps(json.loads(calibration.read_text()) | {"bias": [0.0] * 4}))
    run("calibrate.py", "fields", *tables, calibration)
    return json.loads(calibration.read_text())


def fields_are_fitted(folder, calibration, random):
    """calibrate.py finds bias and spread that mean intercepts were drawn with."""
    count, bias, spread = 4000, np.array([5.0, -15.0, 0.8, -0.5]), 0.05
    curve, ambiguity = made_up_fields(folder / "scores.csv", random, count, bias, spread)
    content = fitted_fields(calibration, folder / "scores.csv")
    # Errors of fitted coefficients; of least sums of sizes they are 1.25 times those of least squares.
    errors = 1.25 * spread * np.sqrt(np.diag(np.linalg.inv(curve.T @ curve)))
    farthest = np.abs((np.array(content["bias"]) - bias) / errors).max()
    found = np.polynomial.polynomial.polyval(ambiguity, content["spread"]).mean()
    # Of the size that 95 of 100 normal errors stay below, 0.95 of itself over the root of the number.
    bound = ERRORS * 0.95 / count**0.5 * spread
    print(f"calibration of fields: bias within {farthest:.1f} standard errors, spread {found:.4f} for {spread}")
    if not (farthest <= ERRORS and abs(found - spread) <= bound):
        raise SystemExit("the calibration of fields is off")


def tables_weigh_the_same(folder, calibration, random):
    """Where two tables differ, calibrate.py goes half way between them, though one is four times as long."""
    bias, spread, apart = np.array([5.0, -15.0, 0.8, -0.5]), 0.05, 0.4
    tables, variances = [folder / "long.csv", folder / "short.csv"], []
    for table, count, shift in zip(tables, (4000, 1000), (-apart, apart)):
        curve, _ = made_up_fields(table, random, count, bias + [0, 0, 0, shift], spread)
        variances.append(np.linalg.inv(curve.T @ curve)[3, 3])
    found = fitted_fields(calibration, *tables)["bias"][3]
    error = 1.25 * spread * sum(variances) ** 0.5 / 2
    print(f"two tables: {found:.3f} between {bias[3] - apart:.1f} and {bias[3] + apart:.1f}, standard error {error:.3f}")
    if not abs(found - bias[3]) <= ERRORS * error:
        raise SystemExit("a longer table weighs more in the calibration of fields")


def calibration_is_found(folder):
    calibration = folder / "calibration.json"
    calibration.write_text((Path(__file__).parent.parent / "models/calibration.json").read_text())
    random = np.random.default_rng(11)
    boundaries_are_fitted(folder, calibration, random)
    fields_are_fitted(folder, calibration, random)
    tables_weigh_the_same(folder, calibration, random)


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--binary", type=Path, required=True, help="the ceramograph program")
    options = parser.parse_args()
    written_network_agrees()
    written_reader_agrees()
    texts_have_the_probability_of_all_their_ways()
    other_drawer_draws()
    with tempfile.TemporaryDirectory() as out:
        calibration_is_found(Path(out))
        shortfall_is_learned(Path(out))
        reader_learns(Path(out))
        run("train.py", "--binary", options.binary, "--out", out, *SMALL, "--check-falls")


if __name__ == "__main__":
    main()
