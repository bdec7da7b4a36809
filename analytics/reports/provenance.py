"""Where a report's numbers come from: inputs, versions, definitions, policy, balance."""

from __future__ import annotations

import os
import platform
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from importlib.metadata import version
from pathlib import Path
from typing import Any

from analytics.definitions.fingerprint import fingerprint
from analytics.definitions.indicator import Indicator
from analytics.definitions.labels import label
from analytics.definitions.policies import Policy
from analytics.intake.totals import Totals
from analytics.reports.folder import hash_file
from analytics.reports.settings import Settings
from analytics.sharing.rounding import round_count

PROGRAM = "talipes-outcomes"

#: Packages whose version can change a number or a picture.
NUMBER_MAKERS = (
    "pandas", "numpy", "scipy", "statsmodels", "lifelines", "matplotlib", "seaborn",
)  # fmt: skip

FATES = ("n_read", "n_kept", "n_merged", "n_quarantined")


def build_provenance(
    settings: Settings,
    policy: Policy,
    totals: Totals,
    seeds: Iterable[int] = (),
    own: tuple[Indicator, ...] = (),
) -> dict[str, Any]:
    """Return what a reader needs to make the same numbers again; the same inputs give the same.

    Parameters
    ----------
    settings
        The programme's settings.
    policy
        Disclosure policy of the pages; one that does not name clinics withholds file names and
        the fates of each file, which may stand for a clinic.
    totals
        What became of all rows.
    seeds
        Seeds of the random steps.
    own
        Indicators that the programme added or changed.
    """
    return {
        "program": {"name": PROGRAM, "version": version(PROGRAM)},
        "versions": {
            "python": platform.python_version(),
            **{name: version(name) for name in NUMBER_MAKERS},
        },
        "programme": settings.name,
        "cut_off": settings.cut_off.isoformat(),
        "started_on": settings.started_on.isoformat() if settings.started_on else None,
        "language": settings.language,
        "policy": asdict(policy),
        "fingerprint": fingerprint(settings.protocol, own),
        "own_indicators": [indicator.code for indicator in own],
        "protocol_differences": {
            name: {"default": default, "in_force": value}
            for name, (default, value) in settings.protocol.differences().items()
        },
        "seeds": sorted(set(seeds)),
        "inputs": _inputs(totals, policy, settings.language),
        "balance": _balance(totals, policy),
    } | ({"corrections": _corrections(totals)} if policy.names_clinics else {})


def _corrections(totals: Totals) -> dict[str, int]:
    """Return how many corrections there were, by what became of them."""
    counts = totals.corrections["outcome"].value_counts()
    return {str(outcome): int(n) for outcome, n in sorted(counts.items())}


def _inputs(totals: Totals, policy: Policy, language: str) -> list[dict[str, Any]]:
    by_file = totals.balance().groupby("file")[list(FATES)].sum()
    inputs = []
    for number, source in enumerate(totals.sources, start=1):
        line: dict[str, Any] = asdict(source)
        if policy.names_clinics:
            fates = by_file.loc[source.file] if source.file in by_file.index else None
            line |= {name: 0 if fates is None else int(fates[name]) for name in FATES}
        else:
            line |= {
                name: label(language, f"page.provenance.{key}_number", number=number)
                for name, key in (("file", "export"), ("source_map", "map"))
            }
            line["n_rows"] = round_count(source.n_rows, policy)
        inputs.append(line)
    return inputs


def _balance(totals: Totals, policy: Policy) -> dict[str, int]:
    total = totals.balance()[list(FATES)].sum()
    counts = {name: int(total[name]) for name in FATES}
    if policy.smallest_count:
        return {"n_read": round_count(counts["n_read"], policy) or 0}
    return counts


def settle_balance(balance: Mapping[str, int]) -> bool:
    """Return whether a balance states every fate, so that it can be printed as a sum."""
    return all(name in balance for name in FATES)


def describe_settings(settings: Settings, out: Path, policy: Policy) -> dict[str, Any]:
    """Return what tells whether settings are those of a report, for its provenance.

    Parameters
    ----------
    settings
        The programme's settings.
    out
        Folder of the report; where the policy names clinics the settings file is given from there.
    policy
        Disclosure policy of the report.
    """
    others = {"clinics": settings.clinics, "corrections": settings.corrections}
    told: dict[str, Any] = {"sha256": hash_file(settings.file)}
    told |= {f"{name}_sha256": hash_file(path) for name, path in others.items() if path}
    if policy.names_clinics:
        told["file"] = os.path.relpath(settings.file, out.absolute())
    return told
