"""Household days at 10 s from the PyPI package pysimdeum, in an environment of its own.

The package (licence EUPL 1.2) is used as it is and never copied. Arguments: houses of each
type, days of each, file to write. Writes flows [household day, 8640 steps] in gallons a minute.
"""

import sys

import numpy as np
import pysimdeum

GPM_PER_L_PER_S = 60 / 3.785411784
TYPES = ("one_person", "two_person", "family")


def traces(houses, days):
    out = []
    for kind in TYPES:
        for _ in range(houses):
            house = pysimdeum.built_house(house_type=kind)
            flow = house.simulate(num_patterns=days)
            total = flow.sel(user="household", flowtypes="totalflow").sum("enduse").values
            seconds = np.moveaxis(total.reshape(total.shape[0], -1), 0, 1)[:, :86400]
            out.append(seconds.reshape(len(seconds), 8640, 10).mean(axis=2) * GPM_PER_L_PER_S)
    return np.concatenate(out).astype(np.float32)


if __name__ == "__main__":
    # the package draws from the legacy state
    np.random.seed(20250101)  # noqa: NPY002
    np.save(sys.argv[3], traces(int(sys.argv[1]), int(sys.argv[2])))
