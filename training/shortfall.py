"""Learns how far the count of boundaries falls short in a field, from what the network sees there, and writes it into the network.

    target/release/ceramograph phantom --vary --strip none --size 800x608 --seed 1200000 --count 8096 --name p --out PHANTOMS
    cargo bench --bench accuracy -- --boundaries learned --pores auto --csv counted.csv PHANTOMS
    python training/shortfall.py counted.csv PHANTOMS models [--without-each]

Some surfaces show a part of their boundaries by neither a step nor a line, others show lines that are none; what a boundary
looks like does not tell, what the surface looks like does. The networks in models/ stay as they are: three layers are learned
on top of what they see in each cell of 16 px. A field's value is the mean over its solid cells, and estimates the natural
logarithm of true over counted passages, beyond the bias that follows the ambiguity of the count.
"""

import csv
import json
import sys
import time
from pathlib import Path

import jax
import jax.numpy as jnp
import numpy as np
import onnx
import onnxruntime
from onnx import numpy_helper
from PIL import Image

from calibrate import held_shortfall
from network import MAPS, SEEN, SHORTFALL_UNITS, STEP_PX
from network import blocks as blocks_of
from optimiser import begun, changed, rate_at

CELL_PX = 16
BATCH = 64
# How often each field is learned from.
ROUNDS = 120
RATE = 2e-3
# One field in so many is kept back to say how well the others carry over.
KEPT_BACK = 10
# Channels left out at a time, so that no field is known by a single one.
DROPPED = 0.1
# Errors of fields are at least this large, whatever their ambiguity says; larger ones count by their size alone.
LEAST_DEVIATION = 0.02


def networks(models):
    """Sessions of the network that sees from afar and of the other, which also gives what its last layers start from."""
    near = onnx.load(models / "grains.onnx")
    near.graph.output.append(onnx.helper.make_tensor_value_info("seen", onnx.TensorProto.FLOAT, None))
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    start = [onnxruntime.InferenceSession(model, options, providers=["CPUExecutionProvider"])
             for model in ((models / "surroundings.onnx").read_bytes(), near.SerializeToString())]
    return start


def reduced(grey, scale):
    """The picture as the network saw it: means of blocks."""
    k = round(1 / scale)
    rows, columns = grey.shape[0] // k, grey.shape[1] // k
    return grey[:rows * k, :columns * k].reshape(rows, k, columns, k).mean((1, 3))


def seen_in_cells(grey, sessions):
    """What the network sees (channel, row, column) in the cells of a picture, and the share of solid in each."""
    far, near = sessions
    rows, columns = grey.shape
    standard = (grey - grey.mean()) / max(grey.std(), 1e-6)
    picture = np.pad(standard, ((0, -rows % STEP_PX), (0, -columns % STEP_PX)), mode="symmetric")[None].astype(np.float32)
    (surroundings,) = far.run(None, {"blocks": np.asarray(blocks_of(picture)).transpose(0, 3, 1, 2)})
    maps, _, seen = near.run(["maps", "shortfall", "seen"], {"picture": picture[None], "surroundings": surroundings})
    half = CELL_PX // 2
    inside = np.zeros((maps.shape[2], maps.shape[3]), np.float32)
    inside[:(rows + 1) // 2, :(columns + 1) // 2] = 1
    solid = inside * (1 / (1 + np.exp(maps[0, 4 * MAPS.index("pore"):]))).mean(0)
    solid = solid.reshape(solid.shape[0] // half, half, -1, half).mean((1, 3))
    used = np.s_[..., :-(-rows // CELL_PX), :-(-columns // CELL_PX)]
    return seen[0][used].astype(np.float16), solid[used]


def fields(scores, folder, sessions, bias):
    """What is learned from: one dictionary for each picture of the table that was counted."""
    with open(scores, newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["ambiguity"] and row["error_percent"]]
    found = []
    for row in rows:
        grey = np.asarray(Image.open(Path(folder) / f"{row['picture']}.png").convert("L")).astype(np.float32)
        seen, solid = seen_in_cells(reduced(grey, float(row["scale"])), sessions)
        # The table has been corrected by what the calibration says of shortfall so far.
        ambiguity = float(row["ambiguity"])
        error = np.log1p(float(row["error_percent"]) / 100) + bias[2] * held_shortfall(float(row["shortfall"]), ambiguity)
        found.append({"look": row["look"], "ambiguity": ambiguity, "error": error, "seen": seen, "solid": solid})
    return found


def stacked(found):
    """Arrays of all fields, smaller ones filled up with cells of no solid."""
    rows, columns = (max(f["solid"].shape[axis] for f in found) for axis in (0, 1))
    seen = np.zeros((len(found), rows, columns, SEEN), np.float16)
    solid = np.zeros((len(found), rows, columns), np.float32)
    for k, f in enumerate(found):
        part = np.s_[k, :f["solid"].shape[0], :f["solid"].shape[1]]
        seen[part], solid[part] = f["seen"].transpose(1, 2, 0), f["solid"]
    return seen, solid


def begin_layers(seed):
    widths = (SEEN, SHORTFALL_UNITS, SHORTFALL_UNITS, 1)
    keys = jax.random.split(jax.random.key(seed), 3)
    return [{"weight": (2 / inside) ** 0.5 * jax.random.normal(key, (inside, out)) * (0.1 if out == 1 else 1), "shift": jnp.zeros(out)}
            for key, inside, out in zip(keys, widths, widths[1:])]


def shortfall_of(layers, x, solid):
    """Value of each field from standardised channels (field, row, column, channel)."""
    for own in layers[:-1]:
        x = jax.nn.relu(x @ own["weight"] + own["shift"])
    x = (x @ layers[-1]["weight"] + layers[-1]["shift"])[..., 0]
    return (x * solid).sum((1, 2)) / (solid.sum((1, 2)) + 1e-6)


def channel_statistics(seen, solid):
    """Mean and deviation of each channel over solid cells."""
    sums = [jnp.zeros(SEEN), jnp.zeros(SEEN)]
    for k in range(0, len(seen), BATCH):
        x, weight = seen[k:k + BATCH].astype(jnp.float32), solid[k:k + BATCH, ..., None]
        sums = [total + (x ** power * weight).sum((0, 1, 2)) for power, total in enumerate(sums, 1)]
    mean, square = (total / solid.sum() for total in sums)
    return mean, jnp.sqrt(jnp.maximum(square - mean * mean, 1e-8)) + 1e-3


def parts(key, solid):
    """The solid of half of the fields cut down to a random part of them, so that a field is not known as a whole."""
    count, rows, columns = solid.shape
    keys = jax.random.split(key, 3)
    top = jax.random.randint(keys[0], (count, 1, 1), 0, rows * 2 // 5)
    left = jax.random.randint(keys[1], (count, 1, 1), 0, columns * 2 // 5)
    y, x = jnp.arange(rows)[None, :, None], jnp.arange(columns)[None, None, :]
    inside = (y >= top) & (y < top + rows * 3 // 5) & (x >= left) & (x < left + columns * 3 // 5)
    cut = solid * (inside | jax.random.bernoulli(keys[2], 0.5, (count, 1, 1)))
    return jnp.where(cut.sum((1, 2), keepdims=True) > 0, cut, solid)


def learned(data, error, deviation, chosen, seed):
    """Layers learned from the chosen fields."""
    seen, solid, (mean, spread) = data
    rounds = max(1, ROUNDS * len(chosen) // BATCH)

    def loss_of(layers, key, seen, solid, error, deviation):
        keys = jax.random.split(key, 2)
        x = (seen.astype(jnp.float32) - mean) / spread
        x *= jax.random.bernoulli(keys[0], 1 - DROPPED, (len(seen), 1, 1, SEEN)) / (1 - DROPPED)
        off = (error - shortfall_of(layers, x, parts(keys[1], solid))) / deviation
        return jnp.where(jnp.abs(off) < 1, off * off / 2, jnp.abs(off) - 0.5).mean()

    @jax.jit
    def step(layers, moments, key, batch, count):
        slope = jax.grad(loss_of)(layers, key, *batch)
        return changed(layers, moments, slope, rate_at(count / rounds, RATE), count)

    layers, random = begin_layers(seed), np.random.default_rng(seed)
    moments = begun(layers)
    key = jax.random.key(seed + 1)
    order = np.concatenate([random.permutation(chosen) for _ in range(ROUNDS + 1)])
    for count in range(1, rounds + 1):
        key, own = jax.random.split(key)
        at = jnp.asarray(order[(count - 1) * BATCH:count * BATCH])
        batch = [values[at] for values in (seen, solid, error, deviation)]
        layers, moments = step(layers, moments, own, batch, float(count))
    return moments[2]


def estimates(layers, data, chosen):
    seen, solid, (mean, spread) = data
    each = jax.jit(lambda x, solid: shortfall_of(layers, (x.astype(jnp.float32) - mean) / spread, solid))
    return np.concatenate([np.asarray(each(seen[part], solid[part])) for part in np.array_split(chosen, max(1, len(chosen) // BATCH))])


def print_scores(title, error, estimate, look):
    print(f"{title}: {len(error)} fields, mean size of error {100 * np.abs(error).mean():.2f} -> {100 * np.abs(error - estimate).mean():.2f} %, "
          f"median {100 * np.median(np.abs(error)):.2f} -> {100 * np.median(np.abs(error - estimate)):.2f} %")
    for name in sorted(set(look)):
        own = look == name
        print(f"  {name}: {100 * np.abs(error[own]).mean():.2f} -> {100 * np.abs(error - estimate)[own].mean():.2f} %", flush=True)


def written(path, layers, mean, spread):
    """Puts the layers into the network, the standardisation of its channels into the first of them."""
    model = onnx.load(path)
    first = layers[0]["weight"] / spread[:, None]
    folded = [{"weight": first, "shift": layers[0]["shift"] - mean @ first}, *layers[1:]]
    values = {}
    for k, own in enumerate(folded):
        values[f"shortfall{k}.weight.half"] = np.asarray(own["weight"]).T[..., None, None]
        values[f"shortfall{k}.shift.half"] = np.asarray(own["shift"])
    for constant in model.graph.initializer:
        if constant.name in values:
            constant.CopyFrom(numpy_helper.from_array(values.pop(constant.name).astype(np.float16), constant.name))
    if values:
        raise SystemExit(f"{path} has no {', '.join(values)}")
    onnx.save(model, path)


def learn(found, calibration, path, without_each=False):
    """Learns from fields, says how well it carries over, and writes the layers into the network at `path`. Gives the layers,
    what they were learned from, and which fields were kept back."""
    begin = time.time()
    seen, solid = stacked(found)
    error = np.array([f["error"] for f in found], np.float32)
    ambiguity = np.array([f["ambiguity"] for f in found], np.float32)
    look = np.array([f["look"] for f in found])
    deviation = np.maximum(calibration["spread"][0] + calibration["spread"][1] * ambiguity, LEAST_DEVIATION).astype(np.float32)
    seen, solid, error_there, deviation = (jnp.asarray(a) for a in (seen, solid, error, deviation))
    data = (seen, solid, channel_statistics(seen, solid))
    back = np.random.default_rng(0).permutation(len(found)) % KEPT_BACK == 0
    layers = learned(data, error_there, deviation, np.where(~back)[0], 1)
    print_scores("kept back", error[back], estimates(layers, data, np.where(back)[0]), look[back])
    written(path, layers, *data[2])
    for name in sorted(set(look)) if without_each else ():
        others = learned(data, error_there, deviation, np.where(look != name)[0], 1)
        own = look == name
        print_scores(f"without {name}", error[own], estimates(others, data, np.where(own)[0]), look[own])
    print(f"{len(found)} fields, {time.time() - begin:.0f} s on {jax.devices()[0].device_kind}")
    return layers, data, np.where(back)[0]


def main():
    scores, folder, models = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
    without_each = "--without-each" in sys.argv[4:]
    calibration = json.loads((models / "calibration.json").read_text())
    learn(fields(scores, folder, networks(models), calibration["bias"]), calibration, models / "grains.onnx", without_each)


if __name__ == "__main__":
    main()
