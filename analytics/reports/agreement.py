"""Refuse to publish numbers that do not agree with each other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from analytics.analyses.consistency import Fault, check_together
from analytics.definitions.labels import label
from analytics.display.words import say
from analytics.errors import BalanceError
from analytics.results import ESTIMATES

#: Faults that a message lists; the rest are counted.
_N_SHOWN = 5


def refuse_faults(faults: Sequence[Fault], language: str) -> None:
    """Raise ``BalanceError`` with the first faults in words, if there is any."""
    if not faults:
        return
    shown = [f"{fault.where}: {say(fault.message, language)}" for fault in faults[:_N_SHOWN]]
    raise BalanceError(
        label(language, "fault.report", n=len(faults)),
        where="; ".join(shown),
        allowed="parts that add up, shares that equal their counts",
        todo="this is a fault of the program: keep the exports and report it",
    )


def check_blocks(blocks: Sequence[Mapping[str, Any]]) -> list[Fault]:
    """Return where tables of one report contradict each other.

    Parameters
    ----------
    blocks
        Data of what the pages show; those of one audience and one cut-off.
    """
    tables = [
        (block["name"], block["groups"], pd.DataFrame(block["frame"]))
        for block in blocks
        if block["shape"] == ESTIMATES.name and block["frame"]
    ]
    multiples = {int(block["policy"]["rounded_to"]) for block in blocks}
    return check_together(tables, max(multiples, default=1))
