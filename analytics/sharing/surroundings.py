"""The context of a public result: no small or exact count, no exact day."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from analytics.definitions.policies import Policy
from analytics.results import Context, Phrase
from analytics.sharing.rounding import round_count

#: Numbers in phrases that count no people: of the method, or of the programme as it stands.
_OF_THE_METHOD = frozenset(
    f"n_{name}"
    for name in (
        "clinics", "clinics_merged", "units", "groups", "levels", "coefficients", "points",
        "periods", "imputations", "cycles", "tries", "runs", "resamples", "causes", "sources",
        "missing_columns",
    )
)  # fmt: skip


def protect_context(context: Context, policy: Policy) -> Context:
    """Return the context as the policy allows: counts rounded, small ones missing, days as months.

    A month is kept as its first day. Counts inside phrases are those whose names begin with
    ``n_``, as everywhere, but for what is no count of people or of what was done to them.
    """
    if policy.smallest_count:
        context = replace(
            context,
            n_feet=round_count(context.n_feet, policy),
            n_children=round_count(context.n_children, policy),
            n_events=round_count(context.n_events, policy),
            exclusions=tuple((key, round_count(n, policy)) for key, n in context.exclusions),
        )
    return replace(
        context,
        cut_off=_as_month(context.cut_off) if policy.months_only else context.cut_off,
        population=protect_phrase(context.population, policy),
        method=protect_phrase(context.method, policy),
        notes=tuple(protect_phrase(note, policy) for note in context.notes),
    )


def protect_phrase(phrase: Phrase, policy: Policy) -> Phrase:
    """Return a phrase with rounded counts and without days; a withheld count is None."""
    return Phrase(phrase.key, {k: _protect_value(k, v, policy) for k, v in phrase.values.items()})


def _protect_value(name: str, value: object, policy: Policy) -> object:
    if isinstance(value, Phrase):
        return protect_phrase(value, policy)
    if isinstance(value, tuple):
        return tuple(_protect_value(name, part, policy) for part in value)
    if isinstance(value, date):
        return _as_month(value) if policy.months_only else value
    if policy.smallest_count and is_count_of_people(name) and isinstance(value, int):
        return round_count(value, policy)
    return value


def is_count_of_people(name: str) -> bool:
    """Return whether a value of a phrase is a count that may not show as it is."""
    return name.startswith("n_") and name not in _OF_THE_METHOD


def _as_month(day: date) -> date:
    return day.replace(day=1)
