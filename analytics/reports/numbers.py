"""All numbers of a network as tables, whatever its size: no page, and no row in memory."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import Any

from analytics.analyses.consistency import check_result
from analytics.analyses.in_parts import open_batches
from analytics.analyses.network_numbers import STEPS, answer_network
from analytics.courses.network import Network, settle_network
from analytics.definitions.columns import EXTRA_PREFIX
from analytics.definitions.custom import Catalogue, build_catalogue
from analytics.definitions.policies import POLICIES, Policy
from analytics.display.block import Block
from analytics.errors import QuestionError
from analytics.intake.close import total_parts
from analytics.intake.frames import read_names
from analytics.intake.identity import check_key
from analytics.intake.kept import Folder
from analytics.reports.agreement import check_blocks, refuse_faults
from analytics.reports.folder import PROVENANCE, check_replaceable, hash_files, replacing
from analytics.reports.plain import without_picture, write_json
from analytics.reports.provenance import build_provenance, describe_settings
from analytics.reports.report import read_exports
from analytics.reports.settings import Settings
from analytics.reports.tables import build_tables
from analytics.results import Result
from analytics.sharing.clinics import draw_letters
from analytics.sharing.protect import protect

#: Steps of the work, as they are told, in order.
NUMBER_STEPS = ("records", *STEPS, "files")


class _Unseen(Block):
    """A block of which no figure is drawn."""

    @cached_property
    def svgs(self) -> tuple[str, ...]:
        """Return no figure."""
        return ()


def produce_numbers(settings: Settings, out: Path, tell: Callable[[str], None]) -> None:
    """Write the numbers of a network in place of what the folder held.

    Parameters
    ----------
    settings
        The programme's settings.
    out
        Folder to write; it takes its name when all is written.
    tell
        Told the steps that are done, of ``NUMBER_STEPS``.

    Raises
    ------
    BalanceError
        When numbers do not agree with each other; nothing is written then.
    QuestionError
        After all else was made, when indicators of the settings were left out.
    """
    check_replaceable(out)
    policy, exports = POLICIES[settings.audience], read_exports(settings)
    with settle_network(exports, settings.engine) as network:
        tell("records")
        parts = [Folder(place) for place in network.parts]
        totals = total_parts(parts, network.sources, exports.programme.corrections)
        catalogue = _catalogue(settings, network)
        with open_batches(network, settings.engine) as batches:
            results = list(answer_network(batches, catalogue, tell))
    blocks = _release(results, settings, policy)
    provenance = build_provenance(settings, policy, totals, (), catalogue.changed)
    with replacing(out) as folder:
        (folder / "tables.xlsx").write_bytes(build_tables(blocks, settings))
        write_json(folder / "results.json", blocks)
        more = {
            "settings": describe_settings(settings, out, policy),
            "files": hash_files(folder),
            "made_at": datetime.now(UTC).isoformat(timespec="seconds"),
        }
        write_json(folder / PROVENANCE, provenance | more)
    tell("files")
    _refuse_left_out(catalogue)


def _catalogue(settings: Settings, network: Network) -> Catalogue:
    names = {name for place in network.parts for name in read_names(place / "cohort.arrow")}
    carried = sorted(name for name in names if name.startswith(EXTRA_PREFIX))
    return build_catalogue(
        settings.own_indicators,
        settings.protocol,
        where=settings.file.name,
        columns=carried,
        language=settings.language,
    )


def _release(results: Sequence[Result], settings: Settings, policy: Policy) -> list[dict[str, Any]]:
    """Return the data of what the policy lets out, each number checked against the others."""
    codes = None if policy.names_clinics else _draw_letters(results, settings, policy)
    blocks = []
    for result in results:
        refuse_faults(check_result(result), settings.language)
        released = protect(result, policy, codes=codes)
        blocks.append(without_picture(_Unseen(released, settings.language).to_data()))
    refuse_faults(check_blocks(blocks), settings.language)
    return blocks


def _draw_letters(
    results: Sequence[Result], settings: Settings, policy: Policy
) -> Mapping[str, str]:
    for result in results:
        if "clinic" in result.groups:
            children = result.beside["children"].set_index("clinic")["children"]
            key = check_key(settings.identity_key)
            return draw_letters(children, policy.smallest_unit_children, key)
    return {}


def _refuse_left_out(catalogue: Catalogue) -> None:
    """Raise ``QuestionError`` naming every indicator of the settings that is left out."""
    if faults := catalogue.faults:
        raise QuestionError(
            f"{len(faults)} indicators of the settings file are left out",
            where="; ".join(fault.where for fault in faults),
            allowed="; ".join(fault.found for fault in faults),
            todo="; ".join(fault.todo or fault.allowed for fault in faults),
        )
