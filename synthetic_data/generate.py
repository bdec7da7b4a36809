"""Write the invented network: ``python -m synthetic_data.generate [FOLDER]``."""

from __future__ import annotations

import argparse
import csv
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.definitions.columns import CLINICS as CLINIC_COLUMNS
from synthetic_data import long_export, wide_export
from synthetic_data.dimeglio import add_dimeglio
from synthetic_data.findings import add_angles, add_brace, add_events, add_outcomes, add_scores
from synthetic_data.network import Network, simulate
from synthetic_data.people import describe_children, describe_feet
from synthetic_data.scenario import CLINICS, COUNTRY, EFFECTS, SEED
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
    names = [column.name for column in CLINIC_COLUMNS]
    with (folder / "clinics.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, names, extrasaction="ignore", lineterminator="\n")
        writer.writeheader()
        writer.writerows(
            asdict(clinic) | {"clinic": clinic.code, "country": COUNTRY} for clinic in CLINICS
        )


def generate(folder: Path) -> None:
    """Write exports, clinics and truth into a folder."""
    network = simulate(seed=SEED, effects=EFFECTS)
    lines = build_visits(network)
    rng = np.random.default_rng([SEED, 101])
    children, feet = describe_children(network, rng=rng), describe_feet(network, rng=rng)
    exports = folder / "exports"
    exports.mkdir(parents=True, exist_ok=True)
    save_clinics(folder)
    long_export.save(long_export.write_rows(lines, children, feet), exports)
    wide_export.save(wide_export.write_rows(lines, children, feet), exports)


def main() -> None:
    """Write into the folder named on the command line, else beside this file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path, default=HERE)
    generate(parser.parse_args().folder)


if __name__ == "__main__":
    main()
