"""`nightrig note`: writes into the record of a live test, or of one that has ended."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import click

from rig.commands.asking import by_option, login_name, request, tell, the_run
from rig.commands.note_said import Said, line_of
from rig.control.address import find_socket
from rig.control.caller import look_at
from rig.control.request_line import WORDS
from rig.errors import InputError

CODES: Final = (
    "\b\n"
    "Without DIR the one live run is asked. Ends with\n"
    "  0  written down and recorded\n"
    "  2  refused, or no such run: nothing was written\n"
    "  6  written down, but it could not be recorded"
)


MOST_WIRES: Final = 1000
"""Wires beyond which a number is a slip of the pen: no specimen of a laboratory has more."""


def _option(name: str, metavar: str, text: str) -> Callable[[Callable[..., int]], Any]:
    return click.option(name, metavar=metavar, default="", help=text)


@click.command(epilog=CODES)
@click.argument("words", metavar="[DIR] [TEXT]", nargs=-1)
@_option(
    "--crack",
    "LABEL",
    "A reading of this crack, such as C1; a new one, or one new on a face, needs --face, --at.",
)
@_option(
    "--face",
    "NAME",
    "Face of the crack (front, back, bottom, top, left-end, right-end), or the sprayed face of a "
    "catch-can reading.",
)
@_option("--at", "LENGTH", 'Place along the span from the left support, "740 mm".')
@_option("--tip", "LENGTH", "Height of its tip above the soffit.")
@_option("--direction", "NAME", "flexural, longitudinal or inclined.")
@_option("--width", "LENGTH", 'Width, "0.12 mm", or "not read".')
@_option("--length", "LENGTH", 'Length, "60 mm", or "not read".')
@_option("--lost", "TEXT", "Lost material.")
@_option("--picture", "FILE", "JPEG or PNG of the crack, or of the inspection; it is copied.")
@click.option(
    "--correct",
    metavar="N",
    type=click.IntRange(min=1),
    help="What is given is right in entry N, which stays readable.",
)
@click.option("--withdraw", is_flag=True, help="Take entry N back; TEXT says why.")
@click.option(
    "--read-at",
    metavar="N",
    type=click.IntRange(min=0),
    help="Count of cycles of the earlier inspection at which it was read, such as 100000.",
)
@click.option("--cracks", is_flag=True, help="Ask for each crack known so far, then for new ones.")
@click.option("--list", "listed", is_flag=True, help="Print the crack log; nothing is written.")
@click.option(
    "--map",
    "map_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Draw the crack map to scale into a new SVG, PNG or PDF file.",
)
@_option("--mode", "TEXT", "After the end: how it failed.")
@_option("--void", "REASON", "After the end: the test is void.")
@click.option("--valid", is_flag=True, help="After the end: the test is valid.")
@click.option(
    "--wires-broken",
    metavar="N",
    type=click.IntRange(min=0, max=MOST_WIRES),
    help="After the end: how many wires are broken.",
)
@_option("--wires-where", "TEXT", "Where they are broken.")
@_option("--rust", "TEXT", 'After the end: rust on the tendons, or "none".')
@click.option("--catch-can", metavar="FLOW", help='Flow at a nozzle, such as "1.4 L/min".')
@_option(
    "--moved",
    "CHANNEL",
    "Its sensor was moved or exchanged while the rig stands: what keeps its curve continuous "
    "is added from now on.",
)
@by_option
def note(
    words: tuple[str, ...],
    cracks: bool,
    listed: bool,
    map_file: Path | None,
    by: str | None,
    as_json: bool,
    **options: Any,
) -> int:
    """Write TEXT, a reading of a crack or of a catch can into the record of run DIR.

    One word alone is the text, unless it is a folder. At an inspection that waits a note holds
    it. A catch-can reading needs its face, and no text. --moved needs a text that says why; its
    answer comes after some seconds, once the sensor stands still. After the end of a run words,
    readings, pictures and what was found are added to its record, and run.h5 is made anew.

    Example: nightrig note night-1 --crack C1 --width "0.12 mm" --length "60 mm" --by "A. Name"
    """
    said = Said(**options)
    measured = None if said.catch_can is None else flow(said.catch_can, words)
    said.check()
    silent = listed or cracks or map_file is not None
    folder, text = parted(words, reading=silent or not said.needs_text, silent=silent)
    who = by or login_name()
    if said.read_at is not None and not cracks and not said.crack:
        raise click.UsageError("--read-at belongs to --crack or to --cracks")
    _refuse_both(map_file, listed, cracks, text or said.moved or not said.needs_text)
    if map_file is not None:
        from rig.commands.note_map import draw_crack_map

        return draw_crack_map(_folder(folder), map_file, as_json=as_json)
    if listed:
        from rig.commands.note_list import list_cracks

        return list_cracks(_folder(folder), as_json=as_json)
    if cracks:
        from rig.commands.note_cracks import ask_for_cracks

        return ask_for_cracks(_folder(folder), who, said.read_at)
    if said.read_at:
        from rig.commands.note_said import refuse_no_stand

        refuse_no_stand(_folder(folder), said.read_at)
    if said.crack and said.face and not said.at and not said.correct:
        from rig.commands.note_said import refuse_new_face

        refuse_new_face(_folder(folder), said.crack, said.face)
    if folder is not None and not _lives(Path(folder)):
        return _past(Path(folder), said, text, who, as_json=as_json)
    return _live(folder, said, text, who, measured, as_json=as_json)


def _refuse_both(map_file: Path | None, listed: bool, cracks: bool, more: object) -> None:
    """Refuse what would otherwise be passed over without a word. Raises UsageError."""
    asked = {
        "--map draws what is in the record": map_file is not None,
        "--list prints what is in the record": listed,
        "--cracks asks for everything": cracks,
    }
    only = [what for what, given in asked.items() if given]
    if only and (more or len(only) > 1):
        raise click.UsageError(f"{only[0]}; write notes without it")


def _live(
    folder: str | None, said: Said, text: str, who: str, measured: float | None, *, as_json: bool
) -> int:
    if said.after_end:
        run = the_run(folder, "note")
        raise InputError(
            f"{run.folder}: {said.after_end[0]} is written after the end, and this test still "
            "runs; nothing was written"
        )
    fields: dict[str, object] = {"moved": said.moved} if said.moved else {}
    if measured is not None:
        fields = {"catch_can": measured, "face": said.face}
    if not said.of_crack:
        return request(folder, who, as_json, ask="note", text=text, **fields)
    if not said.picture:
        crack = line_of(said.given())
        return request(folder, who, as_json, ask="note", text=text, crack=crack)
    from rig.record.pictures import keep_picture

    said.given()  # what is refused is refused before anything is copied
    picture = keep_picture(Path(the_run(folder, "note").folder), Path(said.picture))
    code = InputError.exit_code
    try:
        crack = line_of(said.given(picture.sha256))
        code = request(folder, who, as_json, ask="note", text=text, crack=crack)
    finally:
        if code == InputError.exit_code:
            picture.take_back()
    return code


def _past(folder: Path, said: Said, text: str, who: str, *, as_json: bool) -> int:
    """Write into the record of a run that has ended; refuse any other. Raises InputError."""
    # Imported late: a live run is asked without them.
    from rig.commands.folders import place
    from rig.commands.note_ended import write_ended

    found = place(folder)
    if found.kind != "ended":
        return request(str(folder), who, as_json, ask="note", text=text)
    written, told = write_ended(folder, said, text, who)
    more = f"; {'; '.join(told)}" if told else ""
    answer = {
        "answer": "acted",
        "text": f"written down: {'; '.join(written)}{more}; run.h5 was made anew with it",
        "state": "ended",
        "recorded": True,
        "trouble": "",
    }
    tell(answer, as_json=as_json)
    return 0


def _lives(folder: Path) -> bool:
    path = find_socket(folder)
    return path is not None and look_at(path) is not None


def _folder(folder: str | None) -> Path:
    """Return the folder of a run, or that of the only live one. Raises InputError."""
    return Path(folder) if folder is not None else Path(the_run(None, "note").folder)


def parted(
    words: tuple[str, ...], *, reading: bool, silent: bool = False
) -> tuple[str | None, str]:
    """Return folder and text of the words; one word that is a folder is no text.

    Raises UsageError where the text is missing; a `reading` needs none. What is `silent` writes no
    text: one word is its folder, even one that is not there.
    """
    if len(words) > 2:
        raise click.UsageError(
            f"{len(words)} words given; give [DIR] TEXT, the text in quotation marks"
        )
    only_folder = len(words) == 1 and (silent or _is_folder(words[0]))
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
