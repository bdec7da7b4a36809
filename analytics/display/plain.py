"""What a result says in plain words: how many of a hundred, how sure, and of how many."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from math import ceil, floor

from analytics.definitions.labels import label, labels
from analytics.display import measures, numbers
from analytics.display.readings import Row, rows_of
from analytics.results import ESTIMATES
from analytics.sharing.protect import Released


@dataclass(frozen=True)
class Claim:
    """One thing said: its figure, what it is a figure of, and how sure it is and of how many."""

    figure: str
    words: str
    basis: str

    def __str__(self) -> str:
        return " ".join(filter(None, (self.figure, self.words, self.basis)))


def list_claims(released: Released, language: str) -> tuple[Claim, ...]:
    """Return what a result says in plain words, one claim for each of its measures.

    Parameters
    ----------
    released
        Estimates; other shapes say who was counted and nothing else.
    language
        Language of the words.
    """
    claims = list(_who(released, language))
    if released.shape is ESTIMATES:
        for measure, rows in released.frame.groupby("measure", sort=False):
            claims += [
                _claim(str(measure), row, released, language) for row in rows_of(released, rows)
            ]
    if claims:
        return tuple(claims)
    key = f"plain.nothing.{released.context.question}"
    return (Claim("", label(language, key), ""),) if key in labels(language) else ()


def _who(released: Released, language: str) -> Iterator[Claim]:
    """Yield who was reached, where that is the question."""
    context, key = released.context, f"plain.who.{released.context.question}"
    counts = (context.n_children, context.n_feet, context.n_clinics)
    if key not in labels(language) or any(n is None for n in counts):
        return
    children, feet, clinics = (int(n or 0) for n in counts)
    say = partial(label, language)
    yield Claim(
        numbers.counted(children, "child", language),
        say(key, feet=numbers.counted(feet, "foot", language)),
        say(f"{key}_basis", clinics=numbers.counted(clinics, "clinic", language)),
    )


def _claim(measure: str, row: Row, released: Released, language: str) -> Claim:
    say = partial(label, language)
    words = say(f"plain.claim.{measure}")
    if row.is_hidden or row.estimate is None:
        return Claim(say("plain.no_figure"), words, say(f"plain.{row.why_nothing}"))
    if f"plain.money.{measure}" in labels(language):
        return _money(measure, row, released, language)
    unit = measures.unit_of(measure, released.context.unit, released.context.own_measures)
    figure = say(f"plain.of_hundred.{unit}", n=_hundredths(row.estimate, language))
    if released.policy.smallest_count and row.estimate in (0.0, 1.0):
        # In steps either may stand for a few on the other side.
        figure = say(f"plain.nearly_{'all' if row.estimate else 'none'}.{unit}")
    return Claim(figure, words, _basis(row, unit, language))


def _hundredths(share: float, language: str) -> str:
    """Return how many of a hundred; nearly none and nearly all are not called none and all."""
    n = round(100 * share)
    return numbers.count(min(max(n, 1), 99) if 0 < share < 1 else n, language)


def _basis(row: Row, unit: str, language: str) -> str:
    n, whole, told = row.count("denominator"), row.count("n"), []
    if row.lower is not None and row.upper is not None:
        lower, upper = floor(100 * row.lower), ceil(100 * row.upper)
        told.append(label(language, "plain.between", lower=lower, upper=upper))
    if n is not None and whole is not None:
        counted = numbers.counted(whole, unit, language)
        told.append(label(language, "plain.counted", n=numbers.count(n, language), whole=counted))
    return " ".join(told)


def _money(measure: str, row: Row, released: Released, language: str) -> Claim:
    say = partial(label, language)
    values = {
        "amount": numbers.rounded(row.estimate or 0.0, language),
        "spent": numbers.count(row.count("numerator") or 0, language),
        "period": str(released.context.population.values["period"]),
        "currency": row.groups[0],
        "n": numbers.count(row.count("denominator") or 0, language),
    }
    return Claim(
        say("plain.amount", **values),
        say(f"plain.claim.{measure}"),
        say(f"plain.money.{measure}", **values),
    )
