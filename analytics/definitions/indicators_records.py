"""Indicators of the records themselves: how much of what counts is written down."""

from __future__ import annotations

from dataclasses import replace

from analytics.definitions.indicator import Indicator

#: Above this share of missing values a clinic's results need a caution.
MISSING_MUCH = 0.10

MISSING_BIRTH = Indicator(
    "missing_birth",
    "records",
    "birth_on == missing",
    unit="child",
    better="lower",
    reference="10% or less",
)
MISSING_SEX = replace(MISSING_BIRTH, code="missing_sex", numerator="sex == missing")
MISSING_DIAGNOSIS = replace(
    MISSING_BIRTH,
    code="missing_diagnosis",
    numerator="diagnosis == missing or diagnosis == 'unknown'",
)
MISSING_PRIOR_TREATMENT = replace(
    MISSING_BIRTH,
    code="missing_prior_treatment",
    numerator="prior_treatment == missing or prior_treatment == 'unknown'",
)
MISSING_SCORE = replace(
    MISSING_BIRTH,
    code="missing_score",
    unit="foot",
    numerator="pirani_start == missing and dimeglio_start == missing",
)
MISSING_BRACE_USE = replace(
    MISSING_BIRTH,
    code="missing_brace_use",
    unit="foot",
    numerator="n_brace_reviews == 0",
    population="brace_on != missing and days_brace_to_last_seen > 0",
)
