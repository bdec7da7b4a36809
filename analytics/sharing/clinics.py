"""Clinics on public pages: the small ones together, the others under letters."""

from __future__ import annotations

import hmac
from collections.abc import Mapping

import pandas as pd

from analytics.results import CURVE, Result

#: Level that stands for the clinics too small to be shown.
OTHER_CLINICS = "other_clinics"

#: Level of a group column that stands for all of its levels together.
TOTAL = "all"


def clinic_column(result: Result) -> str | None:
    """Return the column that names clinics: a group, or the unit of a comparison."""
    if "clinic" in result.groups:
        return "clinic"
    return "unit" if "unit" in result.shape.columns else None


def find_small_clinics(
    result: Result,
    frame: pd.DataFrame,
    smallest: int,
    *,
    codes: Mapping[str, str] | None = None,
) -> list[str]:
    """Return the clinics to be shown as one: each with fewer children, at least two or none.

    Parameters
    ----------
    result
        A result by clinic. ``beside["children"]`` (clinic, one count) gives the children of each;
        without it counts are taken as feet, of which a child has at most two, so a clinic may be
        merged that need not be, never the reverse.
    smallest
        Fewest children of a clinic that may stand alone. The merged row must reach it as well, so
        the next smallest clinics join it until it does.
    codes
        Letters given by the report: a clinic without any is small in all tables of the report, and
        no other is.
    """
    here = frame[str(clinic_column(result))].dropna().unique()
    sizes = _children(result, frame).reindex([c for c in here if c != TOTAL]).fillna(0)
    sizes = sizes.sort_values(kind="stable")
    is_small = (sizes < smallest).to_numpy(dtype=bool)
    least = smallest
    if codes is not None:
        # The same clinics in every table: another set here would give its difference away.
        is_small, least = ~sizes.index.isin(list(codes)), 0
    if not is_small.any():
        return []
    # Those merged first, the rest by size: the next smallest come next.
    sizes = pd.concat([sizes[is_small], sizes[~is_small]])
    n = int(is_small.sum())
    while n < len(sizes) and (n < 2 or sizes.iloc[:n].sum() < least):
        n += 1
    return [str(name) for name in sizes.index[:n]]


def _children(result: Result, frame: pd.DataFrame) -> pd.Series:
    name = clinic_column(result)
    beside = result.beside.get("children")
    if beside is not None:
        (count,) = [c for c in beside.columns if c != "clinic"]
        return beside.set_index("clinic")[count].astype("float64")
    if result.shape is CURVE:
        counts = frame.groupby(name)["at_risk"].max()
    else:
        column = next(c for c in ("n", "n_in", "denominator") if c in frame)
        counts = frame.groupby(name)[column].max()
    feet_each = 1 if result.context.unit == "child" else 2
    return -(-counts.astype("float64") // feet_each)


def merge_clinics(result: Result, frame: pd.DataFrame, small: list[str]) -> pd.DataFrame:
    """Return the frame with these clinics as one.

    Counts are added. Figures cannot be (the interval of a sum is not in the rows), so they are
    missing in the merged rows. Curves have no common steps to add: there they are left out.
    """
    if not small:
        return frame
    name = str(clinic_column(result))
    is_small = frame[name].isin(small)
    if result.shape is CURVE:
        return frame.loc[~is_small].reset_index(drop=True)
    counts = list(result.shape.of_kind("count"))
    keys = [c for c in _key_columns(result) if c in frame]
    merged = frame.loc[is_small].assign(**{name: OTHER_CLINICS})
    merged = merged.groupby(keys, sort=False, dropna=False)[counts].sum(min_count=1).reset_index()
    return _add_rows(frame.loc[~is_small], merged)


def _add_rows(frame: pd.DataFrame, more: pd.DataFrame) -> pd.DataFrame:
    like = more.reindex(columns=frame.columns).astype(frame.dtypes)
    # One column at a time: a frame with a column that is all missing may not be concatenated.
    joined = {c: pd.concat([frame[c], like[c]], ignore_index=True) for c in frame.columns}
    return pd.DataFrame(joined).astype(frame.dtypes)


def _key_columns(result: Result) -> tuple[str, ...]:
    keys = {"measure", "step", "reason", "period", "unit", "variable", "level", "statistic"}
    return (*result.groups, *(c for c in result.shape.columns if c in keys))


def code_clinics(
    result: Result, frame: pd.DataFrame, codes: Mapping[str, str] | None
) -> dict[str, str]:
    """Return clinic to the letters under which it is shown.

    Parameters
    ----------
    codes
        Letters given by the report (``draw_letters``), so that a clinic has the same ones in all
        its tables. Without them letters follow the largest count that is shown, which a reader
        sees anyway: an order by name would give the names away.
    """
    name = str(clinic_column(result))
    clinics = [str(c) for c in frame[name].dropna().unique() if c not in (OTHER_CLINICS, TOTAL)]
    if codes is not None:
        return {clinic: codes[clinic] for clinic in clinics}
    count = result.shape.of_kind("count")[0]
    sizes = frame.groupby(name)[count].max().astype("float64").fillna(-1.0)
    ordered = sorted(clinics, key=lambda clinic: (-sizes[clinic], clinic))
    return {clinic: letters(i) for i, clinic in enumerate(ordered)}


def draw_letters(children: pd.Series, smallest: int, key: bytes) -> dict[str, str]:
    """Return clinic to letters, for the clinics of a report that are not shown as one.

    Letters follow a keyed hash of the code: neither size nor name nor the order of the list tells
    which clinic they stand for, and they stay the same from report to report.

    Parameters
    ----------
    children
        Children of each clinic, by its code.
    smallest
        Fewest children of a clinic that may stand alone.
    key
        Secret of the programme.
    """

    def drawn(clinic: str) -> bytes:
        return hmac.digest(key, f"letters of clinics\x1f{clinic}".encode(), "sha256")

    ordered = sorted(map(str, children.index), key=drawn)
    sizes = children.sort_values(kind="stable")
    n = int((sizes < smallest).sum())
    while n and n < len(sizes) and (n < 2 or sizes.iloc[:n].sum() < smallest):
        n += 1
    small = set(sizes.index[:n])
    alone = [clinic for clinic in ordered if clinic not in small]
    return {clinic: letters(position) for position, clinic in enumerate(alone)}


def letters(position: int) -> str:
    """Return A to Z, then AA, AB and so on."""
    text = ""
    position += 1
    while position:
        position, rest = divmod(position - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def is_by_clinic(result: Result) -> bool:
    """Return whether rows of the result stand for clinics."""
    return clinic_column(result) is not None


def rename_clinics(
    frame: pd.DataFrame, hidden: pd.DataFrame, *, column: str, codes: Mapping[str, str]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return frame and mask under the letters, in their order: row order names nobody."""
    renamed = frame.assign(**{column: frame[column].map(lambda c: codes.get(c, c))})
    renamed[column] = renamed[column].astype(frame[column].dtype)
    shown = sorted(renamed[column].dropna().unique(), key=_place)
    order = renamed[column].map({code: i for i, code in enumerate(shown)}).argsort(kind="stable")
    return (
        renamed.iloc[order].reset_index(drop=True),
        hidden.iloc[order].reset_index(drop=True),
    )


def _place(code: str) -> tuple[bool, bool, int, str]:
    return code == TOTAL, code == OTHER_CLINICS, len(code), code
