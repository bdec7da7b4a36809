"""What a report knows of one clinic: its facts, its records to fix, and questions to it."""

from __future__ import annotations

import difflib
import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import pandas as pd

from analytics.analyses import every_clinic
from analytics.analyses.every_clinic import EveryClinic
from analytics.definitions.labels import label, labels
from analytics.definitions.policies import Policy
from analytics.display import numbers, terms
from analytics.display.found import tell_found
from analytics.errors import QuestionError, SettingsError
from analytics.reports.listing import Listing, as_table
from analytics.results import Result

#: Positions that a clinic is asked about.
UNUSUAL = ("higher", "lower")

Row = tuple[str | int, ...]

#: Longest part of a file name that is taken from a clinic's code.
_LONGEST = 40


@dataclass(frozen=True)
class ClinicFile:
    """What is known of all clinics, for the pages of each.

    Parameters
    ----------
    clinics
        The programme's clinics.
    every
        Each against the network.
    faults
        As ``reports.fixing.list_kinds`` gives them.
    """

    clinics: pd.DataFrame
    every: EveryClinic
    faults: pd.DataFrame

    @property
    def codes(self) -> tuple[str, ...]:
        """Return the code of every clinic, in order."""
        return tuple(self.every.sizes["clinic"].astype(str))

    def name_of(self, clinic: str) -> str:
        """Return the name of a clinic with its code, made harmless; the code alone without one."""
        names = self.clinics.set_index("clinic")["name"]
        name = names.get(clinic, pd.NA)
        code = terms.clean(clinic)
        return code if pd.isna(name) else f"{terms.clean(name)} ({code})"


def check_released(policy: Policy) -> None:
    """Raise ``QuestionError`` when the policy has no pages of single clinics."""
    if not policy.clinic_pages:
        raise QuestionError(
            f"the page of a single clinic is not released to the audience {policy.audience!r}",
            allowed="an audience that knows the clinics, such as internal",
            todo="use the chapter on clinics, where small clinics stand together",
        )


def file_name(clinic: str) -> str:
    """Return the file name of a clinic's page: the same every time, safe on every disk.

    A code of capital letters and digits stands as it is; any other is made plain and marked by a
    digest, so that no two clinics share a name, even where capitals do not count.
    """
    if re.fullmatch(f"[A-Z0-9]{{1,{_LONGEST}}}", clinic):
        return f"clinic-{clinic}.html"
    plain = re.sub("[^A-Za-z0-9]+", "-", clinic).strip("-")[:_LONGEST]
    digest = hashlib.sha256(clinic.encode("utf-8")).hexdigest()[:8]
    return f"clinic-{plain}-{digest}.html" if plain else f"clinic-{digest}.html"


@dataclass(frozen=True)
class OneClinic:
    """What the page of one clinic shows, piece by piece.

    Parameters
    ----------
    file
        What is known of all clinics.
    clinic
        Code of the clinic.
    audience, language
        Who reads the page.
    cut_off
        The day as of which is reported.

    Raises
    ------
    SettingsError
        When there is no such clinic.
    """

    file: ClinicFile
    clinic: str
    audience: str
    language: str
    cut_off: date

    def __post_init__(self) -> None:
        if self.clinic not in self.file.codes:
            codes = self.file.codes
            near = difflib.get_close_matches(self.clinic, codes, n=3, cutoff=0.4)
            raise SettingsError(
                f"there is no clinic with the code {self.clinic!r}",
                allowed=f"close to it: {', '.join(near)}" if near else ", ".join(codes),
                todo="correct the code; the list of clinics beside the settings has them all",
            )

    @property
    def standing(self) -> Result:
        """Return how the clinic stands against the network."""
        return every_clinic.standing(self.file.every, self.clinic)

    @property
    def numbers(self) -> Result:
        """Return its own figures beside the network's."""
        return every_clinic.numbers(self.file.every, self.clinic)

    def chart(self, code: str) -> Result:
        """Return its quarters under an indicator that clinics are compared by."""
        return every_clinic.chart(self.file.every, self.clinic, code)

    @property
    def facts(self) -> Listing:
        """Return what is known of the clinic: who came, since when, and under which names."""
        every, code = self.file.every, self.clinic
        size = every.sizes.set_index("clinic").loc[code]
        listed = self.file.clinics.set_index("clinic")
        row = listed.loc[code] if code in listed.index else pd.Series(dtype=object)
        told = [self._size(size)]
        for name, key in (("opened_on", "opened"), ("closed_on", "closed")):
            day = row.get(name, pd.NaT)
            if not pd.isna(day) and pd.Timestamp(day).date() <= self.cut_off:
                told.append(self._say(key, day=numbers.day(day, self.language)))
        former = row.get("formerly", pd.NA)
        if not pd.isna(former):
            told.append(self._say("formerly", codes=terms.clean(former)))
        return self._list("facts", " ".join([self.file.name_of(code) + ".", *told]))

    @property
    def records_to_fix(self) -> Listing:
        """Return the faults found in its records, by rule, with what to do."""
        faults = self._faults(of_clinic=False)
        known = labels(self.language)
        rows = [
            (
                known[f"check.{fault.rule}.what"],
                int(fault.n),
                known[f"check.{fault.rule}.todo"],
                label(self.language, f"workbook.severity.{fault.severity}"),
                terms.clean(fault.first),
            )
            for fault in faults.itertuples(index=False)
        ]
        is_hard = faults["severity"].eq("hard")
        out, check = (
            numbers.count(int(faults.loc[which, "n"].sum()), self.language)
            for which in (is_hard, ~is_hard)
        )
        said = self._say("fix.sentence" if rows else "fix.none", out=out, check=check)
        return self._list("fix", said, ("what", "n", "todo", "in_report", "first"), rows)

    @property
    def questions(self) -> Listing:
        """Return what is unusual in the clinic as a whole, as questions and never as faults."""
        known = labels(self.language)
        rows = [
            (
                known[f"check.{q.rule}.what"],
                terms.clean(tell_found(q.found, self.language)),
                known[f"check.{q.rule}.todo"],
            )
            for q in self._faults(of_clinic=True).itertuples(index=False)
        ]
        frame = self.standing.frame
        for line in frame.loc[frame["flag"].isin(UNUSUAL)].itertuples(index=False):
            words = label(self.language, f"measure.{line.measure}")
            found = label(self.language, f"flag.{line.flag}")
            rows.append((words, found, self._say(f"talk.{line.measure}")))
        said = self._say("ask.sentence" if rows else "ask.none")
        return self._list("ask", said, ("what", "found", "todo"), rows)

    def _faults(self, *, of_clinic: bool) -> pd.DataFrame:
        faults = self.file.faults
        return faults.loc[
            faults["clinic"].eq(self.clinic) & faults["scope"].eq("clinic").eq(of_clinic)
        ]

    def _size(self, size: pd.Series) -> str:
        n_feet, n_children = int(size["n_feet"]), int(size["n_children"])
        if not n_feet:
            return self._say("nobody")
        feet, children = (
            numbers.counted(n, unit, self.language)
            for n, unit in ((n_feet, "foot"), (n_children, "child"))
        )
        if pd.isna(size["first_on"]):
            return self._say("no_cast", feet=feet, children=children)
        first, last = (numbers.day(size[name], self.language) for name in ("first_on", "last_on"))
        key = "one_child" if n_children == 1 else "size"
        return self._say(key, feet=feet, children=children, first=first, last=last)

    def _say(self, key: str, **values: object) -> str:
        return label(self.language, f"clinic_page.{key}", **values)

    def _list(
        self, name: str, said: str, heads: Sequence[str] = (), rows: Sequence[Row] = ()
    ) -> Listing:
        words = [(head, self._say(f"{name}.{head}")) for head in heads]
        caption = self._say(f"{name}.caption")
        return Listing(name, self.audience, as_table(caption, words, rows), said)
