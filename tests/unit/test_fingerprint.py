"""The fingerprint of the definitions changes when a definition does, and only then."""

import os
import subprocess
import sys
from dataclasses import replace

from analytics.definitions import endpoints
from analytics.definitions.fingerprint import declared_constants, fingerprint
from analytics.definitions.protocol import Protocol


def test_the_same_definitions_have_the_same_fingerprint_in_another_process():
    code = "from analytics.definitions.fingerprint import fingerprint; print(fingerprint())"
    for seed in ("1", "2"):
        run = subprocess.run(
            [sys.executable, "-c", code],
            capture_output=True,
            text=True,
            check=True,
            env={**os.environ, "PYTHONHASHSEED": seed},
        )
        assert run.stdout.strip() == fingerprint()


def test_another_window_gives_another_fingerprint():
    assert fingerprint(Protocol(casts_many=9)) != fingerprint(Protocol())
    assert fingerprint(Protocol()) == fingerprint()


def test_another_endpoint_gives_another_fingerprint(monkeypatch):
    before = fingerprint.__wrapped__()
    monkeypatch.setattr(endpoints, "RELAPSE", replace(endpoints.RELAPSE, origin="started_on"))
    assert fingerprint.__wrapped__() != before


def test_every_definition_is_described_without_a_place_in_memory():
    lines = declared_constants()
    assert any(line.startswith("endpoints.RELAPSE =") for line in lines)
    assert any(line.startswith("columns.VISITS =") for line in lines)
    assert not [line for line in lines if " at 0x" in line]
