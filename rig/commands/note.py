"""`nightrig note`: writes into the record of a live test."""

from __future__ import annotations

import click

from rig.commands.asking import by_option, request
from rig.errors import InputError


@click.command()
@click.argument("words", metavar="[DIR] TEXT", nargs=-1)
@click.option("--catch-can", metavar="FLOW", help='Flow at a nozzle, such as "1.4 L/min".')
@click.option("--face", metavar="NAME", default="", help="The sprayed face it was taken at.")
@by_option
def note(
    words: tuple[str, ...], catch_can: str | None, face: str, by: str | None, as_json: bool
) -> int:
    """Write TEXT, or a catch-can reading, into the record of run DIR, with name and count.

    Without DIR the one live run is asked. Ends with 0 when it is recorded, 2 when it was refused
    or there is no such run, 6 when it could not be recorded.

    Example: nightrig note night-1 "crack at the left load point, 0.1 mm" --by "A. Name"
    """
    if not 1 <= len(words) <= 2:
        raise click.UsageError(
            f"{len(words)} words given; give [DIR] TEXT, the text in quotation marks"
        )
    if face and catch_can is None:
        raise click.UsageError("--face belongs to a --catch-can reading; give both")
    folder = words[0] if len(words) == 2 else None
    fields: dict[str, object] = {}
    if catch_can is not None:
        fields = {"catch_can": flow(catch_can), "face": face}
    return request(folder, by, as_json, ask="note", text=words[-1], **fields)


def flow(text: str) -> float:
    """Return a flow [m3/s] given in words. Raises InputError."""
    from rig.units import UnitError, parse

    try:
        return parse(text, "flow")
    except UnitError as error:
        raise InputError(f"--catch-can {text!r}: {error.problem}; {error.remedy}") from error
