"""What a series file asks, hypotheses, and what was seen, held against its groups and specimens."""

from __future__ import annotations

from rig.protocol.document import Document, meant
from rig.protocol.position import Path
from rig.protocol.series_checks import entries
from rig.protocol.series_tables import ObservationTable, SeriesFile
from rig.units import shown


def check_questions(document: Document, file: SeriesFile) -> None:
    """Note hypotheses and observations that name what is not there, or contradict themselves."""
    _check_hypotheses(document, file)
    _check_observations(document, file)


def _check_hypotheses(document: Document, file: SeriesFile) -> None:
    names: dict[str, int] = {}
    for index, table in enumerate(file.hypothesis):
        if table is None:
            continue
        path: Path = ("hypothesis", index)
        if table.name in names and table.name:
            document.refuse(
                (*path, "name"), f"{shown(table.name)} is there twice", "give each its own name"
            )
        names[table.name] = index
        for key in ("lower", "higher"):
            for group in getattr(table, key):
                if group not in file.groups and "groups" not in document.unread:
                    document.refuse(
                        (*path, key), f"{shown(group)} is no group here", meant(group, file.groups)
                    )
        both = [group for group in table.lower if group in table.higher]
        if both:
            document.refuse(
                (*path, "higher"),
                f"{shown(both[0])} is expected both lower and higher",
                "name a group in one of the two",
            )
        _check_seen(document, path, table.quantity, table.seen)


def _check_seen(document: Document, path: Path, quantity: str, seen: str | None) -> None:
    if "hypothesis" in document.unread:
        return
    if quantity == "observation" and not seen:
        document.refuse(path, "does not say what is expected to be seen", 'add seen = "rust"')
    if quantity != "observation" and seen:
        document.refuse(
            (*path, "seen"), f'goes with quantity = "observation", not "{quantity}"', "take it out"
        )


def _check_observations(document: Document, file: SeriesFile) -> None:
    specimens = {table.specimen for _, table in entries(file)}
    told: set[tuple[str, str]] = set()
    for index, table in enumerate(file.observation):
        if table is None:
            continue
        path: Path = ("observation", index)
        unread = {"life", "ultimate", "observation"} & document.unread
        if table.specimen not in specimens and not unread:
            document.refuse(
                (*path, "specimen"),
                f"{shown(table.specimen)} has neither a life nor an ultimate load here",
                "name the specimen of a [[life]] or an [[ultimate]]",
            )
        for sign in table.looked_for:
            if (table.specimen, sign) in told:
                document.refuse(
                    (*path, "looked_for"),
                    f"{shown(sign)} was told of {shown(table.specimen)} before",
                    "keep one of the two",
                )
            told.add((table.specimen, sign))
        _check_seen_there(document, path, table)


def _check_seen_there(document: Document, path: Path, table: ObservationTable) -> None:
    if not isinstance(table.seen, tuple) or "observation" in document.unread:
        return
    for sign in table.seen:
        if sign not in table.looked_for:
            document.refuse(
                (*path, "seen"),
                f"{shown(sign)} is not among what was looked for",
                meant(sign, table.looked_for),
            )
