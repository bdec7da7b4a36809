"""The invented country, its clinics and the effects at work there: every number of the scenario."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

SEED = 20260930
CUT_OFF = date(2026, 9, 30)
STARTED_ON = date(2020, 10, 1)
NETWORK = "Sorvanna Clubfoot Network"

#: Two letters that ISO 3166-1 leaves to users; no country has them.
COUNTRY = "XV"


@dataclass(frozen=True)
class Clinic:
    """One invented clinic.

    Parameters
    ----------
    n_children
        Children whom it enrols in the six years.
    severity
        Shift of its children's severity, in standard deviations.
    log_casts, log_loss
        Its own effect on the number of casts and on the hazard of being lost.
    far
        Share of families who travel for over two hours.
    corrected_box
        Whether its form has a box for "corrected".
    stream
        Number of its stream of random numbers.
    """

    code: str
    name: str
    export: str
    opened_on: date
    n_children: int
    annual_live_births: int
    stream: int
    severity: float = 0.0
    log_casts: float = 0.0
    log_loss: float = 0.0
    far: float = 0.3
    corrected_box: bool = True


CLINICS = (
    Clinic("AMB", "Ambermere", "long", date(2020, 10, 1), 265, 46_000, 1, far=0.2),
    Clinic("KIT", "Kittering Bay", "long", date(2020, 10, 1), 215, 39_500, 2, 0.1, -0.03),
    Clinic("LOR", "Port Lorrel", "long", date(2021, 2, 1), 190, 35_000, 3, -0.1, 0.02),
    Clinic("OST", "Ostermoor", "long", date(2021, 6, 1), 165, 30_000, 4, 0.0, 0.24),
    Clinic("DUN", "Dunmarrow", "long", date(2021, 9, 1), 150, 31_500, 5, 0.1, 0.0, 1.8, 0.45),
    Clinic("HAL", "Hallowfen", "long", date(2022, 4, 1), 125, 24_000, 6, -0.15, -0.02),
    Clinic("BRA", "Brackenwater", "long", date(2023, 1, 16), 105, 26_500, 7, 0.25, 0.03),
    Clinic("SIL", "Silverstrand", "long", date(2024, 5, 1), 60, 21_000, 8, 0.0, -0.01),
    Clinic("VDO", "Valdoriane", "wide", date(2020, 10, 1), 230, 42_000, 9, 0.0, 0.01, far=0.25),
    Clinic("MTR", "Montrouvel", "wide", date(2021, 3, 1), 175, 33_000, 10, -0.1, -0.03),
    Clinic("BES", "Belestrande", "wide", date(2021, 11, 2), 135, 28_000, 11, 0.1, 0.02, -0.2),
    Clinic("PLZ", "Pont-Lazuret", "wide", date(2022, 9, 1), 100, 25_500, 12, 0.2, 0.0, 0.1, 0.4,
           False),
    Clinic("RAM", "Roche-Amarine", "wide", date(2024, 1, 8), 70, 19_000, 13, -0.05, 0.02),
    Clinic("IVR", "Isle Verrain", "long", date(2022, 6, 1), 9, 2_100, 14),
)  # fmt: skip

MORE_CASTS, MANY_LOST, VERY_SMALL = "OST", "DUN", "IVR"

DIAGNOSES = ("idiopathic", "syndromic", "neurogenic", "unknown")
PRIORS = ("none", "casts", "tenotomy", "surgery", "unknown")
ADHERENCES = ("as_advised", "partly", "not")


@dataclass(frozen=True)
class Effects:
    """The effects at work; those on a log scale begin with ``log_``."""

    # Who comes
    share_bilateral: float = 0.48
    share_right: float = 0.54
    share_male: float = 0.67
    share_diagnosis: tuple[float, ...] = (0.84, 0.05, 0.06, 0.05)
    share_prior: tuple[float, ...] = (0.85, 0.09, 0.015, 0.005, 0.04)
    share_atypical: float = 0.06
    share_family: float = 0.12
    share_adherence: tuple[float, ...] = (0.62, 0.26, 0.12)
    sd_severity_child: float = 0.75
    sd_severity_foot: float = 0.45
    # Casts: a log-linear mean
    casts_centre: float = 5.0
    log_casts_per_point: float = 0.14
    log_casts_per_year: float = 0.05
    log_casts_atypical: float = 0.15
    log_casts_non_idiopathic: float = 0.12
    log_casts_prior: float = -0.10
    casts_success: float = 0.6
    casts_correlation: float = 0.75
    # Tenotomy, failed casting, leaving during casting
    logit_tenotomy: float = 1.85
    logit_tenotomy_per_hindfoot: float = 1.1
    logit_failure: float = -4.3
    logit_failure_per_point: float = 0.4
    logit_failure_atypical: float = 1.2
    logit_failure_non_idiopathic: float = 1.0
    leaving_per_cast_visit: float = 0.006
    # Relapse: hazard a year up to each number of days from correction, for a typical idiopathic
    # foot of 4.5 points with the brace used as advised
    relapse_until_days: tuple[int, ...] = (91, 365, 1095, 1825, 4000)
    relapse_per_year: tuple[float, ...] = (0.015, 0.060, 0.080, 0.045, 0.020)
    log_relapse_per_point: float = 0.25
    log_relapse_adherence: tuple[float, ...] = (0.0, 0.60, 1.35)
    log_relapse_atypical: float = 0.50
    log_relapse_non_idiopathic: float = 0.60
    frailty_variance: float = 0.5
    # Adherence gets one level worse
    worse_after_days: int = 270
    worse_per_year: float = 0.06
    # Loss in the brace phase, a year; depends on what also drives relapse
    loss_per_year: float = 0.042
    log_loss_adherence: tuple[float, ...] = (0.0, 0.5, 1.0)
    log_loss_far: float = 0.35
    log_loss_per_log_frailty: float = 0.35
    # Other ends
    death_per_year: float = 0.006
    moved_away_per_year: float = 0.008
    declined_per_year: float = 0.003
    share_moving_inside: float = 0.035
    centre_pirani: float = field(default=4.5)
    centre_hindfoot: float = field(default=2.5)


EFFECTS = Effects()
