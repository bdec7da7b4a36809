"""Questions to a clinic as a whole; never a fault of one record."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analytics.definitions.checks import ClinicWindows
from analytics.intake.course import Course
from analytics.intake.frames import stack_frames

_ROUND_BIRTHDAYS = (1, 15)
_PRIMARY = ("birth_on", "sex", "diagnosis")


#: Table of counts to the columns that name a line of it; the others add up.
COUNTS: dict[str, tuple[str, ...]] = {
    "tenotomies": ("clinic", "year"),
    "sides": ("clinic",),
    "sexes": ("clinic",),
    "scores": ("clinic", "score"),
    "birthdays": ("clinic",),
    "missing": ("field", "clinic"),
}


def count_clinics(course: Course, children: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Return what the questions to clinics rest on; counts of different children add up.

    Parameters
    ----------
    course
        Kept visits in order.
    children
        Merged children with their clinic.

    Returns
    -------
    dict
        Tables of ``COUNTS``.
    """
    feet = _feet_of(course, children)
    return {
        "tenotomies": _count_tenotomies(feet),
        "sides": _count_sides(feet),
        "sexes": _count_sexes(children),
        "scores": feet[feet["score"].notna()].groupby(["clinic", "score"]).size()
        .rename("n").reset_index(),
        "birthdays": _count_birthdays(children),
        "missing": pd.concat(
            [*(_count_missing(children, name, name) for name in _PRIMARY),
             _count_missing(feet, "score", "pirani_total")],
            ignore_index=True,
        ),
    }  # fmt: skip


def add_counts(parts: Sequence[dict[str, pd.DataFrame]]) -> dict[str, pd.DataFrame]:
    """Return the counts of all parts together."""
    return {
        name: stack_frames([part[name] for part in parts])
        .groupby(list(keys), sort=True).sum().reset_index()
        for name, keys in COUNTS.items()
    }  # fmt: skip


def ask_clinics(counts: dict[str, pd.DataFrame], windows: ClinicWindows) -> pd.DataFrame:
    """Return the questions to clinics.

    Parameters
    ----------
    counts
        Counts of all children (``count_clinics``, ``add_counts``).
    windows
        Shares outside which a clinic is asked.

    Returns
    -------
    DataFrame
        ``clinic, rule, found``.
    """
    parts = [
        _ask_tenotomies(counts["tenotomies"], windows),
        _ask_sides(counts["sides"], windows),
        _ask_sexes(counts["sexes"], windows),
        _ask_scores(counts["scores"], windows),
        _ask_birthdays(counts["birthdays"], windows),
        _ask_missing(counts["missing"], windows),
    ]
    return pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)


def _feet_of(course: Course, children: pd.DataFrame) -> pd.DataFrame:
    """Return one row for each foot that was cast: clinic, year, side, tenotomy, first score."""
    first = course.first_of_foot(course.is_cast)
    here = first == np.arange(len(first))
    scored = course.first_of_foot(~np.isnan(course.total))
    cut = course.first_of_foot(course.is_tenotomy) >= 0
    clinic = children.set_index("child")["clinic"]
    feet = course.show(("child", "side", "visited_on"), np.flatnonzero(here))
    return feet.assign(
        clinic=clinic.reindex(feet["child"]).array,
        year=feet["visited_on"].dt.year,
        tenotomy=cut[here],
        score=course.value_of(course.total, scored)[here],
    )


def _questions(counts: pd.DataFrame, odd: pd.Series, rule: str, found: pd.Series) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "clinic": counts.loc[odd, "clinic"].astype("string").array,
            "rule": rule,
            "found": found[odd].astype("string").array,
        }
    )


def _tell(**shown: pd.Series) -> pd.Series:
    """Return "name=value" joined by commas, as the findings of records are told."""
    parts = [f"{name}=" + values.astype(str) for name, values in shown.items()]
    told = parts[0]
    for part in parts[1:]:
        told = told + ", " + part
    return told


def _outside(values: pd.Series, window: tuple[float, float]) -> pd.Series:
    return (values < window[0]) | (values > window[1])


def _count_tenotomies(feet: pd.DataFrame) -> pd.DataFrame:
    return feet.groupby(["clinic", "year"])["tenotomy"].agg(["size", "sum"]).reset_index()


def _ask_tenotomies(counts: pd.DataFrame, windows: ClinicWindows) -> pd.DataFrame:
    """R17: share of feet with tenotomy among those begun in a clinic and year."""
    mean = counts["sum"].astype(float) / counts["size"]
    odd = (counts["size"] >= windows.tenotomy_fewest) & _outside(mean, windows.tenotomy_share)
    share = (mean * 100).round().astype("Int64").astype(str)
    found = _tell(year=counts["year"], share_tenotomy=share, n_feet=counts["size"])
    return _questions(counts, odd, "R17", found)


def _count_sides(feet: pd.DataFrame) -> pd.DataFrame:
    per_child = feet.groupby(["clinic", "child"])["side"].agg(["size", "first"]).reset_index()
    both = per_child["size"] == 2
    one = per_child.assign(
        both=both, right=~both & (per_child["first"] == "right"),
        left=~both & (per_child["first"] == "left"), n=1,
    )  # fmt: skip
    return one.groupby("clinic")[["both", "right", "left", "n"]].sum().reset_index()


def _ask_sides(counts: pd.DataFrame, windows: ClinicWindows) -> pd.DataFrame:
    """R25 and R26: share of children with both feet, and right to left among the others."""
    share = counts["both"] / counts["n"]
    odd = (counts["n"] >= windows.fewest) & _outside(share, windows.bilateral_share)
    found = _tell(n_both_feet=counts["both"], n_children=counts["n"])
    left = counts["left"].astype(float)
    ratio = counts["right"].astype(float) / left.where(left > 0, 0.5)
    enough = counts["right"] + counts["left"] >= windows.fewest
    sides = _tell(n_right=counts["right"], n_left=counts["left"])
    return pd.concat(
        [
            _questions(counts, odd, "R25", found),
            _questions(counts, enough & _outside(ratio, windows.right_to_left), "R26", sides),
        ]
    )


def _count_sexes(children: pd.DataFrame) -> pd.DataFrame:
    said = children.assign(
        boys=children["sex"].eq("male").fillna(False).astype(int),
        girls=children["sex"].eq("female").fillna(False).astype(int),
    )
    return said.groupby("clinic")[["boys", "girls"]].sum().reset_index()


def _ask_sexes(counts: pd.DataFrame, windows: ClinicWindows) -> pd.DataFrame:
    """R25: boys to girls."""
    ratio = counts["boys"] / np.maximum(counts["girls"].to_numpy(dtype=float), 0.5)
    enough = counts["boys"] + counts["girls"] >= windows.fewest
    found = _tell(n_boys=counts["boys"], n_girls=counts["girls"])
    return _questions(counts, enough & _outside(ratio, windows.boys_to_girls), "R25", found)


def _ask_scores(counts: pd.DataFrame, windows: ClinicWindows) -> pd.DataFrame:
    """R27: share of the commonest first score."""
    counts = counts.assign(all=counts.groupby("clinic")["n"].transform("sum"))
    odd = (counts["all"] >= windows.fewest) & (
        counts["n"] >= windows.one_score_share * counts["all"]
    )
    found = _tell(first_score=counts["score"], n_with_it=counts["n"], n_records=counts["all"])
    return _questions(counts, odd, "R27", found)


def _count_birthdays(children: pd.DataFrame) -> pd.DataFrame:
    exact = children[
        children["birth_on"].notna() & ~children["birth_precision"].isin(["month", "year"])
    ]
    return (
        exact.assign(is_round=exact["birth_on"].dt.day.isin(_ROUND_BIRTHDAYS))
        .groupby("clinic")["is_round"]
        .agg(["size", "sum"])
        .reset_index()
    )


def _ask_birthdays(counts: pd.DataFrame, windows: ClinicWindows) -> pd.DataFrame:
    """R27: share of birthdays on the 1st or 15th, among exact dates."""
    odd = (counts["size"] >= windows.fewest) & (
        counts["sum"] > windows.round_birthday_share * counts["size"]
    )
    found = _tell(n_round_birthdays=counts["sum"], n_records=counts["size"])
    return _questions(counts, odd, "R27", found)


def _ask_missing(counts: pd.DataFrame, windows: ClinicWindows) -> pd.DataFrame:
    """R32: share of children or feet without a primary field."""
    place = counts["field"].map({name: n for n, name in enumerate(_PRIMARY)}).fillna(len(_PRIMARY))
    counts = counts.iloc[np.lexsort((counts["clinic"], place))].reset_index(drop=True)
    odd = (counts["size"] >= windows.fewest) & (
        counts["sum"] > windows.missing_share * counts["size"]
    )
    found = _tell(field=counts["field"], n_missing=counts["sum"], n_records=counts["size"])
    return _questions(counts, odd, "R32", found)


def _count_missing(rows: pd.DataFrame, name: str, field: str) -> pd.DataFrame:
    counts = rows[name].isna().groupby(rows["clinic"]).agg(["size", "sum"]).reset_index()
    return counts.assign(field=field)
