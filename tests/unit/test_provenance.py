"""Provenance: the same inputs give the same words, and a public page gives nothing away."""

import json
from dataclasses import replace
from datetime import date
from pathlib import Path

import pandas as pd

from analytics.definitions.policies import INTERNAL, PUBLIC
from analytics.definitions.protocol import Protocol
from analytics.intake.records import Source
from analytics.intake.totals import no_totals
from analytics.reports.provenance import build_provenance
from analytics.reports.settings import Settings


def make_totals(**fates):
    lines = [
        {"file": f"{file}.csv", "sheet": "", "fate": fate, "reason": "", "n": n}
        for file, counts in fates.items()
        for fate, n in counts.items()
    ]
    sources = tuple(
        Source(f"{file}.csv", f"{number}" * 64, sum(counts.values()), f"map of {file}", "f" * 64)
        for number, (file, counts) in enumerate(fates.items())
    )
    return replace(no_totals(), sources=sources, rows=pd.DataFrame(lines))


SETTINGS = Settings(
    file=Path("/somewhere/programme.toml"),
    name="Network",
    cut_off=date(2025, 12, 31),
    extracted_on=date(2025, 12, 31),
    started_on=date(2020, 1, 1),
    language="en",
    audience="internal",
    sources=(),
    clinics=None,
    protocol=Protocol(casts_many=9),
    identity_key="a secret",
)
TOTALS = make_totals(
    kisumu={"kept": 90, "merged": 8, "quarantined": 2}, nakuru={"kept": 40, "quarantined": 7}
)


def test_every_input_has_its_hash_and_the_fates_of_its_rows():
    made = build_provenance(SETTINGS, INTERNAL, TOTALS)
    first, second = made["inputs"]
    assert (first["file"], first["sha256"], first["map_sha256"]) == (
        "kisumu.csv",
        "0" * 64,
        "f" * 64,
    )
    assert [first[k] for k in ("n_read", "n_kept", "n_merged", "n_quarantined")] == [100, 90, 8, 2]
    assert [second[k] for k in ("n_read", "n_merged", "n_quarantined")] == [47, 0, 7]
    assert made["balance"] == {"n_read": 147, "n_kept": 130, "n_merged": 8, "n_quarantined": 9}


def test_what_makes_the_numbers_is_written_down_and_the_key_and_the_day_of_making_are_not():
    made = build_provenance(SETTINGS, INTERNAL, TOTALS, seeds=[7, 3, 7])
    assert made["protocol_differences"] == {"casts_many": {"default": 8, "in_force": 9}}
    assert made["seeds"] == [3, 7]
    assert made["versions"]["pandas"] == pd.__version__
    text = json.dumps(made)
    assert "a secret" not in text
    assert "somewhere" not in text
    assert date.today().isoformat() not in text
    assert made == build_provenance(SETTINGS, INTERNAL, TOTALS, seeds=[3, 7])


def test_a_public_page_names_no_file_and_states_no_file_s_fates():
    made = build_provenance(SETTINGS, PUBLIC, TOTALS)
    text = json.dumps(made)
    assert "kisumu" not in text
    assert "n_quarantined" not in json.dumps(made["inputs"])
    assert [line["file"] for line in made["inputs"]] == ["Export 1", "Export 2"]


def test_names_that_stand_for_files_are_words_of_the_report_s_language():
    made = build_provenance(replace(SETTINGS, language="pt"), PUBLIC, TOTALS)
    assert [line["file"] for line in made["inputs"]] == ["Exportação 1", "Exportação 2"]
    assert [line["source_map"] for line in made["inputs"]] == ["Mapa 1", "Mapa 2"]


def test_a_public_balance_states_the_total_alone_and_rounded():
    records = make_totals(a={"kept": 90, "quarantined": 3})
    assert build_provenance(SETTINGS, PUBLIC, records)["balance"] == {"n_read": 90}
    assert build_provenance(SETTINGS, INTERNAL, records)["balance"]["n_quarantined"] == 3
