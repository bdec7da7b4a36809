"""Children who may be one child under two numbers: a list for a person, and the answers to it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import partial

import pandas as pd

from analytics.definitions.labels import label
from analytics.intake.corrections import CONFIRM, SAME_CHILD
from analytics.intake.doubles import DOUBLE
from analytics.reports.settings import Settings
from analytics.reports.workbook import Sheet, build_workbook

#: File of the list within a report; there is none where nobody has a second number.
FILE = "children_to_confirm.xlsx"

_OF_EACH = ("child", "clinic", "file", "sheet", "line", "first_on", "last_on")
PAIR_COLUMNS = (
    "likeness",
    *(f"{name}_{n}" for n in (1, 2) for name in _OF_EACH),
    "answer", "who", "when",
)  # fmt: skip

ONE_CHILD, TWO_CHILDREN = "one_child", "two_children"
_TOLD = re.compile(r"same_child_as=(\w+), likeness=(\d+)")


def build_pairs(doubles: pd.DataFrame, settings: Settings) -> bytes | None:
    """Return the workbook of pairs, the surest first; nothing where there is none.

    Parameters
    ----------
    doubles
        Flags of children who may have two numbers (``Totals.doubles``).
    settings
        For the cut-off and the language.
    """
    pairs = list_pairs(doubles)
    if pairs.empty:
        return None
    say = partial(label, settings.language)
    sheet = Sheet(
        name="1",
        title=say("pair.title"),
        about=(("", say("pair.about.1")), ("", say("pair.about.2"))),
        heads=tuple(say(f"pair.{name}") for name in PAIR_COLUMNS),
        rows=tuple(
            tuple(None if pd.isna(value) else _plain(value) for value in row)
            for row in pairs.itertuples(index=False)
        ),
        choices=(
            (PAIR_COLUMNS.index("answer"), (say("pair.one_child"), say("pair.two_children"))),
        ),
    )
    return build_workbook(
        [sheet], about=say("pair.title"), cut_off=settings.cut_off, language=settings.language
    )


def _plain(value: object) -> object:
    return value.date() if isinstance(value, pd.Timestamp) else value


def list_pairs(doubles: pd.DataFrame) -> pd.DataFrame:
    """Return the pairs of pseudonyms that may be one child.

    Returns
    -------
    DataFrame
        ``PAIR_COLUMNS``, the surest first; of two children the one seen first is the first.
    """
    people = {
        flag.child: {
            **{name: getattr(flag, name) for name in _OF_EACH[:-2]},
            "first_on": flag.on,
            "last_on": pd.Timestamp(flag.last_on),
        }
        for flag in doubles.itertuples(index=False)
    }
    rows = []
    for child, found in zip(doubles["child"], doubles["found"].fillna(""), strict=True):
        for other, likeness in _TOLD.findall(found):
            if other in people and _in_order(people[child], people[other]):
                rows.append({"likeness": int(likeness)} | _beside(people[child], people[other]))
    pairs = pd.DataFrame(rows, columns=list(PAIR_COLUMNS))
    order = ["likeness", "child_1", "child_2"]
    return pairs.sort_values(order, ascending=[False, True, True], ignore_index=True)


def _in_order(one: Mapping[str, object], other: Mapping[str, object]) -> bool:
    return (str(one["first_on"]), str(one["child"])) < (str(other["first_on"]), str(other["child"]))


def _beside(one: Mapping[str, object], other: Mapping[str, object]) -> dict[str, object]:
    return {f"{name}_{n}": who[name] for n, who in ((1, one), (2, other)) for name in _OF_EACH}


def corrections_of(answer: str, cells: Mapping[str, str]) -> Iterator[dict[str, str]]:
    """Yield the corrections that an answer about a pair makes.

    Parameters
    ----------
    answer
        ``ONE_CHILD`` or ``TWO_CHILDREN``.
    cells
        What the line of the list says, by ``PAIR_COLUMNS``.
    """
    told = {name: cells[name] for name in ("who", "when")}
    if answer == ONE_CHILD:
        yield told | {"action": SAME_CHILD, "child": cells["child_2"], "after": cells["child_1"]}
        return
    for n in (1, 2):
        place = {name: cells[f"{name}_{n}"] for name in ("file", "sheet", "line", "child")}
        yield told | place | {"action": CONFIRM, "rule": DOUBLE}
