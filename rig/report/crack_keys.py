"""How each number of cracks in a report is worked out from run.h5, by its key."""

from __future__ import annotations

from typing import Final

DERIVED_CRACKS: Final[dict[str, str]] = {
    "cracks.written.N.FIELD": (
        "The column FIELD of the row of /cracks whose `entry` is N, as it was written; `number` is "
        "the column `entry`."
    ),
    "cracks.entry.N.FIELD": (
        "Entry N as it stands: the column FIELD of the last correction of N, of N itself where "
        'nothing corrects it. A correction is a row with `kind` "correction"; it corrects the '
        "entry in `corrects` or, where that is a correction, the one that this corrects. `entry`, "
        "`time`, `cycle` and `kind` stay those of row N; `number` is N. An entry whose last "
        'correction has `fact` "withdrawn" does not stand. Of a reading (a standing row of '
        '`kind` "reading") `position` and `direction`, where it has none, are those of the '
        "nearest reading before it, by number, with the same `crack` in small letters and the same "
        "`face` that has one, of the nearest after it where none before has; sizes below 0 or "
        "above 1000 m, and places further than that, count as not read."
    ),
    "cracks.inspections": (
        "Number of inspections: the readings that stand are parted by whether row N has `at_utc` "
        "and a `cycle` not below the root attribute `cycles` (after the end), then by their "
        "`cycle`. WHEN below is the cycle, followed by "
        '".after-end" for those after the end. The order is by cycle, those after the end last; '
        "within one by number."
    ),
    "cracks.unmapped.count": (
        "Number of different `cycle`s in /inspections at which there is no reading that stands."
    ),
    "cracks.unmapped.I": "Those cycles in rising order, number I from 0.",
    "cracks.at.WHEN.cycle": "The cycle of that inspection.",
    "cracks.at.WHEN.cracks": (
        "Number of cracks known then: different `crack`, in small letters (str.casefold), of the "
        "readings up to and with that inspection."
    ),
    "cracks.at.WHEN.marks": (
        "Number of marks known then: different pairs of such a label and `face`."
    ),
    "cracks.at.WHEN.new": "Number of cracks known then less those known one inspection earlier.",
    "cracks.at.WHEN.unread": "Number of marks known then of which no width was read there.",
    "cracks.at.WHEN.N.direction": (
        "Direction of the mark that was found by entry N: that of its last reading with one, up to "
        "that inspection."
    ),
    "cracks.at.WHEN.N.position": (
        "`position` [m] of the last reading with one of the mark found by entry N, up to that "
        "inspection."
    ),
    "cracks.at.WHEN.N.height": "`height` [m] of its last reading with one at that inspection.",
    "cracks.at.WHEN.N.width": "NaN: no width of the mark found by entry N was read there.",
    "cracks.at.WHEN.N.length": "NaN: no length of the mark found by entry N was read there.",
    "cracks.at.WHEN.DIRECTION.cracks": (
        'Number of different labels of the marks known then that have this direction; "untold" '
        "is none, or another than flexural, longitudinal and inclined."
    ),
    "cracks.at.WHEN.DIRECTION.marks": "Number of marks known then that have this direction.",
    "cracks.at.WHEN.DIRECTION.length": (
        "Sum (math.fsum) [m] of the last length read of each of these marks, up to that "
        "inspection; 0 where there is no mark, NaN where there are and no length was read."
    ),
    "cracks.at.WHEN.DIRECTION.unread": "Number of these marks of which no length was ever read.",
    "cracks.at.WHEN.DIRECTION.earlier": (
        "Number of these marks whose length was read at an earlier inspection and not there."
    ),
    "cracks.QUANTITY.marks": 'Number of marks of which a "width" or "length" was read at all.',
    "cracks.QUANTITY.gaps": (
        "How often it was not read of a mark that was known, summed over the inspections."
    ),
    "cracks.rate.QUANTITY.count": (
        "Number of rates: of each mark, one for each two inspections that follow each other among "
        "those at which the quantity was read."
    ),
    "cracks.rate.QUANTITY.A.B.change": (
        'The "width" or "length" of entry B less that of entry A, as they stand [m]: the last '
        "readings of one mark at two inspections that follow each other among those at which it "
        "was read."
    ),
    "cracks.rate.QUANTITY.A.B.per_cycle": (
        "That change over the cycles of B less those of A; NaN where these are not more."
    ),
    "cracks.rate.QUANTITY.A.B.per_decade": (
        "That change over the decimal logarithm of the ratio of the cycles of B and A; NaN where "
        "those of A are 0 or those of B not more."
    ),
    "cracks.readings": "Number of marks known, summed over the inspections.",
    "constant.ROWS": "15: most rows of the table beside a figure of cracks.",
    "constant.LONGEST": "400: most rows of a table of cracks.",
}
"""What each pattern of a key means. N, A, B are numbers of entries, FIELD a column of /cracks."""
