"""How often the 95 % intervals hold the truth: Monte-Carlo over simulated networks, tags and gaps.

Truth is made up; corners, picks, cards and typed distances get random errors of the stated size (the corners' stated
covariance is a quarter of the true one, as sigma0 must find out). The product measures, and each error is held against
1.96 of its own predicted standard deviations. The card's error is one of scale, as a misread check bar makes it: its sd
is that of the card's rms distance. Quantities of one network hang together, so the spread printed is that of the
networks' means. Exit code 1 when a row lies outside 93 to 97 % by more than twice that spread.

A face's and a tube's doubt is that of the worst place on it, so they hold the truth more often than 95 % elsewhere.

    interval_coverage.py [networks=200] [first seed=0]
"""

from __future__ import annotations

import sys

import numpy as np
from interval_scores import HIGH, LOW, coverage, spread
from simulated_job import SETTINGS, Setting

from elbowroom.shared.arrays import Floats


def print_table(setting: Setting, table: dict[str, Floats]) -> int:
    """Print a setting's rows; return how many are beyond the promise."""
    networks, bad = len(next(iter(table.values()))), 0
    print(f"{setting.name}, {networks} networks: share within 95 %, spread of that, rms of error over sd")
    for name, rows in table.items():
        share, doubt, rms = float(rows[:, 0].mean()), spread(rows), float(np.sqrt(rows[:, 1].mean()))
        beyond = max(LOW - share, share - HIGH) > 2 * doubt
        bad += beyond
        print(
            f"  {name:42s} {100 * share:5.1f} % ± {100 * doubt:3.1f}  {rms:5.2f}{'  off' if beyond else ''}",
            flush=True,
        )
    return bad


def main() -> int:
    """Print the tables; return 1 when a row is beyond the promise."""
    networks = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    return int(sum(print_table(s, coverage(s, range(first, first + networks))) for s in SETTINGS) > 0)


if __name__ == "__main__":
    sys.exit(main())
