"""Reference values for the agreement of two label maps, from scikit-image and SciPy.

Run with the versions of requirements.txt beside this file:

    python tests/reference/agreement.py            writes agreement.json beside this file
    python tests/reference/agreement.py --check    fails if agreement.json differs from what this script makes
"""

import json

import numpy as np
from scipy import ndimage
from skimage.metrics import adapted_rand_error, variation_of_information

from committed import write_or_check


def cells(width, height, count, seed):
    """Labels of the nearest of `count` random points."""
    points = np.random.default_rng(seed).random((count, 2)) * (height, width)
    y, x = np.mgrid[0:height, 0:width]
    distance = (y[..., None] - points[:, 0]) ** 2 + (x[..., None] - points[:, 1]) ** 2
    return distance.argmin(axis=2) + 1


def boundaries(labels):
    lines = np.zeros(labels.shape, bool)
    for own, other, line in (
        (labels[:, :-1], labels[:, 1:], lines[:, :-1]),
        (labels[:-1], labels[1:], lines[:-1]),
    ):
        line |= (own != other) & (own > 0) & (other > 0)
    return lines


def boundary_f1(truth, found, tolerance):
    truth, found = boundaries(truth), boundaries(found)

    def near(part, whole):
        return (ndimage.distance_transform_edt(~whole)[part] <= tolerance).mean() if part.any() and whole.any() else 0.0

    precision, recall = near(found, truth), near(truth, found)
    return 2 * precision * recall / (precision + recall) if precision + recall > 0 else 0.0


def case(name, truth, found):
    error, precision, recall = adapted_rand_error(truth, found, ignore_labels=(0,))
    splits, merges = variation_of_information(truth, found, ignore_labels=(0,))
    return {
        "name": name,
        "width": truth.shape[1],
        "height": truth.shape[0],
        "truth": truth.ravel().tolist(),
        "found": found.ravel().tolist(),
        "adapted_rand_error": round(float(error), 12),
        "precision": round(float(precision), 12),
        "recall": round(float(recall), 12),
        "information_by_splits": round(float(splits), 12),
        "information_by_merges": round(float(merges), 12),
        "boundary_f1": round(float(boundary_f1(truth, found, 2)), 12),
    }


def main():
    truth = cells(24, 18, 9, seed=1)
    pores = truth.copy()
    pores[3:7, 5:10] = 0
    pores[12:14, 18:22] = 0
    shifted = np.roll(truth, 2, axis=1)
    found_pores = shifted.copy()
    found_pores[4:8, 5:10] = 0
    cases = [
        case("same cells under other names", truth, 20 - truth),
        case("shifted by two pixels", truth, shifted),
        case("two cells joined", truth, np.where(truth == 2, 1, truth)),
        case("every cell cut in two", truth, 2 * truth + (np.arange(24) % 2)),
        case("pores in the truth and in the found map", pores, found_pores),
        case("other cells", cells(24, 18, 7, seed=2), cells(24, 18, 12, seed=3)),
    ]
    text = "[\n" + ",\n".join(json.dumps(entry) for entry in cases) + "\n]\n"
    write_or_check(__file__, text)


if __name__ == "__main__":
    main()
