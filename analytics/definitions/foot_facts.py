"""The columns of one foot: what courses derive, analyses read and researchers export."""

from __future__ import annotations

from analytics.definitions.columns import Column
from analytics.definitions.milestones import CORRECTION, RELAPSE

SEVERITY_BANDS = ("mild", "moderate", "severe", "unknown")
CORRECTION_RULES = CORRECTION.codes
RELAPSE_RULES = RELAPSE.codes
SERIES_ENDS = ("corrected", "unfinished")
PHASES = ("casting", "after_tenotomy", "bracing", "after_bracing")
STATUSES = ("in_care", "lost", "departed", "completed")
BRACE_PHASES = ("before_brace", "full_time", "nights", "over")
ADHERENCES = ("as_advised", "partly", "not", "unrecorded")


def _date(name: str, meaning: str) -> Column:
    return Column(name, "date", meaning)


def _days(name: str, meaning: str) -> Column:
    return Column(name, "integer", meaning, unit="days")


def _count(name: str, meaning: str, unit: str = "casts") -> Column:
    return Column(name, "integer", meaning, unit=unit)


BASELINE = (
    Column("child", "text", "Keyed pseudonym of the child.", required=True),
    Column("side", "code", "Which foot.", vocabulary="side", required=True),
    Column("clinic", "text", "Clinic of the first cast, else of the first visit.", required=True),
    Column("country", "text", "Country of that clinic."),
    Column("sex", "code", "Sex as recorded.", vocabulary="sex"),
    _date("birth_on", "Date of birth."),
    Column("diagnosis", "code", "Cause of the deformity.", vocabulary="diagnosis"),
    Column("prior_treatment", "code", "Treatment elsewhere.", vocabulary="prior_treatment"),
    Column("family_history", "code", "Clubfoot in a close relative.", vocabulary="yes_no"),
    Column("travel_minutes", "number", "Travel to clinic, one way.", "minutes"),
    Column("atypical", "code", "Short, stiff foot with a deep sole crease.", vocabulary="yes_no"),
    Column(
        "bilateral",
        "flag",
        "Both feet of the child are affected; no when nothing is written about the other.",
    ),
    _date(
        "enrolled_on",
        "First contact with the network; the child's first visit where none is recorded.",
    ),
    _date("started_on", "First cast of the first series; missing when no cast is recorded."),
    Column("quarter", "text", "Quarter of the first cast, as 2024Q1."),
    _days("age_start_days", "Age at the first cast."),
    Column("pirani_start", "number", "Last Pirani total at or before the first cast.", "points"),
    Column("midfoot_start", "number", "Pirani midfoot part then.", "points"),
    Column("hindfoot_start", "number", "Pirani hindfoot part then.", "points"),
    Column("dimeglio_start", "integer", "Dimeglio total then.", "points"),
    Column("severity_band", "code", "mild, moderate, severe or unknown, by the Pirani total."),
)

CASTING = (
    _count("n_series", "Cast series so far, those of relapse among them.", "series"),
    _count(
        "n_casts", "Casts of the first series up to correction, without the one after tenotomy."
    ),
    _count("n_casts_all", "The same with the cast after tenotomy."),
    _count("n_casts_replaced", "Casts that only replace a slipped or broken one (in n_casts)."),
    _count(
        "n_casts_misnumbered",
        "Casts of the first series whose recorded number does not follow by the dates.",
    ),
    _count("n_interruptions", "Longer gaps within the first series.", "gaps"),
    Column("series_end", "code", "How the first series ended: corrected or unfinished."),
    _date("last_cast_on", "Last cast of the first series."),
    _count(
        "n_intervals",
        "Intervals between casts of the first series, up to the one after tenotomy.",
        "intervals",
    ),
    _count("n_intervals_on_time", "Those within the protocol's days.", "intervals"),
    _count("n_cast_visits", "Cast visits of the first series.", "visits"),
    _count("n_cast_visits_scored", "Those with a severity score.", "visits"),
    _count("n_casting_complications", "Complications at its cast visits.", "events"),
    _date("tenotomy_on", "First primary tenotomy: not after correction."),
    Column("has_tenotomy", "flag", "Whether it was done; missing when done before enrolment."),
    _days("days_cast_to_tenotomy", "From the last cast before tenotomy to tenotomy."),
    _days("final_cast_days", "From the cast after tenotomy until seen out of it: brace or visit."),
    Column(
        "tenotomy_complication",
        "flag",
        "Bleeding, nerve or vessel injury noted within the "
        "protocol's days of tenotomy; missing when nothing was noted either way.",
    ),
    _date("retenotomy_on", "Second tenotomy, at least the duplicate window after the first."),
    _date(
        "corrected_on",
        "Day of correction, by the first series or, where that was left "
        "unfinished, by a later one.",
    ),
    Column("correction_rule", "code", "Rule that decided: recorded, examination, brace_fitting."),
    Column("is_corrected", "flag", "Whether the first series reached correction."),
    _days("days_to_correction", "From first cast to correction."),
)

BRACING = (
    _date("brace_on", "First brace fitting at or after correction."),
    _days("days_to_brace", "From the last cast taken off to the brace."),
    _count("n_brace_reviews", "Visits in the brace phase with use recorded.", "visits"),
    _count("n_brace_reviews_as_advised", "Those with the brace used as advised.", "visits"),
    Column("adherence_early", "code", "Use told up to the landmark: as_advised, partly, not, "
           "unrecorded."),
    Column("full_time_completed", "flag", "Seen 60-150 days after fitting, still braced; missing "
           "until then or when use was not told."),
)  # fmt: skip

LATER = (
    _date("relapse_on", "Visit where relapse was first noted or treated."),
    _date("relapse_free_on", "Last visit from correction on without relapse, before that "
          "or so far."),
    Column("relapse_rule", "code", "Source that came first: noted, recast, procedure."),
    _date("relapse_noted_on", "First relapse noted at a visit."),
    _date("relapse_treated_on", "First treatment of relapse: cast, tenotomy, transfer, release."),
    _date("recast_on", "First cast after correction."),
    _date("score_rise_on", "First visit after correction with a score at least the protocol's rise "
          "above its lowest."),
    _date("transfer_on", "First tendon transfer."),
    _date("release_on", "First posterior or posteromedial release."),
    _date("operation_on", "First operation beyond casting and one primary tenotomy."),
    _date("first_seen_on", "First visit of this foot."),
    _date("last_seen_on", "Last visit of this foot at or before the cut-off."),
    _date("departed_on", "Day on which follow-up ended for a stated reason."),
    Column("departure", "code", "That reason.", vocabulary="departure"),
    _date("died_on", "Day of death."),
    Column("phase", "code", "Phase at the last visit: casting, after_tenotomy, bracing, "
           "after_bracing."),
    Column("status", "code", "in_care, lost, departed or completed, at the cut-off."),
    _date("lost_on", "Day on which the phase's limit passed without a visit."),
    Column("good_result", "flag", "Flat foot, ordinary shoe, no pain, caregiver satisfied, at the "
           "end of bracing."),
)  # fmt: skip

LAPSES = (
    _date("first_lost_on", "First day on which a phase's limit passed without a visit, whether or "
          "not the child came back."),
    _date("returned_on", "First visit after that day."),
    _count("n_reviews_due", "Reviews in the brace that fell due: the protocol's interval after "
           "each visit, until relapse or the end of bracing.", "reviews"),
    _count("n_reviews_on_time", "Those held within the protocol's tolerance.", "reviews"),
    _date("due_until_on", "Day until which the foot should have been followed: cut-off, stated "
          "end, or end of bracing by age."),
    _date("followed_until_on", "Day until which it was: a stated end, else the last visit; never "
          "after the day above."),
)  # fmt: skip

FOOT = (*BASELINE, *CASTING, *BRACING, *LATER, *LAPSES)
