"""Write records as clinics would: five shapes in three languages, each with its source map.

The records are whatever is given. Each writer returns the exports with their maps, ready for
``intake.load``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import pandas as pd
import xlsxwriter
from register_words import ENGLISH, FRENCH, SPANISH, Tongue

from analytics.definitions.codes import VOCABULARIES
from analytics.definitions.columns import TABLES
from analytics.intake.map_parse import parse_map
from analytics.intake.map_types import SourceMap
from analytics.intake.records import Records

Written = list[tuple[Path, SourceMap]]

#: Columns of a table that an export can hold: how exact a birth date is shows in its own text.
HELD = {
    table: [c for c in columns if c.name not in ("child", "birth_precision")]
    for table, columns in TABLES.items()
}


def _texts(frame: pd.DataFrame, table: str, tongue: Tongue) -> pd.DataFrame:
    """Return the columns of a table as the register writes them; missing is an empty cell."""
    texts = pd.DataFrame({"child": frame["child"].astype(object)})
    for column in HELD[table]:
        if column.name in frame:
            texts[column.name] = _column_texts(frame[column.name], column.kind, tongue)
    if "birth_precision" in frame:
        rough = frame["birth_precision"].eq("month").fillna(False).to_numpy(dtype=bool)
        texts.loc[rough, "birth_on"] = frame["birth_on"][rough].dt.strftime(tongue.month)
        rough = frame["birth_precision"].eq("year").fillna(False).to_numpy(dtype=bool)
        texts.loc[rough, "birth_on"] = frame["birth_on"][rough].dt.strftime("%Y")
    return texts


def _column_texts(values: pd.Series, kind: str, tongue: Tongue) -> pd.Series:
    writers: dict[str, Callable[[object], str]] = {
        "date": lambda value: value.strftime(tongue.date),
        "number": lambda value: f"{value:g}".replace(".", tongue.decimal),
        "integer": lambda value: str(int(value)),
        "flag": lambda value: tongue.code("yes" if value else "no"),
        "code": lambda value: tongue.code(str(value)),
        "text": str,
    }
    distinct = {value: writers[kind](value) for value in values.dropna().unique()}
    return values.astype(object).map(distinct).fillna("").astype(object)


def _map(tongue: Tongue, tree: dict[str, object]) -> SourceMap:
    """Return a map with what all maps of a language share."""
    codes: dict[str, dict[str, list[str]]] = {
        name: {code: [tongue.code(code)] for code in allowed}
        for name, allowed in VOCABULARIES.items()
        if name != "precision"
    }
    codes["side"]["both"] = [tongue.code("both")]
    codes["flag"] = {"yes": [tongue.code("yes")], "no": [tongue.code("no")]}
    births = [tongue.layout, tongue.month.replace("%m", "MM").replace("%Y", "YYYY"), "YYYY"]
    shared = {
        "missing": [""],
        "numbers": {"decimal": tongue.decimal},
        "dates": {"formats": [tongue.layout], "columns": {"children.birth_on": births}},
        "codes": codes,
        "child": {"id": [tongue.head("child")]},
    }
    return parse_map({**shared, **tree}, where=str(tree["name"]))


def _names(*tables: str) -> set[str]:
    return {column.name for table in tables for column in HELD[table]}


#: What is told of a foot, besides which foot it is.
OF_FOOT = sorted(_names("feet") - {"side"})


def _facts(records: Records, tongue: Tongue) -> dict[str, pd.DataFrame]:
    return {
        table: _texts(getattr(records, table), table, tongue)
        for table in ("children", "feet", "visits", "departures")
    }


def _of_children(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Return what is told of each child and how it left; the clinic is that of the child."""
    children = tables["children"].rename(columns={"clinic": "clinic_of_child"})
    return children.merge(tables["departures"], on="child", how="left").fillna("")


def _columns_of_children(frame: pd.DataFrame, tongue: Tongue) -> dict[str, dict[str, str]]:
    heads = {t: {n: tongue.head(n) for n in frame if n in _names(t)} for t in _OF_CHILD}
    heads["children"]["clinic"] = tongue.head("clinic_of_child")
    return heads


_OF_CHILD = ("children", "departures")


def _full_rows(records: Records, tongue: Tongue) -> tuple[pd.DataFrame, dict[str, dict[str, str]]]:
    """Return a row for each visit of a foot, with what is told of child and foot, and a map's
    columns of children and departures.
    """
    tables = _facts(records, tongue)
    of_children = _of_children(tables)
    rows = tables["visits"].merge(tables["feet"], on=["child", "side"], validate="m:1")
    rows = rows.merge(of_children, on="child", validate="m:1")
    return rows, _columns_of_children(of_children, tongue)


def write_long(records: Records, folder: Path) -> Written:
    """A row for each visit and foot, as English text with commas."""
    rows, columns = _full_rows(records, ENGLISH)
    columns |= {t: {n: ENGLISH.head(n) for n in rows if n in _names(t)} for t in ("visits", "feet")}
    del columns["feet"]["side"]
    path = folder / "register.csv"
    rows.rename(columns=ENGLISH.head).to_csv(path, index=False)
    return [(path, _map(ENGLISH, {"name": "long", "shape": "long", "columns": columns}))]


def write_sided(records: Records, folder: Path) -> Written:
    """A row for each visit with both feet beside each other, as French text with semicolons."""
    rows, columns = _full_rows(records, FRENCH)
    once = ["child", "visited_on", "purpose", "clinic"]
    sided = [name for name in rows if name in _names("visits") - {*once, "side"}] + OF_FOOT
    left, right = (rows[rows["side"] == FRENCH.code(side)] for side in ("left", "right"))
    table = left.drop(columns="side").merge(
        right[[*once, *sided]], on=once, how="outer", suffixes=(" G", " D"), indicator=True
    )
    table["side"] = (
        table.pop("_merge")
        .astype(object)
        .map({"left_only": "G", "right_only": "D", "both": "les deux"})
    )
    table = table.drop(columns=[n for n in table if n in _of_child_names(rows)])
    table = table.merge(rows[["child", *_of_child_names(rows)]].drop_duplicates(), on="child")
    heads = {f"{n} {side}": f"{FRENCH.head(n)} {side}" for n in sided for side in "GD"}
    path = folder / "visites.csv"
    table = table.rename(columns=lambda name: heads.get(name, FRENCH.head(name)))
    table.to_csv(path, sep=";", index=False, encoding="cp1252")
    columns["visits"] = {n: FRENCH.head(n) for n in (*once[1:], "side")}
    columns["visits"] |= {n: f"{FRENCH.head(n)} {{side}}" for n in sided if n not in OF_FOOT}
    columns["feet"] = {n: f"{FRENCH.head(n)} {{side}}" for n in OF_FOOT}
    tree = {
        "name": "sided",
        "shape": "long",
        "file": {"delimiter": ";", "encoding": "cp1252"},
        "sides": {"left": "G", "right": "D"},
        "columns": columns,
    }
    return [(path, _map(FRENCH, tree))]


def _of_child_names(rows: pd.DataFrame) -> list[str]:
    return [n for n in rows if n == "clinic_of_child" or n in _names(*_OF_CHILD) - {"clinic"}]


def _spread(
    records: Records, tongue: Tongue, *, is_sided: bool
) -> tuple[pd.DataFrame, list[dict[str, object]]]:
    """Return a row for each child, or each foot, with numbered groups of columns, and the groups.

    Parameters
    ----------
    records
        With visits that are unique by child, foot, day and purpose.
    tongue
        Of the headings.
    is_sided
        Whether the two feet of a child share a row.
    """
    visits = records.visits
    ordered = visits.sort_values(["child", "side", "purpose", "visited_on"], kind="stable")
    number = ordered.groupby(["child", "side", "purpose"]).cumcount() + 1
    texts = _texts(visits, "visits", tongue).assign(number=number.reindex(visits.index))
    row = ["child"] if is_sided else ["child", "side"]
    sides = {"side": [tongue.code("left"), tongue.code("right")]} if is_sided else {}
    ending = " {n} {side}" if is_sided else " {n}"
    parts, groups = [], []
    for purpose, part in texts.groupby(visits["purpose"].astype(object)):
        told = [n for n in part if n in _names("visits") - {"side", "purpose"} and part[n].any()]
        stems = {n: f"{tongue.head(n)}, {tongue.code(purpose)}" for n in told}
        last = int(part["number"].max())
        wide = part.set_index([*row, "number", *sides])[told].unstack(["number", *sides])
        grid = [range(1, last + 1), *sides.values()]
        wide = wide.reindex(columns=pd.MultiIndex.from_product([told, *grid]))
        wide.columns = [" ".join([stems[n], *map(str, rest)]) for n, *rest in wide.columns]
        parts.append(wide)
        groups.append(
            {
                "name": purpose,
                "first": 1,
                "last": last,
                "constants": {"purpose": purpose},
                "columns": {n: stem + ending for n, stem in stems.items()},
            }
        )
    return pd.concat(parts, axis=1).fillna(""), groups


def write_wide(records: Records, folder: Path) -> Written:
    """A row for each child with numbered groups for each foot, as a Spanish workbook."""
    tables = _facts(records, SPANISH)
    table, groups = _spread(records, SPANISH, is_sided=True)
    feet = tables["feet"].pivot(index="child", columns="side", values=OF_FOOT).fillna("")
    feet.columns = [f"{SPANISH.head(name)} {side}" for name, side in feet.columns]
    of_children = _of_children(tables)
    table = table.join(feet).join(of_children.set_index("child").rename(columns=SPANISH.head))
    path = folder / "expedientes.xlsx"
    _write_workbook(path, {"Niños": table.rename_axis(SPANISH.head("child")).reset_index()})
    columns = _columns_of_children(of_children, SPANISH)
    columns["feet"] = {n: f"{SPANISH.head(n)} {{side}}" for n in OF_FOOT}
    tree = {
        "name": "wide",
        "shape": "wide",
        "sides": {side: SPANISH.code(side) for side in ("left", "right")},
        "columns": columns,
        "groups": groups,
    }
    return [(path, _map(SPANISH, tree))]


def write_feet(records: Records, folder: Path) -> Written:
    """A row for each foot with numbered groups, in English, as a Parquet file."""
    tables = _facts(records, ENGLISH)
    table, groups = _spread(records, ENGLISH, is_sided=False)
    of_children = _of_children(tables)
    told = tables["feet"].merge(of_children, on="child").set_index(["child", "side"])
    table = told.rename(columns=ENGLISH.head).join(table).reset_index(names=["child", "side"])
    table = table.rename(columns={n: ENGLISH.head(n) for n in ("child", "side")}).fillna("")
    path = folder / "feet.parquet"
    table.to_parquet(path, index=False)
    columns = _columns_of_children(of_children, ENGLISH)
    columns["feet"] = {n: ENGLISH.head(n) for n in (*OF_FOOT, "side")}
    tree = {"name": "feet", "shape": "wide", "columns": columns, "groups": groups}
    return [(path, _map(ENGLISH, tree))]


def write_sheets(records: Records, folder: Path) -> Written:
    """One sheet for each table, joined by the number of the child, as a French workbook."""
    tables = _facts(records, FRENCH)
    path = folder / "registre.xlsx"
    named = {"children": "Enfants", "feet": "Pieds", "visits": "Visites", "departures": "Sorties"}
    heads = {t: {n: FRENCH.head(n) for n in tables[t] if n in _names(t)} for t in named}
    _write_workbook(path, {named[t]: tables[t].rename(columns=FRENCH.head) for t in named})
    return [
        (
            path,
            _map(
                FRENCH,
                {
                    "name": f"sheet {table}",
                    "shape": "long" if table == "visits" else "wide",
                    "file": {"sheet": sheet},
                    "columns": {table: heads[table]},
                },
            ),
        )
        for table, sheet in named.items()
    ]


def _write_workbook(path: Path, sheets: Mapping[str, pd.DataFrame]) -> None:
    with xlsxwriter.Workbook(path, {"strings_to_formulas": False}) as book:
        for name, frame in sheets.items():
            sheet = book.add_worksheet(name)
            sheet.write_row(0, 0, list(frame))
            for number, row in enumerate(frame.itertuples(index=False), start=1):
                for position, text in enumerate(row):
                    if text:
                        sheet.write_string(number, position, text)


#: Shape and language to what writes it.
WRITERS: dict[str, Callable[[Records, Path], Written]] = {
    "long, English": write_long,
    "feet beside each other, French": write_sided,
    "wide by child, Spanish": write_wide,
    "wide by foot, English": write_feet,
    "a sheet for each table, French": write_sheets,
}
