"""Questions to a clinic as a whole; never a fault of one record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.definitions.checks import ClinicWindows
from analytics.intake.course import Course
from analytics.intake.frames import stack_frames
from analytics.intake.runs import begins
from analytics.intake.texts import coded_column, factorize, from_codes, plain_texts, share_texts

_ROUND_BIRTHDAYS = (1, 15)
_PRIMARY = ("birth_on", "sex", "diagnosis")
_SEXES = {"boys": "male", "girls": "female"}


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
    feet, of_child = _feet_of(course, children), coded_column(children["clinic"])
    missing = {name: (of_child, children[name].array.isna()) for name in _PRIMARY}
    missing["pirani_total"] = (feet.clinic, np.isnan(feet.score))
    return {
        "tenotomies": _add_up(feet.clinic, {"size": None, "sum": feet.tenotomy}, year=feet.year),
        "sides": _count_sides(feet),
        "sexes": _add_up(of_child, {n: _is(children["sex"], sex) for n, sex in _SEXES.items()}),
        "scores": _add_up(feet.clinic, {"n": None}, score=feet.score),
        "birthdays": _count_birthdays(children),
        "missing": pd.concat(
            [_add_up(clinic, {"size": None, "sum": lacks}).assign(field=name)
             for name, (clinic, lacks) in missing.items()],
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


@dataclass(frozen=True)
class _Feet:
    """Feet that were cast, by child: an array entry for each."""

    child: np.ndarray
    clinic: pd.Categorical
    side: pd.Categorical
    year: np.ndarray
    tenotomy: np.ndarray
    score: np.ndarray


def _feet_of(course: Course, children: pd.DataFrame) -> _Feet:
    """Return the feet that were cast, with the year of the first cast and the first score."""
    first = course.first_of_foot(course.is_cast)
    here = np.flatnonzero(first == np.arange(len(first)))
    scored = course.first_of_foot(~np.isnan(course.total))
    cut = course.first_of_foot(course.is_tenotomy) >= 0
    child, side = (coded_column(pd.Series(course.table.take(name, course.at[here])))
                   for name in ("child", "side"))  # fmt: skip
    own, told = share_texts([child, coded_column(children["child"])])
    clinic = np.full(len(own.categories) + 1, -1)
    clinic[told.codes] = np.arange(len(children))
    return _Feet(
        child=course.child[here],
        clinic=coded_column(children["clinic"]).take(clinic[own.codes], allow_fill=True),
        side=side,
        year=course.day[here].astype("datetime64[D]").astype("datetime64[Y]").astype(np.int32)
        + np.int32(1970),
        tenotomy=cut[here],
        score=course.value_of(course.total, scored[here]),
    )


def _add_up(
    clinic: pd.Categorical, added: dict[str, np.ndarray | None], **key: np.ndarray
) -> pd.DataFrame:
    """Return sums by clinic, or by clinic and numbers; what misses either is left out.

    Parameters
    ----------
    clinic
        Clinic of each of some feet or children.
    added
        Column to truth values that are counted; nothing counts all.
    key
        Further column that names a line.
    """
    (clinic,) = share_texts([clinic])
    known = clinic.codes >= 0
    number, distinct = np.zeros(len(clinic), dtype=np.int64), np.array([0])
    for values in key.values():
        number, found = pd.factorize(values, sort=True)
        known, distinct = known & (number >= 0), found
    width = max(len(distinct), 1)
    at = np.flatnonzero(known)
    line, place = np.unique(clinic.codes[at] * np.int64(width) + number[at], return_inverse=True)
    sums = {
        name: np.bincount(
            place, weights=None if told is None else told[at], minlength=len(line)
        ).astype(np.int64)
        for name, told in added.items()
    }
    of_line = from_codes(line // width, clinic.categories)
    keys = {name: distinct[line % width] for name in key}
    return pd.DataFrame({"clinic": plain_texts(of_line), **keys, **sums})


def _is(texts: pd.Series, text: str) -> np.ndarray:
    """Return where a column has a text."""
    codes, distinct = factorize(texts)
    return np.array([*(one == text for one in distinct), False], dtype=bool)[codes]


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


def _ask_tenotomies(counts: pd.DataFrame, windows: ClinicWindows) -> pd.DataFrame:
    """R17: share of feet with tenotomy among those begun in a clinic and year."""
    mean = counts["sum"].astype(float) / counts["size"]
    odd = (counts["size"] >= windows.tenotomy_fewest) & _outside(mean, windows.tenotomy_share)
    share = (mean * 100).round().astype("Int64").astype(str)
    found = _tell(year=counts["year"], share_tenotomy=share, n_feet=counts["size"])
    return _questions(counts, odd, "R17", found)


def _count_sides(feet: _Feet) -> pd.DataFrame:
    """Count children by the feet that were cast; both feet of a child stand together."""
    first = begins(feet.child)
    both = np.diff(np.append(first, len(feet.child))) == 2
    clinic, side = feet.clinic.take(first), pd.Series(feet.side.take(first))
    counts = _add_up(
        clinic,
        {"both": both, "right": ~both & _is(side, "right"), "left": ~both & _is(side, "left"),
         "n": None},
    )  # fmt: skip
    return counts.astype({"right": "Int64", "left": "Int64"})


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
    """Count exact birth dates, and those on a round day."""
    birth, precision = children["birth_on"], children["birth_precision"]
    exact = ~birth.array.isna() & ~(_is(precision, "month") | _is(precision, "year"))
    at = np.flatnonzero(exact)
    is_round = np.isin(birth.array.take(at).day, _ROUND_BIRTHDAYS)
    return _add_up(coded_column(children["clinic"]).take(at), {"size": None, "sum": is_round})


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
