"""Indicators of treatment: access, casting, tenotomy and brace, in the order of the pathway."""

from __future__ import annotations

from dataclasses import replace

from analytics.definitions.indicator import BY_PROGRAMME, Indicator

# --- access -----------------------------------------------------------------------------------

EARLY_START_6W = Indicator(
    "early_start_6w",
    "access",
    "age_start_days <= early_start_days",
    unit="child",
    known="age_start_days != missing",
    better="higher",
    source="start between 2 and 6 weeks is advised (Gelfer 2022, consensus)",
)
EARLY_START_3M = replace(
    EARLY_START_6W,
    code="early_start_3m",
    numerator="age_start_days <= infant_start_days",
    source=BY_PROGRAMME,
)
EARLY_START_12M = replace(
    EARLY_START_3M, code="early_start_12m", numerator="age_start_days < late_presenter_days"
)
LATE_PRESENTERS = replace(
    EARLY_START_3M,
    code="late_presenters",
    numerator="age_start_days >= late_presenter_days",
    # A child with one foot begun earlier began earlier: the complement of the one above.
    child_is="all",
    better="lower",
)

# --- casting ----------------------------------------------------------------------------------

BASELINE_SCORE = Indicator(
    "baseline_score",
    "casting",
    "pirani_start != missing or dimeglio_start != missing",
    better="higher",
    reference="95% or more",
)
SCORED_CAST_VISITS = Indicator(
    "scored_cast_visits",
    "casting",
    "n_cast_visits_scored",
    kind="ratio",
    denominator="n_cast_visits",
    counted="visit",
    better="higher",
    reference="90% or more",
)
CASTS_TO_CORRECTION = Indicator(
    "casts_to_correction",
    "casting",
    "n_casts",
    population="is_corrected and prior_treatment == 'none'",
    kind="spread",
    belongs_on="corrected_on",
    scale="casts",
    reference="4-8 casts",
    source="series means of 4.2-8.7 casts in 17 published series",
)
MANY_CASTS = Indicator(
    "many_casts",
    "casting",
    "n_casts > casts_many",
    population="is_corrected and diagnosis == 'idiopathic' and prior_treatment == 'none' "
    "and (atypical == missing or atypical != 'yes')",
    known="n_casts != missing",
    belongs_on="corrected_on",
    better="lower",
    reference="under 10%",
)
CAST_INTERVALS_ON_TIME = Indicator(
    "cast_intervals_on_time",
    "casting",
    "n_intervals_on_time",
    population="n_intervals > 0",
    kind="ratio",
    denominator="n_intervals",
    counted="interval",
    better="higher",
    reference="80% or more",
)
# A child who died or moved away in casting could not complete it here.
CASTING_COMPLETED = Indicator(
    "casting_completed",
    "casting",
    "is_corrected",
    population="started_on != missing and (is_corrected or departure == missing "
    "or (departure != 'died' and departure != 'moved_away'))",
    unit="child",
    child_is="all",
    origin="started_on",
    maturity_days=183,
    better="higher",
    reference="90% or more",
    rests_on_follow_up=True,
    presumed_no="status == 'lost'",
)
INITIAL_CORRECTION = Indicator(
    "initial_correction",
    "casting",
    "is_corrected",
    origin="started_on",
    maturity_days=183,
    better="higher",
    reference="90-98%",
    source="Richards 2008 (94.4% of 267 feet)",
    rests_on_follow_up=True,
    presumed_no="status == 'lost'",
)
INITIAL_CORRECTION_FINISHED = replace(
    INITIAL_CORRECTION,
    code="initial_correction_finished",
    population="started_on != missing and not (phase == 'casting' and status != 'in_care')",
    rests_on_follow_up=False,
    presumed_no="",
)
CASTING_DIFFICULTY = Indicator(
    "casting_difficulty",
    "casting",
    "n_casts_replaced > 0 or n_casting_complications > 0",
    unit="child",
    known="n_casts_replaced != missing and n_casting_complications != missing",
    better="lower",
    reference="38% where any delay counts",
    source="18 of 47 children, J Foot Ankle Surg 2020;59:100",
)
CASTING_COMPLICATIONS = Indicator(
    "casting_complications",
    "casting",
    "n_casting_complications",
    kind="ratio",
    denominator="n_casts_all",
    counted="cast",
    scale="per_100",
    better="lower",
    reference="about 3 slipped casts per 100",
    source="4 of 128 casts, Indian J Orthop 2023, s43465-023-00910-w",
)
CASTING_COMPLICATIONS_CHILDREN = replace(
    CASTING_COMPLICATIONS,
    code="casting_complications_children",
    unit="child",
    denominator="",
    counted="",
    reference="",
    source=BY_PROGRAMME,
)

# --- tenotomy ---------------------------------------------------------------------------------

TENOTOMY_RATE = Indicator(
    "tenotomy_rate",
    "tenotomy",
    "has_tenotomy",
    population="is_corrected and prior_treatment != 'tenotomy' and prior_treatment != 'surgery'",
    known="has_tenotomy != missing",
    belongs_on="corrected_on",
    reference="70-90%",
    source="Scher 2004 (72%); Smythe 2016 (78.9%); Islam 2020 (84-86%)",
)
TENOTOMY_DELAY = Indicator(
    "tenotomy_delay",
    "tenotomy",
    "days_cast_to_tenotomy <= tenotomy_wait_days",
    population="tenotomy_on != missing",
    known="days_cast_to_tenotomy != missing",
    belongs_on="tenotomy_on",
    better="higher",
)
FINAL_CAST_ON_TIME = Indicator(
    "final_cast_on_time",
    "tenotomy",
    "final_cast_on_time_from <= final_cast_days <= final_cast_on_time_to",
    population="tenotomy_on != missing",
    known="final_cast_days != missing",
    origin="tenotomy_on",
    maturity_days=35,
    better="higher",
    reference="85% or more",
)
REPEAT_TENOTOMY = Indicator(
    "repeat_tenotomy",
    "tenotomy",
    "retenotomy_on != missing and days_tenotomy_to_retenotomy <= repeat_tenotomy_days",
    population="tenotomy_on != missing",
    known="retenotomy_on != missing or days_tenotomy_to_last_seen >= repeat_tenotomy_days",
    origin="tenotomy_on",
    maturity_days="repeat_tenotomy_days",
    better="lower",
    reference="under 5%",
    rests_on_follow_up=True,
)
TENOTOMY_COMPLICATION = Indicator(
    "tenotomy_complication",
    "tenotomy",
    "tenotomy_complication",
    population="tenotomy_on != missing",
    known="tenotomy_complication != missing",
    origin="tenotomy_on",
    maturity_days="tenotomy_complication_days",
    better="lower",
    reference="under 2%",
    rests_on_follow_up=True,
)

# --- brace ------------------------------------------------------------------------------------

BRACE_ON_TIME = Indicator(
    "brace_on_time",
    "brace",
    "brace_on != missing and days_to_brace <= brace_on_time_days",
    population="is_corrected",
    known="days_to_brace != missing or days_corrected_to_last_seen > brace_on_time_days",
    origin="corrected_on",
    maturity_days=30,
    better="higher",
    reference="95% or more",
    rests_on_follow_up=True,
)
FULL_TIME_COMPLETED = Indicator(
    "full_time_completed",
    "brace",
    "full_time_completed",
    population="brace_on != missing",
    unit="child",
    child_is="all",
    origin="brace_on",
    maturity_days="full_time_longest",
    better="higher",
    reference="90% or more",
    rests_on_follow_up=True,
    presumed_no="status == 'lost'",
)
RETENTION_1Y = Indicator(
    "retention_1y",
    "brace",
    "leaving_care",
    population="brace_on != missing",
    kind="curve",
    horizon_days=365,
    reading="aalen_johansen",
    origin="brace_on",
    better="higher",
)
RETENTION_2Y = replace(RETENTION_1Y, code="retention_2y", horizon_days=730)
RETENTION_3Y = replace(RETENTION_1Y, code="retention_3y", horizon_days=1096)
RETENTION_4Y = replace(RETENTION_1Y, code="retention_4y", horizon_days=1461)
REPORTED_ADHERENCE = Indicator(
    "reported_adherence",
    "brace",
    "n_brace_reviews_as_advised",
    population="brace_on != missing",
    known="n_brace_reviews > 0",
    kind="ratio",
    denominator="n_brace_reviews",
    counted="review",
    better="higher",
    reference="50-85%, as told",
)
REVIEW_ON_TIME = Indicator(
    "review_on_time",
    "brace",
    "n_reviews_on_time",
    population="n_reviews_due > 0",
    belongs_on="brace_on",
    kind="ratio",
    denominator="n_reviews_due",
    counted="review",
    better="higher",
    reference="80% or more",
)
