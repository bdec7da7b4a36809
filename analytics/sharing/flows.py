"""Steps of a flow that few leave, shown as one with a neighbour so that the rest can be shown."""

from __future__ import annotations

import pandas as pd

from analytics.results import FLOW


def merge_few_leaving(frame: pd.DataFrame, smallest: int) -> pd.DataFrame:
    """Return a flow without groups in which no step is left by only a few in all.

    A step that fewer than ``smallest`` units leave would give that number away by what reached it
    less what went on. It becomes one with the next step (the last one with the step before), under
    the later name; reasons that occur in both are added. Steps that do not follow on each other
    stay as they are.
    """
    steps = [rows for _, rows in frame.groupby("step", sort=False)]
    while True:
        few = [i for i, rows in enumerate(steps) if 0 < _leaving(rows) < smallest]
        pairs = [pair for i in few for pair in ((i, i + 1), (i - 1, i)) if _follow(steps, pair)]
        if not pairs:
            return pd.concat(steps, ignore_index=True) if steps else frame
        first, second = pairs[0]
        steps[first : second + 1] = [_join(steps[first], steps[second])]


def _leaving(rows: pd.DataFrame) -> int:
    return int(rows["n_in"].iloc[0] - rows["n_out"].iloc[0])


def _follow(steps: list[pd.DataFrame], pair: tuple[int, int]) -> bool:
    first, second = pair
    if first < 0 or second >= len(steps):
        return False
    return bool(steps[first]["n_out"].iloc[0] == steps[second]["n_in"].iloc[0])


def _join(first: pd.DataFrame, second: pd.DataFrame) -> pd.DataFrame:
    reasons = pd.concat([first, second]).groupby("reason", sort=False)["n_reason"].sum()
    reasons = reasons[reasons.gt(0)] if reasons.gt(0).any() else reasons.iloc[:1]
    joined = reasons.reset_index().assign(
        step=second["step"].iloc[0], n_in=first["n_in"].iloc[0], n_out=second["n_out"].iloc[0]
    )
    return joined[list(FLOW.columns)].astype(first.dtypes)
