"""What a page may show: a result after a policy, and which of its cells were withheld."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from analytics.definitions.policies import Policy
from analytics.results import Context, Phrase, Result, Shape

_TYPES = {"count": "Int64", "figure": "Float64", "time": "Float64", "code": "string"}


@dataclass(frozen=True)
class Released:
    """A result after a policy; the only thing that a drawer accepts.

    Parameters
    ----------
    shape, context, groups, beside
        As in the result, with what the policy takes away gone.
    frame
        The frame of the result; a withheld cell is missing.
    policy
        The policy that was applied.
    hidden
        Booleans of the same shape as ``frame``: True where a cell was withheld, so that it is not
        taken for a value that could not be worked out.
    notes
        What the policy did, as sentences.
    """

    shape: Shape
    frame: pd.DataFrame
    context: Context
    groups: tuple[str, ...]
    beside: Mapping[str, pd.DataFrame]
    policy: Policy
    hidden: pd.DataFrame
    notes: tuple[Phrase, ...] = ()

    @property
    def name(self) -> str:
        """Return the name of the question with the groups it was split by."""
        return "_by_".join([self.context.question, *self.groups])


def typed(result: Result) -> pd.DataFrame:
    """Return the frame with nullable types by kind of column, rows numbered from 0."""
    wanted = {c: _TYPES[k] for c, k in result.shape.columns.items() if k in _TYPES}
    return result.frame.reset_index(drop=True).astype(wanted)


def nothing_hidden(frame: pd.DataFrame) -> pd.DataFrame:
    """Return booleans of the same shape, all False."""
    return pd.DataFrame(False, index=frame.index, columns=frame.columns)
