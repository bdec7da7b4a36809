"""Invented networks of any size as CSV exports of a register, written fast.

``python tests/benchmarks/networks.py FOLDER --visits 300000 --clinics 50`` writes the exports,
their map, the list of clinics and the settings. Every clinic is drawn from a seed of its own. A
small share of children moves to another clinic, and faults of several kinds are planted at a
stated rate; the drawing is fast rather than true to life: it is for measuring time, never for
results.
"""

from __future__ import annotations

import argparse
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv

MAP = Path(__file__).parents[2] / "synthetic_data" / "maps" / "register.toml"

#: Mean visits of a drawn child, to turn a wished number of visits into one of children.
VISITS_A_CHILD = 18.4

#: Shares of children who move, and of visits with a planted fault of each kind.
MOVED, FAULTY = 0.02, 0.001

FIRST_DAY, LAST_DAY = np.datetime64("2006-01-01"), np.datetime64("2026-09-30")

SETTINGS = """
clinics = "clinics.csv"

[programme]
name = "Invented network for measuring"
cut_off = 2026-09-30
started_on = 2006-01-01
identity_key = "demonstration key, not secret"
"""

HEADINGS = (
    "Child no", "Child name", "Caregiver phone", "Sex", "Date of birth", "Registered", "Diagnosis",
    "Treated before", "Family history", "Travel minutes", "Clinic", "Visit date", "Foot",
    "Visit type", "Atypical foot", "Cast no", "Lateral border", "Medial crease", "Talar head",
    "Posterior crease", "Empty heel", "Rigid equinus", "Midfoot", "Hindfoot", "Pirani",
    "Abduction", "Dorsiflexion", "Brace hours", "Brace use", "Relapse", "Rel equinus", "Rel varus",
    "Rel adductus", "Rel cavus", "Complication", "Operation", "Corrected", "Cast replaced",
    "Flat foot", "Ordinary shoe", "Pain", "Satisfied", "Care ended", "Reason", "Remarks",
)  # fmt: skip

ASSESS, CAST, TENOTOMY, FITTING, REVIEW = range(5)
_PURPOSES = np.array(["Assess", "Cast", "Tenot", "Fit", "Brace"], dtype=object)
_HALVES = np.array([f"{n / 2:g}" for n in range(25)], dtype=object)
_NUMBERS = np.array([str(n) for n in range(400)], dtype=object)


def write_network(folder: Path, *, n_visits: int, n_clinics: int, seed: int = 1) -> Path:
    """Write a network and return its settings file."""
    (folder / "exports").mkdir(parents=True, exist_ok=True)
    per_clinic = max(2, round(n_visits / VISITS_A_CHILD / n_clinics))
    names = [f"Q{number:04d}" for number in range(n_clinics)]
    for number in range(n_clinics):
        with (folder / "exports" / f"{names[number]}.csv").open("wb") as file:
            file.write((",".join(HEADINGS) + "\n").encode())
            for table in _draw_clinic(number, n_clinics, per_clinic, seed):
                options = arrow_csv.WriteOptions(include_header=False, quoting_style="none")
                arrow_csv.write_csv(table, file, options)
    lines = ["clinic,name,country,opened_on,annual_live_births"]
    lines += [f"{name},Clinic {name},XV,2006-01-01,20000" for name in names]
    (folder / "clinics.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    shutil.copy(MAP, folder / "register.toml")
    sources = [f'[[source]]\npath = "exports/{name}.csv"\nmap = "register.toml"' for name in names]
    settings = folder / "programme.toml"
    settings.write_text(SETTINGS + "\n" + "\n".join(sources) + "\n", encoding="utf-8")
    return settings


def _draw_clinic(number: int, n_clinics: int, n_children: int, seed: int) -> Iterator[pa.Table]:
    """Yield the rows of one clinic, and of the children that moved here from the one before."""
    moved_to = number
    for part in range(0, n_children, 20_000):
        n = min(20_000, n_children - part)
        yield _write_rows(_draw_visits(number, part, n, seed), number, moved_in=False)
        if n_clinics > 1:
            before = (moved_to - 1) % n_clinics
            yield _write_rows(_draw_visits(before, part, n, seed), before, moved_in=True)


def _draw_visits(number: int, part: int, n: int, seed: int) -> dict[str, np.ndarray]:
    """Return the visits of ``n`` children of a clinic, one array entry for each foot and visit."""
    rng = np.random.default_rng((seed, number, part))
    span = int((LAST_DAY - FIRST_DAY).astype(int))
    child = {
        "number": part + np.arange(n),
        "start": rng.integers(20, span, n),
        "age": 5 + rng.geometric(0.02, n),
        "casts": 2 + rng.poisson(2.7, n).clip(0, 9),
        "reviews": rng.poisson(5.2, n),
        "score": 6 + rng.integers(0, 7, n),
        "both": rng.random(n) < 0.45,
        "right": rng.random(n) < 0.6,
        "male": rng.random(n) < 0.66,
        "tenotomy": rng.random(n) < 0.82,
        "moves": rng.random(n) < MOVED,
    }
    counts = 1 + child["casts"] + child["tenotomy"] + 1 + child["reviews"]
    of = np.repeat(np.arange(n), counts)
    place = np.arange(len(of)) - np.repeat(np.cumsum(counts) - counts, counts)
    casts, cut = child["casts"][of], child["tenotomy"][of]
    is_cast = (place >= 1) & (place <= casts)
    is_cut = cut & (place == casts + 1)
    fitting = casts + 1 + cut
    purpose = np.select(
        [place == 0, is_cast, is_cut, place == fitting], [ASSESS, CAST, TENOTOMY, FITTING], REVIEW
    )
    since = np.maximum(place - fitting, 0)
    brace = 7 * casts + np.where(cut, 21, 7)
    day = np.select([place == 0, is_cast, is_cut], [0, 7 * (place - 1), 7 * casts],
                    brace + np.where(since <= 3, 30 * since, 90 + 91 * (since - 3)))  # fmt: skip
    visits = {name: values[of] for name, values in child.items()}
    visits |= {"place": place, "purpose": purpose, "since": since}
    visits["day"] = visits["start"] + day + np.where(place > 0, rng.integers(0, 2, len(of)), 0)
    visits["relapse"] = (since > 2) & (rng.random(len(of)) < 0.02)
    visits["fault"] = np.where(rng.random(len(of)) < FAULTY, rng.integers(1, 6, len(of)), 0)
    both = np.where(visits["both"], 2, 1)
    rows = np.repeat(np.arange(len(of)), both)
    second = np.append(False, rows[1:] == rows[:-1])
    visits = {name: values[rows] for name, values in visits.items()}
    visits["is_right"] = np.where(visits["both"], second, visits["right"])
    visits["is_first"] = (visits["place"] == 0) & ~second
    seen = visits["day"] <= span
    return {name: values[seen] for name, values in visits.items()}


def _write_rows(visits: dict[str, np.ndarray], number: int, *, moved_in: bool) -> pa.Table:
    """Return rows of an export; of the children who move, the later visits are elsewhere."""
    late = visits["moves"] & (visits["since"] >= 2)
    visits = {name: values[late == moved_in] for name, values in visits.items()}
    n = len(visits["day"])
    purpose, first, fault = visits["purpose"], visits["is_first"], visits["fault"]
    ids = np.array([f"{number:04d}-{child:07d}" for child in np.unique(visits["number"])] or [""])
    own = ids[np.unique(visits["number"], return_inverse=True)[1]] if n else ids[:0]
    started = np.datetime64("2006-01-01")
    day = (started + visits["day"]).astype(str).astype(object)
    born = (started + visits["start"] - visits["age"]).astype(str).astype(object)
    treated = np.clip(visits["place"], 0, 12)
    score = np.clip(visits["score"] - 2 * treated, 1, 12)
    score = np.where(visits["relapse"], 5, score)
    midfoot, scored = score // 2, (purpose != REVIEW) | (visits["since"] % 2 == 0)
    here = f"Q{number if not moved_in else number + 1:04d}"
    columns = {
        "Child no": own,
        "Child name": _where(first, np.array([f"Invented Person {i}" for i in own], dtype=object)),
        "Caregiver phone": _where(first, np.array(["+000 0000"] * n, dtype=object)),
        "Sex": _where(first, np.where(visits["male"], "M", "F")),
        "Date of birth": _where(first, born),
        "Diagnosis": _where(first, np.array(["Idiopathic"] * n, dtype=object)),
        "Treated before": _where(first, np.array(["No"] * n, dtype=object)),
        "Family history": _where(first, np.array(["N"] * n, dtype=object)),
        "Clinic": np.array([here] * n, dtype=object),
        "Visit date": np.where(fault == 1, "2026-12-31", np.where(fault == 2, "31-31-31", day)),
        "Foot": np.where(fault == 3, "", np.where(visits["is_right"], "R", "L")),
        "Visit type": _PURPOSES[purpose],
        "Cast no": _where(purpose == CAST, _NUMBERS[np.minimum(visits["place"], 399)]),
        "Midfoot": _where(scored, _HALVES[midfoot]),
        "Hindfoot": _where(scored, _HALVES[score - midfoot]),
        "Pirani": _where(scored, np.where(fault == 4, "11", _HALVES[score])),
        "Abduction": _where(scored, _NUMBERS[np.clip(72 - 6 * score, 0, 399)]),
        "Dorsiflexion": _where(scored, _NUMBERS[np.clip(18 - 2 * score, 0, 399)]),
        "Brace hours": _where(purpose == REVIEW, np.where(visits["since"] <= 3, "23", "12")),
        "Brace use": _where(purpose == REVIEW, np.array(["Good"] * n, dtype=object)),
        "Relapse": _where(purpose == REVIEW, np.where(visits["relapse"], "Y", "N")),
    }
    empty = pa.array([""] * n, pa.string())
    repeated = np.repeat(np.arange(n), np.where(fault == 5, 2, 1))
    table = pa.table(
        [pa.array(columns[h].astype(str), pa.string()) if h in columns else empty
         for h in HEADINGS], names=list(HEADINGS)
    )  # fmt: skip
    return table.take(repeated)


def _where(chosen: np.ndarray, values: np.ndarray) -> np.ndarray:
    return np.where(chosen, values, "")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--visits", type=int, default=300_000)
    parser.add_argument("--clinics", type=int, default=50)
    asked = parser.parse_args()
    write_network(asked.folder, n_visits=asked.visits, n_clinics=asked.clinics)
