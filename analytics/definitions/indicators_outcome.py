"""Indicators of outcome: who is lost, and whether correction lasts."""

from __future__ import annotations

from dataclasses import replace

from analytics.definitions.indicator import BY_PROGRAMME, Indicator

# --- follow-up --------------------------------------------------------------------------------

# Who died or moved away cannot drop out; who completed care or declined it has a stated end.
DROPPED_OUT = Indicator(
    "dropped_out",
    "follow_up",
    "status == 'lost'",
    population="started_on != missing and (departure == missing "
    "or (departure != 'died' and departure != 'moved_away'))",
    unit="child",
    known="status != missing",
    origin="started_on",
    maturity_days=183,
    better="lower",
    reference="16-17%",
    source="Pinto 2022 (155 of 965 children)",
)
# The longer ago a child began, the more time there was to be lost: quarters and clinics compare
# only within a time that each child has had.
LOST_FIRST_YEAR = replace(
    DROPPED_OUT,
    code="lost_first_year",
    numerator="first_lost_on != missing and days_started_to_first_lost < lost_within_days",
    population="started_on != missing and (departure == missing "
    "or (departure != 'died' and departure != 'moved_away') "
    "or days_started_to_departed >= lost_within_days)",
    known="",
    maturity_days="lost_within_days",
    reference="",
    source=BY_PROGRAMME,
)
DROPPED_OUT_CASTING = replace(
    DROPPED_OUT,
    code="dropped_out_casting",
    numerator="status == 'lost' and phase == 'casting'",
    population="started_on != missing and (departure == missing or phase != 'casting' "
    "or (departure != 'died' and departure != 'moved_away'))",
    maturity_days="lost_casting_days",
    reference="",
    source=BY_PROGRAMME,
)
DROPPED_OUT_AFTER_TENOTOMY = replace(
    DROPPED_OUT_CASTING,
    code="dropped_out_after_tenotomy",
    numerator="status == 'lost' and phase == 'after_tenotomy'",
    population="tenotomy_on != missing and (departure == missing or phase != 'after_tenotomy' "
    "or (departure != 'died' and departure != 'moved_away'))",
    origin="tenotomy_on",
    maturity_days="lost_tenotomy_days",
)
DROPPED_OUT_BRACING = replace(
    DROPPED_OUT_CASTING,
    code="dropped_out_bracing",
    numerator="status == 'lost' and phase == 'bracing'",
    population="brace_on != missing and (departure == missing or phase != 'bracing' "
    "or (departure != 'died' and departure != 'moved_away'))",
    origin="brace_on",
    maturity_days="lost_bracing_days",
)
TRACED = Indicator(
    "traced",
    "follow_up",
    "returned_on != missing and days_first_lost_to_returned <= traced_days",
    population="first_lost_on != missing",
    unit="child",
    origin="first_lost_on",
    maturity_days="traced_days",
    better="higher",
    reference="24% published, 50% or more aimed at",
    source="Pinto 2022 (37 of 155 who dropped out)",
)
FOLLOW_UP_COMPLETENESS = Indicator(
    "follow_up_completeness",
    "follow_up",
    "days_started_to_followed_until",
    population="days_started_to_due_until > 0",
    kind="ratio",
    unit="child",
    denominator="days_started_to_due_until",
    counted="day",
    better="higher",
    reference="80% or more",
    source="measure C of Clark 2002, Lancet 359:1309; range set by the programme",
)

# --- lasting result ---------------------------------------------------------------------------

RELAPSE_FREE_1Y = Indicator(
    "relapse_free_1y",
    "lasting",
    "relapse",
    population="corrected_on != missing",
    kind="curve",
    horizon_days=365,
    origin="corrected_on",
    better="higher",
    source="depends on the definition; 84 studies gave 1.9-45% relapse (Thomas 2019)",
    rests_on_follow_up=True,
)
RELAPSE_FREE_2Y = replace(RELAPSE_FREE_1Y, code="relapse_free_2y", horizon_days=730)
RELAPSE_FREE_3Y = replace(RELAPSE_FREE_1Y, code="relapse_free_3y", horizon_days=1096)
RELAPSE_FREE_5Y = replace(RELAPSE_FREE_1Y, code="relapse_free_5y", horizon_days=1826)
RELAPSE_TREATED = Indicator(
    "relapse_treated",
    "lasting",
    "relapse_treated_on != missing and days_relapse_to_relapse_treated <= relapse_treated_days",
    population="relapse_on != missing",
    known="relapse_treated_on != missing or days_relapse_to_last_seen > relapse_treated_days",
    origin="relapse_on",
    maturity_days=91,
    better="higher",
    reference="90% or more",
    rests_on_follow_up=True,
)
TRANSFER_FREE_3Y = Indicator(
    "transfer_free_3y",
    "lasting",
    "transfer_by_age",
    population="birth_on != missing and diagnosis == 'idiopathic'",
    kind="curve",
    horizon_days=1096,
    origin="birth_on",
    better="higher",
    reference="over 95%",
    source="Zionts 2016 (137 children: transfer under 5% at 3, over 15% at 4, 29% at 6 years)",
    rests_on_follow_up=True,
)
TRANSFER_FREE_4Y = replace(
    TRANSFER_FREE_3Y, code="transfer_free_4y", horizon_days=1461, reference="about 85%"
)
TRANSFER_FREE_6Y = replace(
    TRANSFER_FREE_3Y, code="transfer_free_6y", horizon_days=2192, reference="about 71%"
)
OPERATION_FREE_2Y = replace(
    RELAPSE_FREE_2Y, code="operation_free_2y", numerator="operation", source=BY_PROGRAMME
)
RELEASE_AVOIDED = Indicator(
    "release_avoided",
    "lasting",
    "release_on == missing or days_started_to_release > release_free_days",
    known="release_on != missing or days_started_to_last_seen >= release_free_days",
    origin="started_on",
    maturity_days="release_free_days",
    better="higher",
    reference="95-98%",
    rests_on_follow_up=True,
)
GOOD_RESULT = Indicator(
    "good_result",
    "lasting",
    "good_result",
    population="started_on != missing and birth_on != missing",
    known="good_result != missing",
    origin="birth_on",
    maturity_days=1643,
    better="higher",
    reference="56-93% by measure",
    source="Smythe 2017, PLoS ONE e0190056, for the four measures",
    rests_on_follow_up=True,
)
