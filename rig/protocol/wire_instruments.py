"""`[[instrument]]` of a rig file: slow instruments that answer a text query."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rig.protocol.channel_tables import channel_like
from rig.protocol.document import Document
from rig.protocol.position import Path
from rig.protocol.wire import Answer, Instrument, Scaling
from rig.protocol.wire_fields import LINE_ENDS, named_once
from rig.protocol.wire_tables import AnswerTable, InstrumentTable
from rig.protocol.wire_values import UNBOUND, is_measured, limited, scaled
from rig.units import shown


def build_instruments(
    document: Document, tables: Sequence[InstrumentTable | None]
) -> tuple[Instrument, ...]:
    """Return the slow instruments; what is wrong with them is noted in the document."""
    named_once(document, "instrument", [(i, t.name) for i, t in enumerate(tables) if t])
    return tuple(
        Instrument(
            name=table.name,
            port=table.port,
            ask=table.ask,
            answers=_answers(document, ("instrument", index), table.answers),
            every=table.every,
            line_end=LINE_ENDS.get(table.line_end, "\n"),
        )
        for index, table in enumerate(tables)
        if table is not None
    )


def _answers(
    document: Document, path: Path, tables: Sequence[AnswerTable | None]
) -> tuple[Answer, ...]:
    found = []
    places: dict[int, str] = {}
    for index, table in enumerate(tables):
        if table is None:
            continue
        at = (*path, "answers", index)
        if table.place in places:
            document.refuse(
                (*at, "place"),
                f"{table.place} is the place of {shown(places[table.place])} already",
                "count the numbers of the answer from 1",
            )
        if not math.isnan(table.place):
            places.setdefault(table.place, table.channel)
        found.append(_answer(document, at, table))
    return tuple(found)


def _answer(document: Document, path: Path, table: AnswerTable) -> Answer:
    scaling, limits = Scaling(), UNBOUND
    if is_measured(table.channel):
        scaling = scaled(document, path, table.channel, table)
        limits = limited(document, path, table.channel, table)
    elif table.channel:
        document.refuse(
            (*path, "channel"), f"{shown(table.channel)} is no channel", channel_like(table.channel)
        )
    return Answer(table.channel, table.place, scaling, *limits)
