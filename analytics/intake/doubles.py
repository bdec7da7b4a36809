"""Children who may be one child under two numbers (R04): told with how alike they are."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date

import numpy as np
import pandas as pd

from analytics.definitions.checks import CHECKS
from analytics.definitions.codes import SIDES
from analytics.definitions.likeness import (
    BASE,
    OF_KNOWN_SEX,
    OF_ORDER,
    OF_PRECISION,
    OF_SAME_FEET,
)
from analytics.intake import accounts
from analytics.intake.amend import FLAGGED, flag_visits
from analytics.intake.course import Course
from analytics.intake.ledger import FLAG_COLUMNS
from analytics.intake.runs import begins
from analytics.intake.texts import fill_texts, from_codes, repeat_text

DOUBLE = "R04"

#: The ordinal of 1970-01-01.
_DAY_0 = date(1970, 1, 1).toordinal()

#: Children of one mark up to which each is compared with all others.
MOST_ALIKE = 20

#: What a pair is judged by, as texts; ``mark`` is equal where name key, birth and sex are.
EVIDENCE = ("mark", "sex", "precision", "feet", "first_on", "last_on")


def mark_doubles(course: Course, rows: pd.DataFrame) -> pd.DataFrame:
    """Return a flag for the first visit of each child that could have a second number.

    Parameters
    ----------
    course
        Kept visits in order.
    rows
        Input rows by ``seq``.

    Returns
    -------
    DataFrame
        Columns of the ledger's flags, then ``EVIDENCE``.
    """
    first = course.first_of_child(np.ones(len(course.day), dtype=bool))
    here = np.flatnonzero(
        (first == np.arange(len(first))) & course.is_known("link") & course.is_known("birth_on")
    )
    code = course.child[here]
    first_on, last_on = _tell_days(*(days[code] for days in _ends(course)))
    visits = course.show((*FLAGGED, "link", "birth_on", "birth_precision", "sex"), here)
    sex = fill_texts(visits["sex"], "")
    marked = pd.DataFrame({name: visits[name] for name in ("link", "birth_on")} | {"sex": sex})
    flags = flag_visits(
        visits, rule=DOUBLE, severity=CHECKS[DOUBLE].severity, found=repeat_text("", len(here))
    )
    evidence = {
        **flags,
        "mark": pd.util.hash_pandas_object(marked, index=False, categorize=False).to_numpy(),
        "sex": sex,
        "precision": fill_texts(visits["birth_precision"], "day"),
        "feet": from_codes(_feet(course)[code], ["", "left", "right", "left+right"]),
        "first_on": first_on,
        "last_on": last_on,
    }
    return accounts.build_flags([evidence], rows, further=EVIDENCE)


def _ends(course: Course) -> tuple[np.ndarray, np.ndarray]:
    """Return the first and the last day of each child's visits."""
    begin = begins(course.child)
    if not len(begin):
        return course.day, course.day
    return np.minimum.reduceat(course.day, begin), np.maximum.reduceat(course.day, begin)


def _tell_days(first: np.ndarray, last: np.ndarray) -> tuple[pd.Categorical, pd.Categorical]:
    codes, distinct = pd.factorize(np.concatenate([first, last]))
    texts = pd.Index(
        [date.fromordinal(day + _DAY_0).isoformat() for day in distinct.tolist()], dtype=object
    )
    return from_codes(codes[: len(first)], texts), from_codes(codes[len(first) :], texts)


def _feet(course: Course) -> np.ndarray:
    """Return for each child 1 for visits of the left foot, 2 of the right, 3 of both."""
    begin = begins(course.child)
    if not len(begin):
        return np.array([], dtype=np.int64)
    told = course.says("side", SIDES[0]) + 2 * course.says("side", SIDES[1]).astype(np.int64)
    return np.bitwise_or.reduceat(told, begin)


def tell_doubles(marked: pd.DataFrame) -> pd.DataFrame:
    """Return the flags of children who share their mark, with whom, and how alike they are.

    A child who shares its mark with more than ``MOST_ALIKE`` is told with how many, and with those
    who began next before and after it: so many have a name in common that is none.

    Parameters
    ----------
    marked
        ``mark_doubles`` of all children together.

    Returns
    -------
    DataFrame
        Columns of the ledger's flags, and ``last_on``.
    """
    doubles = marked[marked["mark"].duplicated(keep=False)]
    people = doubles.to_dict("records")
    told: list[list[str]] = [[] for _ in people]
    for rows in doubles.reset_index().groupby("mark", sort=False).indices.values():
        for one, other in _pairs(people, [*rows]):
            likeness = count_likeness(people[one], people[other])
            for own, with_ in ((one, other), (other, one)):
                told[own].append(f"same_child_as={people[with_]['child']}, likeness={likeness}")
        if len(rows) > MOST_ALIKE:
            for row in rows:
                told[row].append(f"n_alike={len(rows) - 1}")
    found = pd.array([", ".join(texts) for texts in told], dtype="string")
    return doubles.assign(found=found)[[*FLAG_COLUMNS, "last_on"]]


def _pairs(people: Sequence[Mapping[str, str]], rows: list[int]) -> Iterator[tuple[int, int]]:
    """Yield the pairs of children of one mark: of very many, those whose care is closest."""
    reach = len(rows)
    if len(rows) > MOST_ALIKE:
        rows = sorted(rows, key=lambda row: (people[row]["first_on"], people[row]["child"]))
        reach = MOST_ALIKE // 2
    for place, one in enumerate(rows):
        for other in rows[place + 1 : place + 1 + reach]:
            yield one, other


def count_likeness(one: Mapping[str, str], other: Mapping[str, str]) -> int:
    """Return how many points speak for two children being one.

    Parameters
    ----------
    one, other
        ``EVIDENCE`` of each; their marks are equal.
    """
    exact = min(OF_PRECISION.get(person["precision"], 0) for person in (one, other))
    in_order = one["last_on"] <= other["first_on"] or other["last_on"] <= one["first_on"]
    return (
        BASE
        + exact
        + OF_KNOWN_SEX * bool(one["sex"])
        + OF_SAME_FEET * (one["feet"] == other["feet"])
        + OF_ORDER * in_order
    )
