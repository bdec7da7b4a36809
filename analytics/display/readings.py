"""One row of a released frame, read safely: a value, nothing, or withheld."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from analytics.definitions.labels import label, labels
from analytics.display import measures
from analytics.sharing.protect import Released


@dataclass(frozen=True)
class Row:
    """A row with what of it was withheld.

    Parameters
    ----------
    values
        Column to value; missing is None.
    hidden
        Columns that were withheld.
    groups
        Values of the group columns.
    """

    values: dict[str, object]
    hidden: frozenset[str]
    groups: tuple[object, ...]

    @property
    def why_nothing(self) -> str:
        """Return the word that stands where an estimate is missing."""
        if self.is_hidden:
            return "withheld"
        is_early = self.values.get("denominator") == 0 and (self.values.get("immature") or 0) != 0
        return "too_early" if is_early else "not_estimable"

    def cell(self, name: str) -> object:
        """Return the value of a column, None where there is none."""
        return self.values.get(name)

    def text(self, name: str) -> str:
        """Return the code of a column, empty where there is none."""
        value = self.values.get(name)
        return "" if value is None else str(value)

    def count(self, name: str) -> int | None:
        """Return a count, None where there is none."""
        value = self.values.get(name)
        return None if value is None else int(value)  # type: ignore[call-overload]

    def figure(self, name: str) -> float | None:
        """Return a figure, None where there is none."""
        value = self.values.get(name)
        return None if value is None else float(value)  # type: ignore[arg-type]

    @property
    def estimate(self) -> float | None:
        """Return the estimate."""
        return self.figure("estimate")

    @property
    def lower(self) -> float | None:
        """Return the lower limit."""
        return self.figure("lower")

    @property
    def upper(self) -> float | None:
        """Return the upper limit."""
        return self.figure("upper")

    @property
    def is_hidden(self) -> bool:
        """Return whether the estimate was withheld, or rests on something that was."""
        return (
            "estimate" in self.hidden
            or bool({"denominator", "n"} & self.hidden)
            and (self.estimate is None)
        )


def rows_of(released: Released, frame: pd.DataFrame) -> list[Row]:
    """Return the rows of (a part of) the released frame."""
    columns = list(frame.columns)
    plain = frame.astype(object).where(frame.notna(), None)
    hidden = released.hidden.loc[frame.index].to_numpy()
    places = [columns.index(name) for name in released.groups]
    return [
        Row(
            dict(zip(columns, values, strict=True)),
            frozenset(c for c, gone in zip(columns, mask, strict=True) if gone),
            tuple(values[i] for i in places),
        )
        for values, mask in zip(plain.itertuples(index=False, name=None), hidden, strict=True)
    ]


def written_scale(scale: str, released: Released) -> str:
    """Return the scale by which figures are written: public shares come in steps."""
    return "steps" if scale == "percent" and released.policy.smallest_count else scale


def effect_name(released: Released, language: str) -> str:
    """Return what the figures of an effects result are, as in ``Hazard ratio of relapse``."""
    question = released.context.question
    keys = (f"effect.{name}" for name in (question, question.partition("_")[0]))
    return label(language, next((key for key in keys if key in labels(language)), "effect.other"))


def scale_of_trend(released: Released) -> str:
    """Return the scale of a trend: that of the measure after which its question is named."""
    context = released.context
    if context.question.startswith("cusum_"):
        return "number"
    return measures.scale_of(context.question.removeprefix("trend_"), context.own_measures)


def asked_of(released: Released) -> str:
    """Return the measure after which a question is named, empty where there is none."""
    kind, _, measure = released.context.question.partition("_")
    return measure if kind in ("trend", "clinics", "cusum") else ""


def is_share_of(released: Released) -> bool:
    """Return whether a trend or a comparison is of a share: its numerator is a part."""
    return measures.is_share(asked_of(released), released.context.own_measures)


def scale_of_comparison(released: Released) -> str:
    """Return ``percent`` where every figure is a share, else ``number`` (observed to expected)."""
    if released.groups or not is_share_of(released):
        return "number"
    figures = released.frame[["estimate", "upper"]].max().max()
    return "percent" if pd.isna(figures) or figures <= 1 else "number"
