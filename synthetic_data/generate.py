"""Write the invented network: ``python -m synthetic_data.generate [FOLDER]``."""

from __future__ import annotations

import argparse
import csv
from dataclasses import asdict
from operator import itemgetter
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.definitions.columns import CLINICS as CLINIC_COLUMNS
from synthetic_data import (
    faults_linked,
    faults_long,
    faults_wide,
    long_export,
    truth_file,
    wide_export,
)
from synthetic_data.dimeglio import add_dimeglio
from synthetic_data.findings import add_angles, add_brace, add_events, add_outcomes, add_scores
from synthetic_data.network import Network, simulate
from synthetic_data.people import describe_children, describe_feet
from synthetic_data.planted import Fault, Register, Row
from synthetic_data.scenario import CLINICS, COUNTRY, EFFECTS, SEED
from synthetic_data.truth import find_truth
from synthetic_data.truth_file import find_lines
from synthetic_data.visits import plan_visits

HERE = Path(__file__).resolve().parent


def build_visits(network: Network) -> pd.DataFrame:
    """Return every visit of every foot with what was found."""
    rng = np.random.default_rng([SEED, 100])
    lines = plan_visits(network, effects=EFFECTS, rng=rng)
    for add in (add_scores, add_angles, add_brace, add_events, add_outcomes, add_dimeglio):
        lines = add(lines, network, rng=rng)
    return lines


def save_clinics(folder: Path) -> None:
    """Write the table of the clinics, with canonical headings."""
    given = {*asdict(CLINICS[0]), "clinic", "country"}
    names = [column.name for column in CLINIC_COLUMNS if column.name in given]
    with (folder / "clinics.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, names, extrasaction="ignore", lineterminator="\n")
        writer.writeheader()
        writer.writerows(
            asdict(clinic) | {"clinic": clinic.code, "country": COUNTRY} for clinic in CLINICS
        )


def plant(visits: list[Row], pages: list[Row]) -> tuple[list[Fault], list[Fault]]:
    """Return the faults planted in the long and in the wide export."""
    register = Register(visits, itemgetter("Child no"))
    registre = Register(pages, itemgetter("Centre", "Dossier"))
    of_visits, of_pages = faults_linked.plant(register, registre)
    return of_visits + faults_long.plant(register), of_pages + faults_wide.plant(registre)


def generate(folder: Path) -> None:
    """Write exports, clinics and truth into a folder."""
    network = simulate(seed=SEED, effects=EFFECTS)
    lines = build_visits(network)
    rng = np.random.default_rng([SEED, 101])
    children, feet = describe_children(network, rng=rng), describe_feet(network, rng=rng)
    exports = folder / "exports"
    exports.mkdir(parents=True, exist_ok=True)
    save_clinics(folder)
    visits = long_export.write_rows(lines, children, feet)
    pages = wide_export.write_rows(lines, children, feet)
    of_visits, of_pages = plant(visits, pages)
    long_export.save(visits, exports)
    wide_export.save(pages, exports)
    first = wide_export.HEADER_LINE + 1
    planted = [
        (long_export.FILE, "", of_visits, find_lines(of_visits, visits, 2)),
        (wide_export.FILE, wide_export.SHEET, of_pages, find_lines(of_pages, pages, first)),
    ]
    truth_file.save(folder, find_truth(), planted)


def main() -> None:
    """Write into the folder named on the command line, else beside this file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path, default=HERE)
    generate(parser.parse_args().folder)


if __name__ == "__main__":
    main()
