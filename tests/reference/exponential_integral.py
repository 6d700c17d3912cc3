"""Reference values of the scaled exponential integral exp(x) E1(x), from SciPy.

Run with the versions of requirements.txt beside this file:

    python tests/reference/exponential_integral.py            writes exponential_integral.json beside this file
    python tests/reference/exponential_integral.py --check    fails if that file differs from what this script makes
"""

import json

import numpy as np
from scipy.special import exp1, hyperu

from committed import write_or_check

ARGUMENTS = [
    *[1e-8, 1e-4, 0.01, 0.1, 0.3, 0.5, 0.9, 0.999, 1.0, 1.001, 1.1, 1.5, 2.0, 3.0, 5.0, 8.0],
    *[12.0, 20.0, 32.9, 50.0, 100.0, 195.6, 300.0, 500.0, 700.0, 1000.0, 2000.0],
]


def scaled(x):
    """exp(x) E1(x); by the confluent function U(1, 1, x), which is the same, where E1 is too small."""
    return float(np.exp(x) * exp1(x)) if x <= 600 else float(hyperu(1, 1, x))


def main():
    values = [[x, scaled(x)] for x in ARGUMENTS]
    write_or_check(__file__, json.dumps(values, indent=1) + "\n", tolerance=1e-13)


if __name__ == "__main__":
    main()
