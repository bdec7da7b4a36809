"""What estimates say: each by itself, and groups against each other."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import pandas as pd

from analytics.definitions.hypotheses import IMBALANCE
from analytics.definitions.labels import label
from analytics.display import measures, numbers, terms
from analytics.display.readings import Row, rows_of, written_scale
from analytics.sharing.protect import Released

#: Groups that are the same feet seen in several ways, so that no group differs from another.
SAME_FEET = ("method", "definition", "multiple")

#: A part and the whole that it belongs to, which differ by more than intervals can tell.
PART_AND_WHOLE = "whose"


def count_words(value: object, language: str) -> str:
    """Return a count, or the words for one that is too small to show."""
    if pd.isna(value):
        return label(language, "word.few")
    return numbers.count(int(value), language)  # type: ignore[call-overload]


def tell_estimates(released: Released, language: str) -> tuple[str, ...]:
    """Return a sentence for each measure, or how its groups compare."""
    told: list[str] = []
    said_of = ""
    for measure, rows in released.frame.groupby("measure", sort=False):
        read = rows_of(released, rows)
        if released.groups == (PART_AND_WHOLE,):
            told.append(_beside(str(measure), read, released, language))
            continue
        if released.groups:
            told += _compare(str(measure), read, released, language)
            continue
        found = [_estimate(str(measure), row, released, language) for row in read]
        # The quantiles of one indicator leave out the same units: said once.
        if str(measure).split(".")[0] != said_of:
            asked = measures.asks(
                str(measure), released.context.unit, released.context.own_measures
            )
            pairs = zip(found, read, strict=True)
            found = [_not_counted(told, row, asked, language) for told, row in pairs]
        told += found
        said_of = str(measure).split(".")[0]
    return tuple(told)


def _estimate(measure: str, row: Row, released: Released, language: str) -> str:
    words = measures.name_of(measure, language, released.context.own_measures)
    if row.is_hidden:
        return label(language, "sentence.estimate_hidden", measure=words)
    unit = measures.unit_of(measure, released.context.unit, released.context.own_measures)
    n = row.count("denominator")
    values = {
        "measure": words,
        "denominator": count_words(n, language),
        "units": numbers.units(n, unit, language),
    }
    if row.estimate is None:
        return label(language, "sentence.estimate_none", **values)
    write = partial(
        measures.write,
        scale=_scale(measure, released),
        language=language,
    )
    values["estimate"] = write(row.estimate)
    if n is None and row.lower is not None and row.upper is not None:
        ends = {"lower": write(row.lower), "upper": write(row.upper)}
        return label(language, "sentence.estimate_bare", **values, **ends)
    if row.lower is None or row.upper is None:
        return label(language, "sentence.estimate_plain", **values)
    return label(
        language, "sentence.estimate", **values, lower=write(row.lower), upper=write(row.upper)
    )


def _not_counted(estimate: str, row: Row, asked: str, language: str) -> str:
    """Return the sentence with what was not counted, where something was not."""
    unsaid = label(language, "word.few")
    parts = [
        label(
            language,
            f"sentence.not_counted_{name}",
            n=unsaid if name in row.hidden else count_words(row.count(name), language),
        )
        for name in ("outside", "immature", "unknown")
        if row.count(name) is None or row.count(name)
    ]
    if not parts or row.count("n") is None:
        return estimate
    total = row.count("n") or 0
    n = f"{count_words(total, language)} {numbers.units(total, asked, language)}"
    return label(language, "sentence.not_counted", estimate=estimate, n=n, parts=", ".join(parts))


def _scale(measure: str, released: Released) -> str:
    return written_scale(measures.scale_of(measure, released.context.own_measures), released)


def _compare(measure: str, read: list[Row], released: Released, language: str) -> list[str]:
    words = measures.name_of(measure, language, released.context.own_measures)
    first, last = released.groups[0], released.groups[-1]
    if first in SAME_FEET:
        return _range(words, read, first, released=released, language=language)
    if last in _TOLD_APART:
        return _TOLD_APART[last](measure, read, released, language)
    known = [row for row in read if row.lower is not None and row.upper is not None]
    told = []
    n, total = sum(row.estimate is None for row in read), len(read)
    if n:
        told.append(label(language, "sentence.groups_hidden", measure=words, n=n, total=total))
    if len(known) < 2:
        return told
    say = partial(label, language, measure=words)
    if released.groups == ("quarter",):
        return [_first_to_last(known, measure, released, language), *told]
    lowest_top = min(known, key=lambda row: row.upper or 0.0)
    highest_base = max(known, key=lambda row: row.lower or 0.0)
    if (highest_base.lower or 0.0) <= (lowest_top.upper or 0.0):
        return [say("sentence.together"), *told]
    if len(known) > 2:
        return [say("sentence.differ_somewhere", n=len(known)), *told]
    write = partial(_named, measure=measure, released=released, language=language)
    (high, high_value), (low, low_value) = write(highest_base), write(lowest_top)
    values = {"high": high, "high_value": high_value, "low": low, "low_value": low_value}
    return [say("sentence.apart", **values), *told]


def _due(measure: str, read: list[Row], released: Released, language: str) -> list[str]:
    """Say what fell due in this quarter against the last, then since the start."""
    quarters = [row for row in read if row.text("quarter_due") != "all"]
    known = [row for row in quarters if row.lower is not None and row.upper is not None]
    words = measures.name_of(measure, language, released.context.own_measures)
    told = []
    if len(known) == len(quarters) > 1:
        told.append(_first_to_last(known, measure, released, language))
    else:
        n, total = len(quarters) - len(known), len(quarters)
        told.append(label(language, "sentence.groups_hidden", measure=words, n=n, total=total))
    write = partial(_named, measure=measure, released=released, language=language)
    told += [
        label(language, "sentence.since_start", measure=words, value=write(row)[1])
        for row in read
        if row not in quarters and row.estimate is not None
    ]
    return told


def _last_two(measure: str, read: list[Row], released: Released, language: str) -> list[str]:
    """Say the two latest of figures that are counts, without a claim about them."""
    known = sorted((r for r in read if r.estimate is not None), key=lambda r: str(r.groups[0]))
    if len(known) < 2:
        return []
    write = partial(_named, measure=measure, released=released, language=language)
    (before, before_value), (last, last_value) = write(known[-2]), write(known[-1])
    values = {"before": before, "before_value": before_value}
    words = measures.name_of(measure, language, released.context.own_measures)
    values |= {"last": last, "last_value": last_value, "measure": words}
    return [label(language, "sentence.last_two", **values)]


def _beside(measure: str, read: list[Row], released: Released, language: str) -> str:
    own = released.context.own_measures
    words, scale = measures.name_of(measure, language, own), _scale(measure, released)
    found = {
        str(row.groups[0]): label(language, f"word.{row.why_nothing}")
        if row.estimate is None
        else measures.write(row.estimate, scale, language)
        for row in read
    }
    return label(language, "sentence.beside_network", measure=words, **found)


def _range(
    words: str, read: list[Row], group: str, *, released: Released, language: str
) -> list[str]:
    found = [row.estimate for row in read if row.estimate is not None]
    if len(found) < 2:
        n, total = len(read) - len(found), len(read)
        return [label(language, "sentence.groups_hidden", measure=words, n=n, total=total)]
    scale = written_scale("percent", released)
    low, high = (measures.write(end(found), scale, language) for end in (min, max))
    name = terms.column(group, language)
    values = {"low": low, "high": high, "group": terms.within(name)}
    return [label(language, "sentence.same_feet", measure=words, **values)]


def _first_to_last(known: list[Row], measure: str, released: Released, language: str) -> str:
    ordered = sorted(known, key=lambda row: str(row.groups[0]))
    first, last = ordered[0], ordered[-1]
    apart = (first.lower or 0.0) > (last.upper or 0.0) or (last.lower or 0.0) > (first.upper or 0.0)
    key = f"sentence.first_to_last_{'apart' if apart else 'together'}"
    write = partial(_named, measure=measure, released=released, language=language)
    (first_name, first_value), (last_name, last_value) = write(first), write(last)
    return label(
        language,
        key,
        measure=measures.name_of(measure, language, released.context.own_measures),
        first=first_name,
        first_value=first_value,
        last=last_name,
        last_value=last_value,
    )


def _named(row: Row, *, measure: str, released: Released, language: str) -> tuple[str, str]:
    value = measures.write(row.estimate or 0.0, _scale(measure, released), language)
    return terms.group(released.groups, row.groups, language), value


def _each(measure: str, read: list[Row], released: Released, language: str) -> list[str]:
    """Say each figure with its range, without comparing them."""
    write = partial(_named, measure=measure, released=released, language=language)
    words = measures.name_of(measure, language, released.context.own_measures)
    scale = _scale(measure, released)
    told = []
    for row in (row for row in read if row.estimate is not None):
        group, value = write(row)
        if row.lower is not None and row.upper is not None:
            lower, upper = (measures.write(e, scale, language) for e in (row.lower, row.upper))
            ends = {"estimate": value, "lower": lower, "upper": upper}
            value = label(language, "sentence.ranged", **ends)
        told.append(label(language, "sentence.each", measure=words, group=group, value=value))
    return told


def _balance(measure: str, read: list[Row], released: Released, language: str) -> list[str]:
    """Say which variables lie further apart than custom calls balanced."""
    limit = numbers.decimal(IMBALANCE, language, places=1)
    known = [row for row in read if row.estimate is not None]
    out = [row for row in known if abs(row.estimate or 0.0) > IMBALANCE]
    names = [terms.group(released.groups, row.groups, language) for row in out]
    told = [label(language, "sentence.balanced", limit=limit, n=len(known))]
    if names:
        told = [label(language, "sentence.unbalanced", limit=limit, names=", ".join(names))]
    n = len(read) - len(known)
    if n:
        words = measures.name_of(measure, language)
        told.append(label(language, "sentence.groups_hidden", measure=words, n=n, total=len(read)))
    return told


def _needed(measure: str, read: list[Row], released: Released, language: str) -> list[str]:
    """Say how many it takes for each ratio."""
    parts = [
        label(language, "sentence.needed_part", n=n, ratio=ratio)
        for row in read
        if row.estimate is not None
        for ratio, n in (_named(row, measure=measure, released=released, language=language),)
    ]
    if not parts:
        return []
    words = measures.name_of(measure, language)
    return [label(language, "sentence.needed", measure=words, parts=", ".join(parts))]


#: Groups that are told in their own way. Money of two periods or currencies is not compared, and
#: those of a parameter are one figure as an assumption moves: their limits are none of chance.
_TOLD_APART: dict[str, Callable[[str, list[Row], Released, str], list[str]]] = {
    "currency": _each,
    "parameter": _each,
    "quarter_done": _last_two,
    "quarter_due": _due,
    "variable": _balance,
    "ratio_to_find": _needed,
}
