"""Whether the numbers of a table from elsewhere can be worked out from each other."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pandas as pd

from analytics.analyses.consistency import Fault
from analytics.results import Phrase

#: Columns of the table; only ``label`` is needed.
COLUMNS = {
    "label": "what the line says; lines of one label must say the same",
    "table": "which table or paper the line stands in",
    "unit": "what k and n count: child, foot, cast, visit, ...",
    "k": "how many",
    "n": "of how many; empty where the table does not say",
    "percent": "as printed, with its decimals",
    "children": "children in all",
    "feet": "feet in all",
    "left": "children with only the left foot affected",
    "right": "children with only the right foot affected",
    "unilateral": "children with one foot affected, where the side is not told",
    "bilateral": "children with both feet affected",
    "part_of": "label of the line of which this one is a part; the parts must add up to it",
}
COUNTS = ("k", "n", "children", "feet", "left", "right", "unilateral", "bilateral")
_UNITS_OF = {"children": "child", "feet": "foot"}


@dataclass(frozen=True)
class _Size:
    """How many units a table holds in all, as printed or as its parts make them."""

    name: str
    unit: str
    value: int


def recompute(lines: pd.DataFrame) -> list[Fault]:
    """Return every number of a table that does not follow from the others.

    Parameters
    ----------
    lines
        Columns of ``COLUMNS``: counts as nullable integers, ``percent`` as the text printed.

    Returns
    -------
    list of Fault
        ``percent`` (not k of n), ``another_denominator`` (k of another total of the table),
        ``unit`` (not labelled), ``feet`` and ``children`` (do not follow from the sides),
        ``total`` (parts do not add up), ``part`` (more than its whole), ``differs`` (a label told
        twice with different numbers).
    """
    sizes = {table: _find_sizes(part) for table, part in lines.groupby("table", dropna=False)}
    faults: list[Fault] = []
    for _, line in lines.iterrows():
        faults += _check_sides(line)
        faults += _check_share(line, sizes.get(line["table"], []))
    return [*faults, *_check_parts(lines), *_check_repeats(lines)]


def _find_sizes(lines: pd.DataFrame) -> list[_Size]:
    found = []
    for column, unit in _UNITS_OF.items():
        for value in lines[column].dropna().unique():
            found.append(_Size(column, unit, int(value)))
    for _, line in lines.iterrows():
        sides = _sides(line)
        if sides is not None:
            one, two = sides
            found += [_Size("children", "child", one + two), _Size("feet", "foot", one + 2 * two)]
    return list(dict.fromkeys(found))


def _sides(line: pd.Series) -> tuple[int, int] | None:
    """Return children with one foot affected and with both, where the line says so."""
    if pd.isna(line["bilateral"]):
        return None
    if not pd.isna(line["unilateral"]):
        return int(line["unilateral"]), int(line["bilateral"])
    if pd.isna(line["left"]) or pd.isna(line["right"]):
        return None
    return int(line["left"]) + int(line["right"]), int(line["bilateral"])


def _check_sides(line: pd.Series) -> Iterator[Fault]:
    sides = _sides(line)
    if sides is None:
        return
    one, two = sides
    for column, wanted, parts in (
        ("feet", one + 2 * two, f"{one} + 2 x {two}"),
        ("children", one + two, f"{one} + {two}"),
    ):
        if not pd.isna(line[column]) and int(line[column]) != wanted:
            yield _fault(column, line, found=int(line[column]), wanted=wanted, parts=parts)


def _check_share(line: pd.Series, sizes: list[_Size]) -> Iterator[Fault]:
    if pd.isna(line["k"]):
        return
    if pd.isna(line["unit"]):
        yield _fault("unit", line, k=int(line["k"]))
    if pd.isna(line["percent"]):
        yield from _check_part(line)
        return
    k, printed = int(line["k"]), _Printed.read(str(line["percent"]))
    own = [size for size in sizes if size.unit == line["unit"]]
    denominators = [int(line["n"])] if not pd.isna(line["n"]) else [size.value for size in own]
    yield from _check_part(line)
    if not denominators or any(printed.fits(k, n) for n in denominators):
        return
    others = [s for s in sizes if s.unit != line["unit"] and printed.fits(k, s.value)]
    values = {
        "k": k,
        "n": denominators[0],
        "percent": printed.text,
        "wanted": f"{100 * k / denominators[0]:.{printed.places}f}" if denominators[0] else "-",
    }
    if others and not pd.isna(line["unit"]):
        other = others[0]
        yield _fault(
            "another_denominator", line, **values, size=other.value, name=other.name,
            unit=line["unit"],
        )  # fmt: skip
        return
    yield _fault(
        "percent",
        line,
        **values,
        numerators=printed.numerators(denominators[0]),
        denominators=printed.denominators(k),
    )


def _check_part(line: pd.Series) -> Iterator[Fault]:
    if not pd.isna(line["n"]) and int(line["k"]) > int(line["n"]):
        yield _fault("part", line, k=int(line["k"]), n=int(line["n"]))


def _check_parts(lines: pd.DataFrame) -> Iterator[Fault]:
    keyed = lines.loc[lines["part_of"].notna()]
    for (table, whole), parts in keyed.groupby(["table", "part_of"], dropna=False):
        same = lines["label"].eq(whole) & (lines["table"].eq(table) | pd.isna(table))
        total = lines.loc[same.fillna(False).to_numpy(dtype=bool)]
        if total.empty:
            yield Fault("no_whole", str(whole), Phrase("fault.no_whole", {"whole": whole}))
            continue
        added, wanted = parts["k"].sum(min_count=len(parts)), total.iloc[0]["k"]
        if not pd.isna(added) and not pd.isna(wanted) and int(added) != int(wanted):
            text = " + ".join(str(int(k)) for k in parts["k"])
            yield _fault("total", total.iloc[0], found=int(wanted), wanted=int(added), parts=text)


def _check_repeats(lines: pd.DataFrame) -> Iterator[Fault]:
    counts = [name for name in COUNTS if name in lines]
    for _, same in lines.groupby(["label", "unit"], dropna=False):
        for name in counts:
            told = same[name].dropna().unique()
            if len(told) > 1:
                text = ", ".join(str(int(value)) for value in told)
                yield _fault("differs", same.iloc[0], column=name, values=text)


@dataclass(frozen=True)
class _Printed:
    """A percentage as printed: rounded to its decimals, or cut to them."""

    text: str
    value: float
    places: int

    @classmethod
    def read(cls, text: str) -> _Printed:
        plain = text.strip().rstrip("%").strip().replace(",", ".")
        return cls(plain, float(plain), len(plain.partition(".")[2]))

    def fits(self, k: int, n: int) -> bool:
        """Return whether k of n is this, rounded to the decimals printed or cut to them."""
        if n <= 0:
            return False
        exact, step = 100 * k / n, 10.0**-self.places
        slack = 1e-9
        return self.value - step / 2 - slack <= exact <= self.value + step + slack

    def _rounds(self, k: int, n: int) -> bool:
        return n > 0 and abs(100 * k / n - self.value) <= 10.0**-self.places / 2 + 1e-9

    def numerators(self, n: int) -> str:
        """Return which k of n would be rounded to this, or a dash."""
        near = round(self.value * n / 100)
        fitting = [str(k) for k in range(max(near - 2, 0), near + 3) if self._rounds(k, n)]
        return ", ".join(fitting) or "-"

    def denominators(self, k: int) -> str:
        """Return of which n so many would be rounded to this, or a dash."""
        if self.value <= 0:
            return "-"
        near = round(100 * k / self.value)
        fitting = [n for n in range(max(k, near - 25), near + 26) if self._rounds(k, n)]
        if len(fitting) > 3:
            return f"{fitting[0]}-{fitting[-1]}"
        return ", ".join(map(str, fitting)) or "-"


def _fault(code: str, line: pd.Series, **values: object) -> Fault:
    where = str(line["label"])
    if not pd.isna(line["table"]):
        where = f"{line['table']}: {where}"
    return Fault(code, where, Phrase(f"fault.{code}", values))
