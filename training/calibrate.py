"""Fits how likely each boundary of the learned map is, and what ambiguity does to the mean intercept.

    cargo bench --bench edge_samples -- PHANTOMS > edges.csv
    python training/calibrate.py edge edges.csv models/calibration.json
    cargo bench --bench accuracy -- --boundaries learned --csv phantoms.csv PHANTOMS
    cargo bench --bench accuracy -- --boundaries learned --csv others.csv OTHERS
    python training/calibrate.py fields phantoms.csv others.csv models/calibration.json
    python training/calibrate.py reliability other_edges.csv models/calibration.json

PHANTOMS are drawn with seeds that were not learned from, OTHERS by other_drawer.py. The first fit is two small layers for
"the regions belong to two grains" on the features of a boundary, each picture with the same weight, each boundary by its
length. The second fits the bias of the logarithm of the mean intercept to the ambiguity of the picture, to the shortfall that
the network states (shortfall.py) and to the excess of expected passages, and what is left of it to the ambiguity. The last
command only prints how often boundaries of other pictures are real, by the stated probability.
"""

import csv
import itertools
import json
import sys
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

# Bins of the reliability table.
BINS = 10
# Boundaries of a picture that are learned from, taken by chance: those of one picture are much alike.
SHOWN = 500
# Units of each layer, and how far from their mean features count, in standard deviations. As in
# src/segment/learned/likelihood.rs.
UNITS = 16
FARTHEST = 4.0
# Cost of the squares of all weights, and steps that are made at most.
DECAY = 1e-6
STEPS = 600
# Ambiguity up to which the bias is fitted; that of more ambiguous pictures is taken as the one here. As in
# src/segment/learned/likelihood.rs.
MOST_CORRECTED = 0.3


def read_edges(samples, shown=None):
    """Features of every boundary, or of some of each picture, whether it is real, its weight, and the number of pictures."""
    random = np.random.default_rng(0)
    read = []
    with open(samples, newline="") as file:
        rows = csv.reader(file)
        next(rows)
        for _, picture in itertools.groupby(rows, key=lambda row: row[0]):
            values = np.array([row[2:] for row in picture], np.float32)
            if shown and len(values) > shown:
                values = values[random.choice(len(values), shown, replace=False)]
            read.append(values)
    table = np.concatenate(read)
    weight = np.concatenate([values[:, 0] / values[:, 0].sum() for values in read])
    return table[:, 2:], table[:, 1], weight, len(read)


def standard(features, layers):
    return np.clip((features - np.array(layers["mean"])) / np.array(layers["deviation"]), -FARTHEST, FARTHEST).astype(np.float32)


def through(sums, inputs):
    """Constants, first in each row, and weights applied to the inputs."""
    return inputs @ sums[:, 1:].T + sums[:, 0]


def passed(parts, inputs):
    """What each layer passes on; last the logits."""
    seen = [inputs]
    for sums in parts[:-1]:
        values = through(sums, seen[-1])
        seen.append(values / (1 + np.abs(values)))
    return [*seen, through(parts[-1], seen[-1])[:, 0]]


def likely_of(features, layers):
    parts = [np.array(layers[name], np.float32) for name in ("first", "second")] + [np.array([layers["last"]], np.float32)]
    return 1 / (1 + np.exp(-passed(parts, standard(features, layers))[-1].astype(np.float64)))


def print_reliability(likely, real, weight):
    print("| stated | found | share of boundary length |\n|--:|--:|--:|")
    for k in range(BINS):
        inside = (likely >= k / BINS) & (likely < (k + 1) / BINS + (k == BINS - 1))
        if inside.any():
            own = weight[inside]
            print(f"| {np.average(likely[inside], weights=own):.2f} | {np.average(real[inside], weights=own):.2f} "
                  f"| {own.sum() / weight.sum():.3f} |")


def reliability(samples, calibration):
    features, real, weight, pictures = read_edges(samples)
    print(f"{len(real)} boundaries of {pictures} pictures")
    print_reliability(likely_of(features, calibration["edge"]), real, weight)


def fitted_layers(features, real, weight):
    """The layers whose probabilities make `real` most likely, with a little cost for large weights."""
    layers = {"mean": features.mean(0, dtype=np.float64), "deviation": features.std(0, dtype=np.float64)}
    inputs, weight = standard(features, layers), weight / weight.sum()
    shapes = [(UNITS, features.shape[1] + 1), (UNITS, UNITS + 1), (1, UNITS + 1)]
    ends = np.cumsum([rows * columns for rows, columns in shapes])

    def split(values):
        return [part.reshape(shape) for part, shape in zip(np.split(values, ends[:-1]), shapes)]

    def loss(values):
        parts = split(values.astype(np.float32))
        seen = passed(parts, inputs)
        logits = seen[-1].astype(np.float64)
        cost = (weight * (np.logaddexp(0, logits) - real * logits)).sum()
        back = (weight * (1 / (1 + np.exp(-logits)) - real)).astype(np.float32)[:, None]
        slopes = []
        for sums, below in zip(parts[::-1], seen[-2::-1]):
            slopes.insert(0, np.column_stack([back.sum(0), back.T @ below]).ravel())
            # The slope of x / (1 + |x|) is (1 - |its value|)².
            back = (back @ sums[:, 1:]) * (1 - np.abs(below)) ** 2
        return cost + DECAY / 2 * values @ values, np.concatenate(slopes) + DECAY * values

    random = np.random.default_rng(0)
    start = [np.column_stack([np.zeros(rows), random.normal(size=(rows, columns - 1)) / columns**0.5]) for rows, columns in shapes]
    found = minimize(loss, np.concatenate([part.ravel() for part in start]), jac=True, method="L-BFGS-B",
                     options={"maxiter": STEPS, "maxcor": 30})
    first, second, last = split(found.x)
    layers |= {"first": first, "second": second, "last": last[0]}
    return {name: np.round(values, 5).tolist() for name, values in layers.items()}, found.fun


def edges(samples, calibration):
    features, real, weight, pictures = read_edges(samples, SHOWN)
    calibration["edge"], loss = fitted_layers(features, real, weight)
    print(f"{len(real)} boundaries of {pictures} pictures; loss {loss:.4f}")
    print_reliability(likely_of(features, calibration["edge"]), real, weight)


def held_shortfall(shortfall, ambiguity):
    """The shortfall as far as it counts: no surface hides more than the boundaries that are seen leave in doubt."""
    most = np.minimum(ambiguity, MOST_CORRECTED)
    return np.clip(shortfall, -most, most)


def fields(tables, calibration):
    """Fits bias and spread to the fields of some tables. Each table weighs the same, however long it is: one for each drawer, so
    that what holds for one drawer alone is corrected by half."""
    drawers = []
    for table in tables:
        with open(table, newline="") as file:
            drawers.append([row for row in csv.DictReader(file) if row["ambiguity"] and row["error_percent"]])
    rows = [row for own in drawers for row in own]
    drawer = np.repeat(np.arange(len(drawers)), [len(own) for own in drawers])
    share = len(rows) / len(drawers) / np.bincount(drawer)[drawer]
    ambiguity = np.array([float(row["ambiguity"]) for row in rows])
    held = np.minimum(ambiguity, MOST_CORRECTED)
    # Where every boundary is certain none is missed: no constant. Where few are in doubt some are missed that no region
    # sees, but how many, two drawers do not agree on: no straight line from there. Where most are, the probabilities carry
    # less and less of the picture.
    # Of the expected passages and those at the cut at one half, a mean of both is nearer to the truth than either.
    shortfall, excess = (np.array([float(row[name]) for row in rows]) for name in ("shortfall", "excess"))
    curve = np.column_stack([held**2, held**3, held_shortfall(shortfall, ambiguity), excess])
    # The scores were made with the calibration that is replaced, so its correction is taken back first.
    error = curve @ np.array(calibration["bias"]) + np.log1p(np.array([float(row["error_percent"]) for row in rows]) / 100)
    straight = np.column_stack([np.ones_like(ambiguity), ambiguity])
    bias, spread = np.zeros(4), np.array([0.05, 0.0])
    for _ in range(200):
        deviation = np.maximum(straight @ spread, 0.01)
        # Least sum of sizes, as a median has: some pictures show hardly any boundary, and their error is anything.
        weight = share / (deviation * np.maximum(np.abs(error - curve @ bias), 0.02 * deviation))
        bias = np.linalg.lstsq(curve * weight[:, None] ** 0.5, error * weight ** 0.5, rcond=None)[0]
        rest = np.abs(error - curve @ bias)
        # Normal errors have a mean size of 0.8 standard deviations.
        weight = share / deviation ** 2
        spread = np.linalg.lstsq(straight * weight[:, None] ** 0.5, rest / 0.8 * weight ** 0.5, rcond=None)[0]
    # The tails are longer than those of normal errors; what is stated is an interval that holds 95 of 100 of each table.
    spread = np.maximum(spread, 0.005)
    spread *= max(np.quantile(own, 0.95) for own in split_by(drawer, rest / (1.96 * straight @ spread)))
    calibration["bias"] = [round(float(v), 5) for v in bias]
    calibration["spread"] = [round(float(v), 5) for v in spread]
    print(f"{len(rows)} pictures; bias {bias}, spread {spread}")
    off = np.abs(np.expm1(error - curve @ bias))
    for table, own, within in zip(tables, split_by(drawer, off), split_by(drawer, rest <= 1.96 * straight @ spread)):
        print(f"{table}: {len(own)} pictures, mean size of error {100 * own.mean():.2f} %, {within.mean():.3f} lie within 1.96 standard deviations")


def split_by(number, values):
    """The values of each number."""
    return [values[number == k] for k in range(number.max() + 1)]


def main():
    kind, sources, path = sys.argv[1], sys.argv[2:-1], Path(sys.argv[-1])
    calibration = json.loads(path.read_text())
    if kind == "reliability":
        return reliability(*sources, calibration)
    if kind == "edge":
        edges(*sources, calibration)
    else:
        fields(sources, calibration)
    # One line for each key.
    lines = ",\n".join(f"  {json.dumps(key)}: {json.dumps(value)}" for key, value in calibration.items())
    path.write_text(f"{{\n{lines}\n}}\n")


if __name__ == "__main__":
    main()
