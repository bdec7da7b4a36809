"""How a drawn table of feet with their verdicts is checked against an indicator."""

from __future__ import annotations

from drawn import cohort_of, drawn

from analytics.analyses.verdicts import VERDICTS, find_verdicts
from analytics.definitions.indicators import INDICATORS

CUT_OFF = "2026-01-01"


def check_verdicts(code: str, text: str) -> None:
    """Assert the verdict of every unit drawn, and that every verdict it can have is drawn."""
    table = drawn(text)
    indicator = INDICATORS[code]
    found = find_verdicts(cohort_of(table.drop(columns="verdict"), cut_off=CUT_OFF), indicator)
    assert found.tolist() == table.loc[found.index, "verdict"].tolist()
    assert set(VERDICTS) - impossible(code) == set(found)


def impossible(code: str) -> set[str]:
    """Return verdicts that an indicator cannot give.

    Nothing to mature, nothing to be unknown, or no question of yes and no.
    """
    indicator = INDICATORS[code]
    never = set() if indicator.origin else {"immature"}
    known_of_all = ("traced", "baseline_score", "lost_first_year")
    is_never_unknown = code.startswith("missing_") or code in known_of_all
    if indicator.kind in ("ratio", "spread"):
        never = never | {"no"}
    return never | ({"unknown"} if is_never_unknown else set())
