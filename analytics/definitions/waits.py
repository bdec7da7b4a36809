"""Stretches of the way from birth to the brace that a programme can shorten."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Wait:
    """Days from one date of a foot to another; its words are the label ``measure.<code>``.

    Parameters
    ----------
    code
        Stable name.
    origin, event
        Date columns: from when, and until what.
    until
        Date column until which it is known that the event had not happened.
    population
        Rule; who is asked besides having the origin.
    """

    code: str
    origin: str
    event: str
    until: str = "last_seen_on"
    population: str = ""


WAITS: tuple[Wait, ...] = (
    Wait("wait_birth_to_visit", "birth_on", "first_seen_on"),
    Wait("wait_visit_to_cast", "first_seen_on", "started_on"),
    Wait("wait_visit_to_correction", "first_seen_on", "corrected_on"),
    Wait("wait_cast_to_correction", "started_on", "corrected_on"),
    Wait("wait_cast_to_brace", "last_cast_on", "brace_on", population="is_corrected"),
)
