"""Reference values for tests between groups, ranks and the studentized range, from SciPy.

Run with the versions of requirements.txt beside this file:

    python tests/reference/group_statistics.py            writes group_statistics.json beside this file
    python tests/reference/group_statistics.py --check    fails if group_statistics.json differs from what this script makes
"""

import itertools
import json

import numpy as np
from scipy import stats

from committed import write_or_check


def digits(value):
    """Eight significant digits: as many as the integrals of SciPy carry on every machine."""
    return float(f"{value:.8g}")


def groups_case(name, groups):
    plain = [group.tolist() for group in groups]
    anova = stats.f_oneway(*groups)
    welch = stats.f_oneway(*groups, equal_var=False)
    kruskal = stats.kruskal(*groups)
    pairs = {}
    for method, equal in (("tukey", True), ("games_howell", False)):
        found = stats.tukey_hsd(*groups, equal_var=equal)
        interval = found.confidence_interval(0.95)
        pairs[method] = [
            {
                "first": i,
                "second": j,
                "p": digits(found.pvalue[i, j]),
                "low": digits(interval.low[j, i]),
                "high": digits(interval.high[j, i]),
            }
            for i in range(len(groups))
            for j in range(i + 1, len(groups))
        ]
    return {
        "name": name,
        "groups": plain,
        "anova": [digits(anova.statistic), digits(anova.pvalue)],
        "welch": [digits(welch.statistic), digits(welch.pvalue)],
        "kruskal": [digits(kruskal.statistic), digits(kruskal.pvalue)],
        **pairs,
    }


def rank_case(name, x, y):
    x, y = np.asarray(x, float), np.asarray(y, float)
    found = stats.spearmanr(x, y)
    p = found.pvalue
    if len(x) <= 7:
        # Every order; SciPy's own p is an approximation.
        exact = stats.permutation_test(
            (x,), lambda x: stats.spearmanr(x, y).statistic, permutation_type="pairings", n_resamples=np.inf
        )
        p = exact.pvalue
    elif len(x) <= 9:
        # Every order again, too many for the line above.
        a, b = (stats.rankdata(values) - (len(x) + 1) / 2 for values in (x, y))
        p = np.mean(np.abs(np.array(list(itertools.permutations(b))) @ a) >= abs(b @ a))
    return {"name": name, "x": x.tolist(), "y": y.tolist(), "rho": digits(found.statistic), "p": digits(p)}


def main():
    random = np.random.default_rng(11)
    draw = lambda sizes, means, deviations: [
        np.round(random.normal(mean, deviation, size), 3) for size, mean, deviation in zip(sizes, means, deviations)
    ]
    values = {
        "groups": [
            groups_case("equal numbers", draw([5, 5, 5], [4.0, 4.6, 5.1], [0.5, 0.5, 0.5])),
            groups_case("unequal numbers and variances", draw([3, 6, 4, 8], [1.0, 1.4, 1.1, 2.0], [0.1, 0.6, 0.2, 0.9])),
            groups_case("two groups", draw([3, 3], [8.9, 4.0], [0.2, 0.7])),
            groups_case("ties", [np.array([1.0, 2.0, 2.0, 3.0]), np.array([2.0, 3.0, 3.0]), np.array([5.0, 1.0, 2.0, 2.0])]),
        ],
        "ranks": [
            rank_case("few", [1, 2, 3, 4, 5, 6], [2.1, 1.9, 3.5, 3.1, 4.0, 5.2]),
            rank_case("few with ties", [1, 1, 2, 2, 3, 3], [5.0, 4.0, 4.0, 3.5, 1.0, 2.0]),
            rank_case("nine with ties", [1, 1, 1, 2, 2, 2, 3, 3, 3], [5.0, 4.0, 4.5, 4.2, 3.5, 4.0, 3.0, 4.1, 2.0]),
            rank_case("many", np.arange(15), np.round(np.arange(15) ** 0.5 + random.normal(0, 1, 15), 3)),
        ],
        "ranges": [
            {"q": q, "count": k, "degrees": v, "below": digits(stats.studentized_range.cdf(q, k, v))}
            for q, k, v in (
                (1.0, 2, 1), (6.0, 3, 1), (3.0, 3, 2), (4.5, 4, 2.7), (3.5, 3, 6), (2.2, 5, 12), (4.0, 10, 30),
                (3.3, 3, 120), (5.0, 20, 500), (0.2, 3, 9), (18.0, 2, 1), (27.0, 3, 1), (60.0, 20, 1), (900.0, 2, 1),
                (10.6, 2, 1.3), (33.0, 20, 1.3), (84.0, 6, 2), (26.0, 20, 4), (5.2, 60, 60), (3.6, 4, 5e4),
            )
        ],
        "tails": [
            {"name": name, "at": at, "p": digits(p)}
            for name, at, p in (
                [("f", at, stats.f.sf(*at)) for at in ((0.3, 2, 5), (4.0, 3, 7.31), (60.0, 4, 12), (900.0, 3, 40), (1.2, 1, 1))]
                + [("chi squared", at, stats.chi2.sf(*at)) for at in ((0.5, 2), (9.4, 3), (80.0, 4))]
                + [("t", at, 2 * stats.t.sf(abs(at[0]), at[1])) for at in ((0.1, 1), (-2.5, 4), (12.0, 6), (40.0, 34), (3.0, 2.5))]
            )
        ],
    }
    text = json.dumps(values, indent=1) + "\n"
    write_or_check(__file__, text)


if __name__ == "__main__":
    main()
