"""A report: settings read once, its cohort, and the one way to show a result."""

from __future__ import annotations

import weakref
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from pathlib import Path

import pandas as pd

from analytics.analyses.consistency import check_cohort, check_result
from analytics.analyses.every_clinic import compare_all
from analytics.courses.build import build_visits
from analytics.courses.cohort import Cohort
from analytics.courses.network import Exports
from analytics.courses.together import Parts, gather_cohort, gather_records, open_parts
from analytics.definitions.columns import EXTRA_PREFIX
from analytics.definitions.custom import Catalogue, build_catalogue
from analytics.definitions.policies import POLICIES, Policy
from analytics.display.block import Block
from analytics.display.words import findings
from analytics.errors import QuestionError
from analytics.intake.clinics import follow_renamed, read_clinics
from analytics.intake.corrections import read_corrections
from analytics.intake.identity import check_key
from analytics.intake.ledger import no_corrections
from analytics.intake.load import Programme
from analytics.intake.maps import read_map
from analytics.intake.records import Records
from analytics.reports import one_clinic
from analytics.reports.agreement import refuse_faults
from analytics.reports.fixing import list_kinds
from analytics.reports.prepared import restore, wants_pictures
from analytics.reports.settings import Settings, read_settings
from analytics.results import Result
from analytics.sharing.clinics import draw_letters
from analytics.sharing.protect import protect


@dataclass(frozen=True)
class Report:
    """What a notebook works with: settings, policy, and on demand the cohort and its rows."""

    settings: Settings
    policy: Policy

    @classmethod
    def open(
        cls,
        settings: str | Path,
        cut_off: str | date | None = None,
        audience: str | None = None,
        language: str | None = None,
    ) -> Report:
        """Return the report of a settings file; an empty value leaves what the file says.

        Parameters
        ----------
        settings
            The settings file.
        cut_off
            The day on which the exports were frozen.
        audience
            Who reads it: decides what is withheld.
        language
            Language of the words.
        """
        read = read_settings(settings, cut_off=cut_off, audience=audience, language=language)
        return cls(read, POLICIES[read.audience])

    @property
    def language(self) -> str:
        """Return the language of the words."""
        return self.settings.language

    @cached_property
    def parts(self) -> Parts:
        """Return the settled parts, from which rows are read; they are there while this is."""
        held = ExitStack()
        opened = open_parts(read_exports(self.settings), self.settings.engine)
        parts = held.enter_context(opened)
        weakref.finalize(self, held.close)
        return parts

    @cached_property
    def records(self) -> Records:
        """Return the records of all exports with their ledger, for who wants to look at rows.

        They take about 2 kB a row; no page of a report needs them.
        """
        return gather_records(self.parts)

    @cached_property
    def visits(self) -> pd.DataFrame:
        """Return the visits of ``records`` with their place in the course of the foot."""
        return build_visits(self.records, self.settings.cut_off, self.settings.protocol)

    @cached_property
    def cohort(self) -> Cohort:
        """Return the feet as they stand at the cut-off."""
        cohort = restore(self.settings, "cohort", lambda: gather_cohort(self.parts))
        refuse_faults(check_cohort(cohort), self.language)
        return cohort

    @cached_property
    def clinic_letters(self) -> dict[str, str]:
        """Return clinic to the letters that stand for it on every page which does not name it.

        Clinics too small to stand alone have none, and are the same in every table.
        """
        children = self.cohort.feet.groupby("clinic")["child"].nunique()
        key = check_key(self.settings.identity_key)
        return draw_letters(children, self.policy.smallest_unit_children, key)

    @cached_property
    def catalogue(self) -> Catalogue:
        """Return the indicators in force: ours with the programme's changes and additions."""
        settings = self.settings
        carried = [name for name in self.cohort.feet.columns if name.startswith(EXTRA_PREFIX)]
        return build_catalogue(
            settings.own_indicators,
            settings.protocol,
            where=settings.file.name,
            columns=carried,
            language=settings.language,
        )

    @cached_property
    def clinic_file(self) -> one_clinic.ClinicFile:
        """Return what the page of each clinic is cut from.

        Raises
        ------
        QuestionError
            When the policy has no such pages.
        """
        one_clinic.check_released(self.policy)
        return restore(self.settings, "clinics", self._compare_clinics)

    def clinic(self, code: str) -> one_clinic.OneClinic:
        """Return what the page of one clinic shows, piece by piece.

        Raises
        ------
        SettingsError
            When there is no such clinic.
        QuestionError
            When the policy has no such pages.
        """
        return one_clinic.OneClinic(
            self.clinic_file,
            code,
            audience=self.policy.audience,
            language=self.language,
            cut_off=self.settings.cut_off,
        )

    def _compare_clinics(self) -> one_clinic.ClinicFile:
        catalogue, cohort = self.catalogue, self.cohort
        return one_clinic.ClinicFile(
            cohort.clinics,
            compare_all(cohort, catalogue.compared, catalogue.own_numbers),
            list_kinds(cohort.totals.faults),
        )

    def check_own_indicators(self) -> None:
        """Raise ``QuestionError`` naming every indicator of the settings that is left out."""
        faults = self.catalogue.faults
        if faults:
            raise QuestionError(
                f"{len(faults)} indicators of the settings file are left out",
                where="; ".join(fault.where for fault in faults),
                allowed="; ".join(fault.found for fault in faults),
                todo="; ".join(fault.todo or fault.allowed for fault in faults),
            )

    def show(self, result: Result, manner: str = "whole") -> Block:
        """Return what a page may show of a result under this report's policy.

        Parameters
        ----------
        result
            What an analysis returned.
        manner
            ``whole``, ``plain`` for claims in plain words alone, ``picture`` for the figure alone.

        Raises
        ------
        BalanceError
            When numbers of the result do not agree with each other.
        """
        refuse_faults(check_result(result), self.language)
        codes = None if self.policy.names_clinics else self.clinic_letters
        released = protect(result, self.policy, codes=codes)
        return Block(released, self.language, manner, has_picture=wants_pictures())

    def headline(self, result: Result) -> str:
        """Return the first thing that a result says, as plain text."""
        return findings(self.show(result).released, self.language)[0]


def read_exports(settings: Settings) -> Exports:
    """Return the exports that the settings name, with their maps and all that intake needs."""
    clinics = read_clinics(settings.clinics) if settings.clinics else None
    programme = Programme(
        extracted_on=settings.extracted_on,
        clinics=clinics,
        started_on=settings.started_on,
        protocol=settings.protocol,
        corrections=read_corrections(settings.corrections)
        if settings.corrections
        else no_corrections(),
    )
    names = dict.fromkeys(source.source_map for source in settings.sources)
    maps = {name: follow_renamed(read_map(name), clinics) for name in names}
    sources = [(source.path, maps[source.source_map]) for source in settings.sources]
    return Exports(sources, settings.identity_key, programme, settings.cut_off)
