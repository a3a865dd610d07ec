"""`nightrig note`: writes into the record of a live test."""

from __future__ import annotations

from pathlib import Path

import click

from rig.commands.asking import by_option, request
from rig.commands.options import REQUEST_CODES
from rig.control.request_line import WORDS
from rig.errors import InputError


@click.command(epilog=REQUEST_CODES)
@click.argument("words", metavar="[DIR] [TEXT]", nargs=-1)
@click.option("--catch-can", metavar="FLOW", help='Flow at a nozzle, such as "1.4 L/min".')
@click.option("--face", metavar="NAME", default="", help="The sprayed face it was taken at.")
@click.option(
    "--moved",
    metavar="CHANNEL",
    default="",
    help="Its sensor was moved or exchanged while the rig stands: what keeps its curve continuous "
    "is added from now on.",
)
@by_option
def note(
    words: tuple[str, ...],
    catch_can: str | None,
    face: str,
    moved: str,
    by: str | None,
    as_json: bool,
) -> int:
    """Write TEXT, or a catch-can reading, into the record of run DIR, with name and count.

    One word alone is the text, unless it is a folder. At an inspection that waits a note holds
    it. A catch-can reading needs its face, and no text. --moved needs a text that says why; its
    answer comes after some seconds, once the sensor stands still.

    Example: nightrig note night-1 "crack at the left load point, 0.1 mm" --by "A. Name"
    """
    measured = None if catch_can is None else flow(catch_can, words)
    folder, text = parted(words, reading=catch_can is not None)
    if face and catch_can is None:
        raise click.UsageError("--face belongs to a --catch-can reading; give both")
    if catch_can is not None and not face:
        raise click.UsageError("--face is missing: name the sprayed face of the reading")
    if moved and catch_can is not None:
        raise click.UsageError("--moved and --catch-can are two notes; write one after the other")
    fields: dict[str, object] = {"moved": moved} if moved else {}
    if measured is not None:
        fields = {"catch_can": measured, "face": face}
    return request(folder, by, as_json, ask="note", text=text, **fields)


def parted(words: tuple[str, ...], *, reading: bool) -> tuple[str | None, str]:
    """Return folder and text of the words; one word that is a folder is no text.

    Raises UsageError where the text is missing; a catch-can `reading` needs none.
    """
    if len(words) > 2:
        raise click.UsageError(
            f"{len(words)} words given; give [DIR] TEXT, the text in quotation marks"
        )
    only_folder = len(words) == 1 and _is_folder(words[0])
    folder = words[0] if len(words) == 2 or only_folder else None
    text = "" if only_folder or not words else words[-1]
    if not text.strip() and not reading:
        raise click.UsageError('the text is missing; give [DIR] TEXT, such as "crack, 0.1 mm"')
    most = WORDS["text"]
    if len(text) > most:
        raise click.UsageError(
            f"the text has {len(text):,} letters, a note takes {most:,}: part it"
        )
    return folder, text


def _is_folder(text: str) -> bool:
    try:
        return Path(text).is_dir()
    except (OSError, ValueError):  # a text may be no path at all, or too long for one
        return False


def flow(text: str, words: tuple[str, ...] = ()) -> float:
    """Return a flow [m3/s] given in words. Raises InputError.

    `words` are the other words of the line: the unit is one of them where quotes were forgotten.
    """
    from rig.units import UNITS, UnitError, parse

    try:
        return parse(text, "flow")
    except UnitError as error:
        unit = next((word for word in words if word in UNITS["flow"]), "")
        if unit and " " not in text:
            raise InputError(
                f'--catch-can {text} {unit}: put it in quotation marks: --catch-can "{text} {unit}"'
            ) from error
        raise InputError(f"--catch-can {text!r}: {error.problem}; {error.remedy}") from error
