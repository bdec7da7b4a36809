"""What calibration.py says of its methods: where their assumptions hold, and what each does."""

from __future__ import annotations

from simulated_networks import LOST_DAYS

#: What 95% limits must cover where the assumptions of a clustered method hold.
COVERED = (0.93, 0.97)

TITLES = {
    "independent": "Loss independent of relapse",
    "by covariate": "Loss driven by x, which drives relapse too",
    "by frailty": "Loss driven by the frailty, which nobody can see",
}
#: Where the assumptions hold: scenario, method, and the truth it is after.
HOLDS = (
    ("independent", "KM, clustered; in care to cut-off", "seen"),
    ("independent", "KM, clustered, weighted; in care to cut-off", "seen"),
    ("by covariate", "KM, clustered, weighted; in care to cut-off", "seen"),
    ("independent", "KM, clustered; end known", "seen"),
    ("independent", "KM, clustered, weighted; end known", "seen"),
    ("by covariate", "KM, clustered, weighted; end known", "seen"),
    ("independent", "Turnbull, children resampled", "exact"),
)
#: The published convention, censoring at the last visit, where only that convention is at fault.
LAST_VISIT = (
    ("independent", "KM, clustered", "seen"),
    ("independent", "KM, clustered, weighted", "seen"),
    ("by covariate", "KM, clustered, weighted", "seen"),
)
#: Where loss goes with relapse in a way that the method does not know.
FAILS = (
    ("by covariate", "KM, clustered", "seen"),
    ("by covariate", "KM, clustered; in care to cut-off", "seen"),
    ("by covariate", "Turnbull, children resampled", "exact"),
    ("by frailty", "KM, clustered", "seen"),
    ("by frailty", "KM, clustered; in care to cut-off", "seen"),
    ("by frailty", "KM, clustered, weighted", "seen"),
    ("by frailty", "Turnbull, children resampled", "exact"),
)
LINES = (
    "- *crude proportion*: feet without the event over all feet, the same at every horizon, with "
    "Wilson's limits and feet as independent: too low early, too high late, and near the truth "
    "only where the two happen to meet.",
    "- *KM, naive error*: the curve, with Greenwood's error. The two feet of a child are taken as "
    "independent, so the error is too small by the ratio shown.",
    "- *KM, clustered*: the same curve, errors summed within children; censored at the last "
    "visit. This is what the suite shows by default.",
    "- *weighted*: each foot stands for those lost that had its x; helps only if loss goes with x.",
    "- *in care to cut-off*: feet whose last visit lies within the limit of loss "
    f"({LOST_DAYS} days) before the cut-off are censored at the cut-off, the others at their last "
    "visit. All of it can be read from records; the suite shows it beside the default.",
    "- *end known*: censored when attendance really ended, which no record tells. It shows what "
    "is due to not knowing.",
    "- *Turnbull*: the event lies between the last visit free of it and the visit that saw it; "
    "limits from the spread over resampled children.",
)
