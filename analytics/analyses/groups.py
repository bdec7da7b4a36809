"""Groups of feet by columns, and frames in the types of their shape."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analytics.results import Shape

_TYPES = {"count": "Int64", "figure": "Float64", "code": "string", "time": "Float64"}


def find_groups(feet: pd.DataFrame, by: Sequence[str]) -> tuple[list[str], pd.Series, pd.DataFrame]:
    """Return group columns, the group of every foot (-1: none), and the groups in order.

    Parameters
    ----------
    feet
        One row per foot.
    by
        Its columns; a foot without a value in one of them is in no group.
    """
    names = list(by)
    if not names:
        return names, pd.Series(0, index=feet.index), pd.DataFrame(index=[0])
    labels = feet[names].dropna().drop_duplicates().sort_values(names).reset_index(drop=True)
    keyed = labels.assign(code=np.arange(len(labels)))
    codes = feet[names].merge(keyed, on=names, how="left")["code"].fillna(-1).astype("int64")
    return names, pd.Series(codes.to_numpy(), index=feet.index), labels


def typed(frame: pd.DataFrame, shape: Shape, names: Sequence[str]) -> pd.DataFrame:
    """Return the groups and the columns of a shape, in order, in their types."""
    wanted = {name: _TYPES[kind] for name, kind in shape.columns.items()}
    return frame[[*names, *wanted]].astype(wanted)


def join(parts: Sequence[pd.DataFrame], shape: Shape) -> pd.DataFrame:
    """Return parts in one frame; without any, an empty one with the group and all columns."""
    if parts:
        return pd.concat(parts, ignore_index=True)
    return pd.DataFrame(columns=["group", *shape.columns])
