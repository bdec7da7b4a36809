"""Who comes for treatment: shares that differ between clinics before anything is done."""

from __future__ import annotations

from dataclasses import replace

from analytics.definitions.indicator import BY_PROGRAMME, Indicator

BOYS = Indicator(
    "boys",
    "mix",
    "sex == 'male'",
    unit="child",
    known="sex != missing",
    reference="about two in three",
    source="boys to girls 1.6-2.6 in published series",
)
BOTH_FEET = replace(
    BOYS,
    code="both_feet",
    numerator="bilateral",
    known="bilateral != missing",
    reference="40-60%",
    source="published series",
)
NOT_IDIOPATHIC = replace(
    BOYS,
    code="not_idiopathic",
    numerator="diagnosis == 'syndromic' or diagnosis == 'neurogenic'",
    known="diagnosis != missing and diagnosis != 'unknown'",
    reference="about 20%",
    source="published series",
)
TREATED_BEFORE = replace(
    BOYS,
    code="treated_before",
    numerator="prior_treatment != 'none'",
    known="prior_treatment != missing and prior_treatment != 'unknown'",
    reference="",
    source=BY_PROGRAMME,
)
SEVERE_AT_START = replace(
    TREATED_BEFORE,
    code="severe_at_start",
    unit="foot",
    numerator="pirani_start >= severe_from",
    known="pirani_start != missing",
)
