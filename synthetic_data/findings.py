"""What is found and done at each visit: scores that fall step by step, angles, brace, relapse."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.random import Generator
from numpy.typing import NDArray

from analytics.definitions.columns import PIRANI_HINDFOOT_SIGNS, PIRANI_MIDFOOT_SIGNS
from synthetic_data.network import Network
from synthetic_data.scenario import ADHERENCES, CLINICS

SIGNS = (*PIRANI_MIDFOOT_SIGNS, *PIRANI_HINDFOOT_SIGNS)
PARTS = ("equinus", "varus", "adductus", "cavus")
FULL_TIME_DAYS = 90


def _halves(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.round(2 * values) / 2


def _done(lines: pd.DataFrame, network: Network) -> NDArray[np.float64]:
    """Return how far casting has come at each cast visit: 0 at the first, 1 at the decision."""
    n_casts = network.casting.n_casts[lines["foot"]]
    number = lines["number"].to_numpy()
    stage = lines["stage"].to_numpy()
    share = np.minimum(number - 1, n_casts) / n_casts
    return np.select([stage == "start", stage == "cast"], [0.0, share], default=1.0)


def add_scores(lines: pd.DataFrame, network: Network, *, rng: Generator) -> pd.DataFrame:
    """Return the lines with the Pirani parts, total and, at the first assessment, the six signs.

    The midfoot is corrected first; where a tenotomy follows, the hindfoot stays stiff until then.
    """
    lines = lines.copy()
    foot, stage = lines["foot"].to_numpy(), lines["stage"].to_numpy()
    n = network.feet.child.size
    done = _done(lines, network)
    mid, hind = network.feet.midfoot[foot], network.feet.hindfoot[foot]
    cut, failed = network.casting.tenotomy[foot], network.casting.failed[foot]
    end_mid = np.where(rng.random(n) < 0.4, 0.5, 0.0)[foot]
    end_hind = np.where(cut, np.clip(hind - 0.5, 1.5, 2.5), np.minimum(0.5, hind))
    end_mid = np.where(failed, np.maximum(1.5, mid - 1.0), np.minimum(end_mid, mid))
    end_hind = np.where(failed, np.maximum(1.5, hind - 0.5), np.minimum(end_hind, hind))
    lines["pirani_midfoot"] = _halves(mid + (end_mid - mid) * done**0.8)
    lines["pirani_hindfoot"] = _halves(hind + (end_hind - hind) * done**1.6)
    after = np.isin(stage, ("fitting", "brace", "relapse", "refitting", "recast", "transfer"))
    after |= np.isin(stage, ("tenotomy_again",))
    settled = np.where(rng.random(n) < 0.35, 0.5, 0.0)[foot]
    back = np.isin(stage, ("relapse", "recast", "transfer", "tenotomy_again"))
    rise_mid = np.where(rng.random(n) < 0.5, 1.0, 0.5)[foot]
    rise_hind = np.where(rng.random(n) < 0.6, 1.0, 0.5)[foot]
    lines.loc[after, "pirani_midfoot"] = np.where(back, rise_mid, 0.0)[after]
    lines.loc[after, "pirani_hindfoot"] = (settled + np.where(back, rise_hind, 0.0))[after]
    lines.loc[np.isin(stage, ("release", "after_failure")), "pirani_midfoot"] = np.nan
    first = stage == "start"
    for place, sign in enumerate(SIGNS):
        lines[sign] = np.where(first, network.feet.signs[foot, place], np.nan)
    lines["pirani_total"] = lines["pirani_midfoot"] + lines["pirani_hindfoot"]
    return _hide_scores(lines, rng=rng)


def _hide_scores(lines: pd.DataFrame, *, rng: Generator) -> pd.DataFrame:
    """Return the lines without scores where none are written down."""
    lines = lines.copy()
    stage, draw = lines["stage"].to_numpy(), rng.random(len(lines))
    never = np.isin(stage, ("last_cast", "release", "after_failure", "recast", "transfer"))
    never |= stage == "tenotomy_again"
    often = np.select(
        [stage == "start", stage == "cast", stage == "brace"], [0.015, 0.04, 0.70], default=0.03
    )
    hidden = never | (draw < often)
    scores = ["pirani_midfoot", "pirani_hindfoot", "pirani_total", *SIGNS]
    lines.loc[hidden, scores] = np.nan
    return lines


def add_angles(lines: pd.DataFrame, network: Network, *, rng: Generator) -> pd.DataFrame:
    """Return the lines with abduction and dorsiflexion in steps of five degrees."""
    lines = lines.copy()
    stage = lines["stage"].to_numpy()
    foot = lines["foot"].to_numpy()
    n = network.feet.child.size
    done = _done(lines, network)
    stiff = network.feet.pirani[foot] / 6
    start_abduction, start_dorsiflexion = -10 - 30 * stiff, -15 - 35 * stiff
    cut = network.casting.tenotomy[foot]
    last = np.where(cut, np.where(rng.random(n) < 0.5, -5.0, 0.0)[foot], 10.0)
    abduction = start_abduction + (65 - start_abduction) * done
    dorsiflexion = start_dorsiflexion + (last - start_dorsiflexion) * done**1.5
    good = np.isin(stage, ("fitting", "last_cast", "refitting"))
    abduction = np.where(good, np.where(rng.random(len(lines)) < 0.5, 70, 60), abduction)
    dorsiflexion = np.where(good, np.where(rng.random(len(lines)) < 0.3, 20, 15), dorsiflexion)
    poor = np.isin(stage, ("failed", "after_failure"))
    abduction, dorsiflexion = np.where(poor, 25, abduction), np.where(poor, -10, dorsiflexion)
    brace = stage == "brace"
    dorsiflexion = np.where(brace, 15, dorsiflexion)
    none = np.isin(stage, ("release", "recast", "transfer", "tenotomy_again", "relapse"))
    none |= rng.random(len(lines)) < np.where(brace, 0.75, 0.03)
    lines["abduction_deg"] = np.where(none | brace, np.nan, 5 * np.round(abduction / 5))
    lines["dorsiflexion_deg"] = np.where(none, np.nan, 5 * np.round(dorsiflexion / 5))
    return lines


def add_brace(lines: pd.DataFrame, network: Network, *, rng: Generator) -> pd.DataFrame:
    """Return the lines with the use of the brace as told and the hours a day."""
    lines = lines.copy()
    foot, child, day = (lines[c].to_numpy() for c in ("foot", "child", "day"))
    told = lines["purpose"].eq("brace_review").to_numpy()
    since = day - network.diary.fitted[foot]
    worse = day > network.diary.braced[child] + network.leaving.worse_after_brace[child]
    level = np.minimum(network.children.adherence[child] + worse, 2)
    use = np.array(ADHERENCES, dtype=object)[level]
    by_child = rng.random((network.children.clinic.size, 60))
    # Both feet wear one brace: what is told at a visit holds for both.
    nth = lines.groupby("child")["day"].rank("dense").to_numpy().astype(int) % 60
    draw = by_child[child, nth]
    lines["brace_use"] = np.where(told & (draw > 0.04), use, None)
    full = np.select([level == 0, level == 1], [21 + np.floor(3 * draw), 16 + np.floor(4 * draw)],
                     default=np.nan)  # fmt: skip
    night = np.select(
        [level == 0, level == 1], [12 + np.floor(3 * draw), 7 + np.floor(4 * draw)],
        default=np.floor(4 * draw),
    )  # fmt: skip
    hours = np.where(since <= FULL_TIME_DAYS, full, night)
    lines["brace_hours"] = np.where(told & (draw > 0.10) & (draw < 0.97), hours, np.nan)
    return lines


def add_events(lines: pd.DataFrame, network: Network, *, rng: Generator) -> pd.DataFrame:
    """Return the lines with relapse and its parts, procedures, complications and correction."""
    lines = lines.copy()
    stage = lines["stage"].to_numpy()
    told = lines["purpose"].eq("brace_review").to_numpy()
    draw = rng.random(len(lines))
    relapse = stage == "relapse"
    lines["relapse_noted"] = np.where(relapse, "yes", np.where(told & (draw > 0.02), "no", None))
    for place, part in enumerate(PARTS):
        shows = rng.random(len(lines)) < (0.75, 0.45, 0.40, 0.20)[place]
        lines[f"relapse_{part}"] = np.where(relapse, np.where(shows, "yes", "no"), None)
    none = relapse & (lines[[f"relapse_{p}" for p in PARTS]] == "no").all(axis=1).to_numpy()
    lines.loc[none, "relapse_equinus"] = "yes"
    lines["procedure"] = np.select(
        [stage == "transfer", stage == "release", stage == "tenotomy_again"],
        ["tendon_transfer", "posteromedial_release", "tenotomy"],
        default="",
    )
    lines["complication"] = _complications(lines, rng=rng)
    slipped = lines["complication"].eq("cast_slippage") & (draw < 0.6)
    lines["cast_replaced"] = np.where(slipped, "yes", None)
    box = np.array([clinic.corrected_box for clinic in CLINICS])[lines["clinic"]]
    lines["corrected_noted"] = np.where((stage == "fitting") & box & (draw > 0.05), "yes", None)
    return lines


def _complications(lines: pd.DataFrame, *, rng: Generator) -> NDArray[np.object_]:
    stage, draw = lines["stage"].to_numpy(), rng.random(len(lines))
    asked = np.isin(stage, ("cast", "last_cast", "tenotomy", "recast"))
    later_cast = (stage == "cast") & (lines["number"].to_numpy() > 1)
    return np.select(
        [
            later_cast & (draw < 0.022),
            later_cast & (draw < 0.034),
            later_cast & (draw < 0.040),
            (stage == "tenotomy") & (draw < 0.012),
            (stage == "brace") & (draw < 0.012),
            asked & (draw < 0.97),
        ],
        ["cast_slippage", "skin_lesion", "swelling", "bleeding", "skin_lesion", "none"],
        default="",
    )


def add_outcomes(lines: pd.DataFrame, network: Network, *, rng: Generator) -> pd.DataFrame:
    """Return the lines with the four questions at the end of bracing."""
    lines = lines.copy()
    ends = lines["ends"].to_numpy()
    relapsed = network.diary.seen[lines["foot"]] <= lines["day"].to_numpy()
    good = np.where(relapsed, 0.82, 0.96)
    for name in ("plantigrade", "ordinary_shoe", "caregiver_satisfied"):
        lines[name] = np.where(ends, np.where(rng.random(len(lines)) < good, "yes", "no"), None)
    pain = np.where(rng.random(len(lines)) < good, "no", "yes")
    lines["pain"] = np.where(ends, pain, None)
    return lines
