"""The programme's clinical windows: every number that a clinician could dispute, with its reason.

A settings file may override any of them; a report prints those that differ from the default.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import Any

from analytics.errors import SettingsError


def _window(default: Any, reason: str, unit: str = "days") -> Any:
    return field(default=default, metadata={"reason": reason, "unit": unit})


@dataclass(frozen=True)
class Protocol:
    """Windows and thresholds; the reason of each stands in its field's metadata."""

    cast_interval_shortest: int = _window(3, "casts are changed every 5-7 days; some twice weekly")
    cast_interval_longest: int = _window(14, "a cast left on for over two weeks needs a question")
    cast_interval_on_time_from: int = _window(5, "casts are changed every 5-7 days")
    cast_interval_on_time_to: int = _window(9, "a week, with two days for travel and holidays")
    interruption_days: int = _window(28, "a longer gap before correction interrupts a series")
    new_series_days: int = _window(56, "a longer gap begins a new series")
    casts_many: int = _window(8, "series means lie at 4-8 casts", "casts")
    casts_question: int = _window(10, "most published maxima are 8-16", "casts")
    casts_impossible: int = _window(20, "beyond any usual series", "casts")
    final_cast_shortest: int = _window(14, "the cast after tenotomy stays about three weeks")
    final_cast_longest: int = _window(35, "the cast after tenotomy stays about three weeks")
    final_cast_on_time_from: int = _window(18, "three weeks, less three days")
    final_cast_on_time_to: int = _window(28, "three weeks, and one more")
    duplicate_tenotomy_days: int = _window(21, "the same tenotomy recorded twice, or incomplete")
    brace_after_cast_days: int = _window(14, "a foot out of cast without a brace relapses in days")
    brace_on_time_days: int = _window(7, "fitted within a week of the last cast")
    full_time_days: int = _window(90, "full time for about three months")
    full_time_shortest: int = _window(60, "two to four months are in use")
    full_time_longest: int = _window(150, "two to four months are in use")
    full_time_hours: float = _window(16.0, "fewer hours a day are not full time", "hours")
    night_hours_most: float = _window(20.0, "more hours a day are still full time", "hours")
    night_hours_least: float = _window(10.0, "nights and naps are 10-14 hours a day", "hours")
    as_advised_share: float = _window(0.8, "used as advised at four of five reviews", "share")
    brace_until_years: float = _window(4.0, "nights and naps to the age of four or five", "years")
    brace_longest_years: float = _window(6.0, "braces end by the age of four or five", "years")
    correction_abduction: float = _window(50.0, "50-60 degrees in published definitions", "degrees")
    correction_dorsiflexion: float = _window(15.0, "15 degrees in published trials", "degrees")
    correction_pirani: float = _window(1.0, "at most 0.5 or 1 at brace fitting", "points")
    relapse_pirani_rise: float = _window(1.5, "beyond the error between raters", "points")
    relapse_dimeglio_rise: int = _window(4, "beyond the error between raters", "points")
    cast_score_rise: float = _window(1.5, "slipped cast, swapped side, or another rater", "points")
    lost_casting_days: int = _window(21, "three missed weekly visits (Pinto 2022)")
    lost_tenotomy_days: int = _window(28, "past the end of the last cast (Pinto 2022)")
    lost_within_days: int = _window(365, "a time that earlier and later cohorts have both had")
    lost_bracing_days: int = _window(183, "six months without a visit (Pinto 2022)")
    age_question_years: float = _window(10.0, "rarely begun so late", "years")
    age_impossible_years: float = _window(14.0, "outside published series", "years")
    age_youngest_days: int = _window(2, "the first two days are for assessment")
    tenotomy_midfoot_most: float = _window(1.0, "cut only when equinus is left", "points")
    brace_score_most: float = _window(1.5, "above it the foot is hardly corrected", "points")
    start_score_least: float = _window(1.0, "below it the foot is hardly clubfoot", "points")
    relapse_oldest_years: float = _window(8.0, "first relapse is very rare after seven", "years")
    relapse_response_days: int = _window(90, "a relapse is treated within three months")
    transfer_youngest_years: float = _window(2.5, "transfer is done from 2.5-3 years", "years")
    bilateral_start_days: int = _window(28, "both feet usually start on the same day")
    severe_from: float = _window(4.5, "severe above 4 points (published band)", "points")
    moderate_from: float = _window(2.5, "moderate above 2 points (published band)", "points")
    early_start_days: int = _window(42, "casting is advised to begin at 2-6 weeks")
    infant_start_days: int = _window(91, "three months of age")
    late_presenter_days: int = _window(365, "walking age")
    tenotomy_wait_days: int = _window(14, "a corrected midfoot waits two weeks at most")
    tenotomy_complication_days: int = _window(30, "what tenotomy harmed shows within a month")
    repeat_tenotomy_days: int = _window(365, "a second tenotomy within a year was needed early")
    review_every_days: int = _window(91, "reviewed every three to four months in the brace")
    review_tolerance: float = _window(0.25, "a quarter of the interval before or after", "share")
    traced_days: int = _window(90, "back within three months of dropping out")
    relapse_treated_days: int = _window(30, "treatment of a relapse begins within a month")
    release_free_days: int = _window(730, "open release in the first two years")
    landmark_days: int = _window(183, "use told in the first half year after correction")
    few_children: int = _window(10, "a rate over fewer children says nothing", "children")

    def differences(self) -> dict[str, tuple[Any, Any]]:
        """Return name to (default, value in force) for every window that was changed."""
        default = Protocol()
        pairs = {f.name: (getattr(default, f.name), getattr(self, f.name)) for f in fields(self)}
        return {name: pair for name, pair in pairs.items() if pair[0] != pair[1]}


def build_protocol(overrides: dict[str, Any], *, where: str) -> Protocol:
    """Return the default protocol with the overrides of a settings file.

    Parameters
    ----------
    overrides
        Window name to number.
    where
        File and section, for the error message.

    Raises
    ------
    SettingsError
        When a window does not exist or its value is not a number that is at least zero.
    """
    known = {f.name for f in fields(Protocol)}
    for name, value in overrides.items():
        if name not in known:
            raise SettingsError(
                f"the protocol has no window called '{name}'",
                where=where,
                allowed=", ".join(sorted(known)),
                todo="correct the name or take the line out",
            )
        if isinstance(value, bool) or not isinstance(value, int | float) or value < 0:
            raise SettingsError(
                f"the window '{name}' is {value!r}",
                where=where,
                allowed="a number of at least 0",
                todo="write a number without quotes",
            )
    return replace(Protocol(), **overrides)
