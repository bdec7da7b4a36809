"""Dated events of a foot's course, and how each is found in the records."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Rule:
    """One way of finding a milestone."""

    code: str
    meaning: str


@dataclass(frozen=True)
class Milestone:
    """A dated event of one foot.

    Parameters
    ----------
    code
        Stable name.
    column
        Column of the foot that holds its day.
    rules
        How it is found, the preferred way first.
    why
        Why it is dated so.
    """

    code: str
    column: str
    rules: tuple[Rule, ...]
    why: str

    @property
    def codes(self) -> tuple[str, ...]:
        """Return the codes of the rules in their order of preference."""
        return tuple(rule.code for rule in self.rules)


#: Operations on joints and bones. A foot that needs one was not corrected by casting.
RELEASES = ("posterior_release", "posteromedial_release")
OPEN_CORRECTIONS = (*RELEASES, "osteotomy")

#: Procedures that treat a relapse, besides casts and tenotomy.
RELAPSE_PROCEDURES = ("tendon_lengthening", "tendon_transfer", *RELEASES)

#: Procedures beyond serial casting and one primary tenotomy.
OPERATIONS = (*RELAPSE_PROCEDURES, "osteotomy", "other")

START = Milestone(
    "start",
    "started_on",
    (Rule("cast", "first cast of the first series"),),
    "An assessment alone treats nothing.",
)
TENOTOMY = Milestone(
    "tenotomy",
    "tenotomy_on",
    (Rule("first", "first tenotomy of the foot that does not come after correction"),),
    "A tenotomy after correction treats a relapse; a second one soon after the first is the same "
    "one recorded twice, or completes it.",
)
CORRECTION = Milestone(
    "correction",
    "corrected_on",
    (
        Rule("recorded", "recorded as corrected when casting had ended, up to the first brace"),
        Rule("examination", "angles or score reach the protocol's at a visit without a cast"),
        Rule("brace_fitting", "first brace fitted after the last cast"),
    ),
    "The day on which the deciding evidence is seen, since nobody knows how much earlier it was "
    "true. After a tenotomy never before its cast comes off: until then the tendon has not healed "
    "and nobody has seen whether the foot stays where the cast holds it. What is written after "
    "the brace was fitted moves nothing: a foot is braced because it is corrected.",
)
BRACE_START = Milestone(
    "brace_start",
    "brace_on",
    (Rule("fitting", "first brace fitting at or after correction"),),
    "A later fitting replaces a brace that broke or was outgrown.",
)
RELAPSE = Milestone(
    "relapse",
    "relapse_on",
    (
        Rule("noted", "relapse, or a part of it, noted at a visit"),
        Rule("recast", "a cast after correction"),
        Rule("procedure", "tenotomy, lengthening, transfer or release after correction"),
    ),
    "The first of them; deformity before correction is incomplete correction, not relapse. A rise "
    "of the score alone is kept apart: raters differ by as much as a point.",
)
LAST_SEEN = Milestone(
    "last_seen",
    "last_seen_on",
    (Rule("visit", "last visit of that foot at or before the cut-off"),),
    "Nobody knows how a foot fares that nobody looked at.",
)

MILESTONES: tuple[Milestone, ...] = (
    START,
    TENOTOMY,
    CORRECTION,
    BRACE_START,
    RELAPSE,
    LAST_SEEN,
)
