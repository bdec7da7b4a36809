"""How alike two children are who may be one: points for what speaks for it, of ten.

Only children with one keyed name, one birth date and one sex are compared. Nobody is joined by
points: they put the surest pairs first in the list for a person to decide. The points are ours.
"""

from __future__ import annotations

#: One keyed name, birth date and sex, without which no pair is told.
BASE = 3

#: By how exact the less exact of the two birth dates is: a whole year has many children.
OF_PRECISION = {"day": 3, "month": 1, "year": 0}

#: The sex is recorded, and not only missing in both.
OF_KNOWN_SEX = 1

#: The same feet have visits.
OF_SAME_FEET = 1

#: Care under one number ended before care under the other began.
OF_ORDER = 2

MOST = BASE + max(OF_PRECISION.values()) + OF_KNOWN_SEX + OF_SAME_FEET + OF_ORDER
