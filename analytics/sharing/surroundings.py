"""The context of a public result: no small count, no exact day."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from analytics.definitions.policies import Policy
from analytics.results import Context, Phrase


def protect_context(context: Context, policy: Policy) -> Context:
    """Return the context as the policy allows: small counts missing, dates as months.

    A month is kept as its first day. Counts inside phrases are those whose names begin with
    ``n_``, as everywhere.
    """
    if policy.smallest_count:
        context = replace(
            context,
            n_feet=_not_small(context.n_feet, policy.smallest_count),
            n_children=_not_small(context.n_children, policy.smallest_count),
            n_events=_not_small(context.n_events, policy.smallest_count),
            exclusions=_protect_exclusions(context.exclusions, policy.smallest_count),
        )
    return replace(
        context,
        cut_off=_as_month(context.cut_off) if policy.months_only else context.cut_off,
        population=protect_phrase(context.population, policy),
        method=protect_phrase(context.method, policy),
        notes=tuple(protect_phrase(note, policy) for note in context.notes),
    )


def protect_phrase(phrase: Phrase, policy: Policy) -> Phrase:
    """Return a phrase without small counts and exact days; a withheld count is None."""
    return Phrase(phrase.key, {k: _protect_value(k, v, policy) for k, v in phrase.values.items()})


def _protect_value(name: str, value: object, policy: Policy) -> object:
    if isinstance(value, Phrase):
        return protect_phrase(value, policy)
    if isinstance(value, tuple):
        return tuple(_protect_value(name, part, policy) for part in value)
    if isinstance(value, date):
        return _as_month(value) if policy.months_only else value
    if name.startswith("n_") and isinstance(value, int):
        return _not_small(value, policy.smallest_count)
    return value


def _protect_exclusions(
    exclusions: tuple[tuple[str, int | None], ...], smallest: int
) -> tuple[tuple[str, int | None], ...]:
    """Withhold small counts, and the next smallest where one alone would be the rest of a sum."""
    small = {i for i, (_, n) in enumerate(exclusions) if n is not None and 0 < n < smallest}
    others = [i for i in range(len(exclusions)) if i not in small and exclusions[i][1]]
    if len(small) == 1 and others:
        small.add(min(others, key=lambda i: exclusions[i][1] or 0))
    return tuple((key, None if i in small else n) for i, (key, n) in enumerate(exclusions))


def _not_small(value: int | None, smallest: int) -> int | None:
    return None if value is not None and 0 < value < smallest else value


def _as_month(day: date) -> date:
    return day.replace(day=1)
