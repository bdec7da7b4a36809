"""Sandwich scores corrected for what each cluster itself did to the fit."""

from __future__ import annotations

import numpy as np

from analytics.stats.proportions import Floats

SINGULAR = 1e-8


def unshrunken_scores(scores: Floats, information: Floats, bread: Floats) -> Floats:
    """Score of each cluster with its residuals freed of their own leverage.

    Parameters
    ----------
    scores
        Clusters by p.
    information
        Information of each cluster, clusters by p by p; ``bread`` is the inverse of its sum.
    bread
        p by p.

    Returns
    -------
    array
        Clusters by p. A cluster that alone decides a coefficient has no residual left there
        and adds nothing in that direction.

    Notes
    -----
    Mancl & DeRouen 2001, Biometrics 57:126: residuals times (I - H)^-1 with H the leverage of
    the cluster, which for the score s is (I - information bread)^-1 s, p by p only.
    """
    kept = np.eye(bread.shape[0]) - information @ bread
    return np.einsum("cij,cj->ci", np.linalg.pinv(kept, rcond=SINGULAR), scores)
