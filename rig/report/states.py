"""The part of DEVELOPERS.md about states, made from the state table.

    python -m rig.report.states

writes the part and the diagram where the checkout is that this file lies in.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path
from typing import Final

from rig.control.states import FAULTS, INPUTS, LOADED, STANDING, STATES, TABLE, Row, possible
from rig.errors import InputError
from rig.report.state_layout import spoken

BEGIN: Final = "<!-- states -->"
END: Final = "<!-- /states -->"
ROOT: Final = Path(__file__).parents[2]
PICTURE: Final = "rig/report/states.svg"

_ALT: Final = "Diagram: every state of a test, and on which cause which state follows"
_HEAD: Final = "| state | what it means | may be asked | what follows on what |\n|---|---|---|---|"
_WORDS: Final = {
    "limit": "a limit tripped, ours or the controller's",
    "fault": "rig, device or sensor does not do what it must",
    "feedback": "the channel in the control loop is lost or doubtful",
    "silent": "no sample has come, or a motion does not arrive",
    "watchdog": "the controller heard nothing from the program and stopped",
    "record": "nothing can be recorded any more",
    **INPUTS,
}
"""The causes of a fault in words."""


def part() -> str:
    """Return the part in Markdown: diagram, table, and what counts as a fault."""
    lines = (f"| {' | '.join(_cells(state))} |" for state in STATES)
    table = "\n".join((_HEAD, *lines))
    faults = "; ".join(f"`{c}` ({_WORDS[c]})" if c in _WORDS else f"`{c}`" for c in FAULTS)
    return (
        f"![{_ALT}]({PICTURE})\n\n{table}\n\n"
        "What is asked while the rig goes to rest is done once it stands. How it stops: "
        f"{'; '.join(f'on {kind}: {does}' for kind, does in _usual().items())}.\n\n"
        f"{_caution()}\n\n"
        f"A fault is any of: {faults}. {_exceptions()}\n\n"
        "Table and diagram are made from `rig/control/states.py` by `python -m rig.report.states`; "
        "a test compares them."
    )


def _cells(state: str) -> tuple[str, str, str, str]:
    asked = ", ".join(possible(state)) or "nothing"
    return f"**{state}**", STATES[state], asked, "<br>".join(_steps(state)) or "nothing"


def _steps(state: str) -> list[str]:
    """Return what follows in a state: one phrase a step, its causes together."""
    usual = _usual()
    grouped: dict[tuple[str, str], dict[str, None]] = {}
    stages: list[str] = []
    ends: set[str] = set()
    for row in TABLE:
        if row.state != state:
            continue
        if row.cause == "stage":
            stages.append(row.to)
        elif row.to == "stopping" and row.does == usual[_kind(row)]:
            ends.add(row.cause)
        else:
            grouped.setdefault((row.to, row.does), {})[spoken(row.cause)] = None
    phrases = [f"stage → **{'**, **'.join(stages)}**"] if stages else []
    phrases += [f"{', '.join(causes)} → **{to}**: {does}" for (to, does), causes in grouped.items()]
    people = ": guard only above lower load" if state in LOADED else ""
    return [*phrases, f"{_stops(ends)} → **stopping**{people}"] if ends else phrases


def _kind(row: Row) -> str:
    return "a fault" if row.cause in FAULTS else row.cause


def _usual() -> dict[str, str]:
    """Return how the rig is usually stopped, by cause, all faults together."""
    found: dict[str, Counter[str]] = {}
    for row in TABLE:
        if row.to == "stopping":
            found.setdefault(_kind(row), Counter())[row.does] += 1
    return {kind: does.most_common(1)[0][0] for kind, does in found.items()}


def _stops(causes: set[str]) -> str:
    """Return the causes of a stop, the faults as one phrase with its exceptions."""
    words = sorted(causes - set(FAULTS))
    faults = [cause for cause in FAULTS if cause in causes]
    lacking = [cause for cause in FAULTS if cause not in causes]
    if len(faults) <= len(lacking):
        words += faults
    else:
        words.append(f"any fault but {' and '.join(lacking)}" if lacking else "any fault")
    return ", ".join(words)


def _caution() -> str:
    """Return in which standing states the rig may move although nobody asks for it."""
    moves = {
        row.state
        for row in TABLE
        if row.state in STANDING
        and row.to in ("starting", "unloading")
        and row.cause not in possible(row.state)
    }
    return (
        f"**Caution.** In {', '.join(s for s in STANDING if s in moves)} the rig may move although "
        "nobody asks for it, after horn or lamp where there is one. This program is no safety "
        "system: whoever reaches into the rig secures it by the machine's own means first."
    )


def _exceptions() -> str:
    """Return which faults do not stop the test in which states that know faults, and when."""
    stops = {(row.state, row.cause) for row in TABLE if row.to == "stopping"}
    faults = {state: [c for c in FAULTS if (state, c) in stops] for state in STATES}
    few = {state: found for state, found in faults.items() if 0 < len(found) < len(FAULTS) / 2}
    phrases = []
    for cause in FAULTS:
        known = (state for state, found in faults.items() if found and state not in few)
        lacking = [state for state in known if cause not in faults[state]]
        if lacking:
            phrases.append(f"`{cause}` does not stop it in {', '.join(lacking)}")
    loaded = [state for state in STATES if state in LOADED and (state, "guard") in stops]
    if loaded:
        phrases.append(
            f"`guard` stops it in {', '.join(loaded)} only where the specimen carries more than "
            "lower load: at lower load an open guard means people"
        )
    phrases += [
        f"in {state} only {', '.join(f'`{cause}`' for cause in found)} stop it"
        for state, found in few.items()
    ]
    return f"Of these {'; '.join(phrases)}." if phrases else ""


def write(root: Path) -> None:
    """Write diagram and part below a checkout's folder; InputError where they have no place."""
    from rig.report.state_diagram import svg

    document = root / "DEVELOPERS.md"
    try:
        text = document.read_text(encoding="utf-8")
    except OSError as error:
        raise InputError(f"{document}: {error.strerror}; only a checkout has this file") from error
    head, begin, rest = text.partition(BEGIN)
    _, end, tail = rest.partition(END)
    if not (begin and end):
        raise InputError(f"{document}: has no {BEGIN} ... {END}; add both lines")
    (root / PICTURE).write_text(svg(), encoding="utf-8")
    document.write_text(f"{head}{begin}\n{part()}\n{end}{tail}", encoding="utf-8")


if __name__ == "__main__":
    try:
        write(ROOT)
    except InputError as problem:
        sys.stderr.write(f"{problem}\n")
        sys.exit(problem.exit_code)
