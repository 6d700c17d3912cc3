"""Fits how likely each boundary of the learned map is, and what ambiguity does to the mean intercept.

    cargo bench --bench edge_samples -- PHANTOMS > edges.csv
    python training/calibrate.py edge edges.csv models/calibration.json
    cargo bench --bench accuracy -- --boundaries learned --csv scores.csv PHANTOMS
    python training/calibrate.py fields scores.csv models/calibration.json
    python training/calibrate.py reliability others.csv models/calibration.json

PHANTOMS are drawn with seeds that were not learned from. The first fit is a logistic regression of "the regions belong
to two grains" on the features of a boundary, each picture with the same weight, each boundary by its length. The second
fits the bias of the logarithm of the mean intercept to the ambiguity of the picture and to the shortfall that the network states
(shortfall.py), and what is left of it to the ambiguity. The last command only
prints how often boundaries of other pictures are real, by the stated probability.
"""

import csv
import json
import sys
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

# Bins of the reliability table.
BINS = 10
# Ambiguity up to which the bias is fitted; that of more ambiguous pictures is taken as the one here. As in
# src/segment/learned/likelihood.rs.
MOST_CORRECTED = 0.3


def read_edges(samples):
    """Features of every boundary, whether it is real, its weight, and the number of pictures."""
    with open(samples, newline="") as file:
        rows = list(csv.reader(file))[1:]
    length = np.array([float(row[2]) for row in rows])
    real = np.array([float(row[3]) for row in rows])
    features = np.array([[float(value) for value in row[4:]] for row in rows])
    pictures, number = np.unique([row[0] for row in rows], return_inverse=True)
    return features, real, length / np.bincount(number, length)[number], len(pictures)


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
    constant, *slopes = calibration["edge"]
    print(f"{len(real)} boundaries of {pictures} pictures")
    print_reliability(1 / (1 + np.exp(-(constant + features @ np.array(slopes)))), real, weight)


def edges(samples, calibration):
    features, real, weight, pictures = read_edges(samples)
    mean, spread = features.mean(0), features.std(0)
    design = np.column_stack([np.ones(len(features)), (features - mean) / spread])

    def loss(coefficients):
        sums = design @ coefficients
        likely = 1 / (1 + np.exp(-sums))
        value = (weight * (np.logaddexp(0, sums) - real * sums)).sum() + 1e-4 * (coefficients[1:] ** 2).sum()
        slope = design.T @ (weight * (likely - real)) + 2e-4 * np.r_[0, coefficients[1:]]
        return value, slope

    found = minimize(loss, np.zeros(design.shape[1]), jac=True, method="L-BFGS-B", options={"maxiter": 2000})
    slopes = found.x[1:] / spread
    calibration["edge"] = [round(float(v), 6) for v in np.r_[found.x[0] - (slopes * mean).sum(), slopes]]
    print(f"{len(real)} boundaries of {pictures} pictures; loss {found.fun / weight.sum():.4f}")
    print_reliability(1 / (1 + np.exp(-(design @ found.x))), real, weight)


def held_shortfall(shortfall, ambiguity):
    """The shortfall as far as it counts: no surface hides more than the boundaries that are seen leave in doubt."""
    most = np.minimum(ambiguity, MOST_CORRECTED)
    return np.clip(shortfall, -most, most)


def fields(scores, calibration):
    with open(scores, newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["ambiguity"] and row["error_percent"]]
    ambiguity = np.array([float(row["ambiguity"]) for row in rows])
    held = np.minimum(ambiguity, MOST_CORRECTED)
    # Where every boundary is certain none is missed: no constant. Few boundaries are in doubt without being shown at
    # all at first; where most are, the probabilities carry less and less of the picture: not a straight line.
    # Of the expected passages and those at the cut at one half, a mean of both is nearer to the truth than either.
    shortfall, excess = (np.array([float(row[name]) for row in rows]) for name in ("shortfall", "excess"))
    curve = np.column_stack([held, held * held, held_shortfall(shortfall, ambiguity), excess])
    # The scores were made with the calibration that is replaced, so its correction is taken back first.
    error = curve @ np.array(calibration["bias"]) + np.log1p(np.array([float(row["error_percent"]) for row in rows]) / 100)
    straight = np.column_stack([np.ones_like(ambiguity), ambiguity])
    bias, spread = np.zeros(4), np.array([0.05, 0.0])
    for _ in range(200):
        deviation = np.maximum(straight @ spread, 0.01)
        # Least sum of sizes, as a median has: some pictures show hardly any boundary, and their error is anything.
        weight = 1 / (deviation * np.maximum(np.abs(error - curve @ bias), 0.02 * deviation))
        bias = np.linalg.lstsq(curve * weight[:, None] ** 0.5, error * weight ** 0.5, rcond=None)[0]
        rest = np.abs(error - curve @ bias)
        # Normal errors have a mean size of 0.8 standard deviations.
        weight = 1 / deviation ** 2
        spread = np.linalg.lstsq(straight * weight[:, None] ** 0.5, rest / 0.8 * weight ** 0.5, rcond=None)[0]
    # The tails are longer than those of normal errors; what is stated is an interval that holds 95 of 100.
    spread = np.maximum(spread, 0.005)
    spread *= np.quantile(rest / (1.96 * straight @ spread), 0.95)
    calibration["bias"] = [round(float(v), 5) for v in bias]
    calibration["spread"] = [round(float(v), 5) for v in spread]
    within = rest <= 1.96 * straight @ spread
    print(f"{len(rows)} pictures; bias {bias}, spread {spread}; {within.mean():.3f} lie within 1.96 standard deviations")


def main():
    kind, source, path = sys.argv[1], sys.argv[2], Path(sys.argv[3])
    calibration = json.loads(path.read_text())
    if kind == "reliability":
        return reliability(source, calibration)
    {"edge": edges, "fields": fields}[kind](source, calibration)
    path.write_text(json.dumps(calibration, indent=2) + "\n")


if __name__ == "__main__":
    main()
