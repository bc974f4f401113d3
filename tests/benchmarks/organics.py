"""What part of an organic base the default method reports as alkalinity, by its pK, for adaptive curves."""

import numpy as np

from saltern.chemistry.endpoint.least_squares import solution_of
from saltern.chemistry.endpoint.organics import share_reported
from tests.benchmarks.made_curves import CLASSES, any_water, make

PLAN = (6.6, 6.0, 5.8, 5.6, 4.5, 4.2, 3.45)
PK = np.arange(3.0, 7.51, 0.5)


def main():
    """Print the table."""
    print("pK (free)", *(f"{pk:6.1f}" for pk in PK))
    for klass, instruments in CLASSES.items():
        random = np.random.default_rng(4)
        made = make(random, any_water(random, 100, 0.05), instruments, PLAN, with_bound=False)
        shares = [
            share_reported(solution_of(*question), PK)
            for question in zip(made.curves, made.conditions, made.priors, strict=True)
        ]
        print(f"{klass:9s}", *(f"{100 * share:5.0f}%" for share in np.mean(shares, axis=0)))


if __name__ == "__main__":
    main()
