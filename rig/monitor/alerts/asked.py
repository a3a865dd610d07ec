"""Causes of what was asked from afar: what became of it, and what it may be a sign of."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Final

from rig.monitor.alerts.cause import Cause, goes_on
from rig.monitor.alerts.whole import AT_ZERO
from rig.monitor.mqtt.afar import REASONS
from rig.monitor.view import View

_ASKED: Final = re.compile(
    r"(pause|stop) by (.+?) from afar: (acted|recorded|not recorded|refused|no answer)(?:: (.*))?"
)
_COUNTED: Final = re.compile(r"\d+ requests? from afar refused: (.*)")

_STRANGER: Final = (
    "somebody with a login at the broker, but not this rig's secret: find out who, take the login "
    "away"
)
_CLOCK: Final = (
    "compare the clocks at both ends with timedatectl; where nobody asked just then, somebody "
    "sends again what was overheard"
)
_ADVICE: Final = {
    "too-long": _STRANGER,
    "malformed": _STRANGER,
    "forged": f"an old secret, or {_STRANGER}",
    "not-afar": "tell who asked: only pause and stop may be asked for from elsewhere",
    "not-allowed": "tell who asked; if it is wanted, [messages] requests of the rig file allows it",
    "other-run": "tell who asked that another run has the rig",
    "late": _CLOCK,
    "early": _CLOCK,
    "seen": "nothing was done twice; where no network doubles messages, somebody replays them: "
    "find out who has a login at the broker",
    "starting": "tell who asked to ask again; requests are taken soon after a start",
    "retained": "tell who asked that the broker must not keep requests",
    "too-many": "ask them what they want; if it was not them, change the secret at both ends",
    "busy": "look at the state of the rig",
}
"""What is to be done about each of `REASONS`."""
_WHO: Final = "see that it was somebody who may; if not, change the secret at both ends"
_PAUSED: Final = "stay out: it holds load and power, and unloads by itself once its wait is over"
_STOPS: Final = f"stay out while it moves; {AT_ZERO}"


def from_afar(view: View, lines: Iterable[str]) -> Iterator[Cause]:
    """Yield causes of lines on requests from afar; that one was recorded calls nobody."""
    for line in lines:
        asked, counted = _ASKED.fullmatch(line), _COUNTED.fullmatch(line)
        if asked:
            yield from _became(view, line, *asked.groups(""))
        elif counted:
            yield _refused(view, line, counted[1])
        else:
            yield _told(
                "none",
                "REQUESTS FROM AFAR: none is taken",
                line,
                f"pause and stop only at its own computer; {goes_on(view)}",
                "mend what is named; it is looked at again when the run's messages begin anew",
            )


def _became(view: View, line: str, ask: str, who: str, answer: str, text: str) -> Iterator[Cause]:
    what = f"{ask} by {who}"
    if answer == "acted":
        near = _PAUSED if ask == "pause" else _STOPS
        asked = f"{what} from afar"
        yield _told(what, f"ASKED FROM AFAR: {what}", asked, f"it acted: {text}", near, _WHO)
    elif answer == "not recorded":
        yield _told(
            f"{what}, not recorded",
            f"NOT RECORDED: {what} from afar",
            line,
            "it acted; its record does not say so",
            "look at the disk of the run's computer",
            also=("record",),
        )
    elif answer == "no answer":
        yield _told(
            f"{what}, no answer",
            f"NO ANSWER to {what} from afar",
            line,
            "nobody knows: it may still be done",
            "look at the rig",
        )
    elif answer == "refused":
        yield _told(
            "refused by the run",
            f"REFUSED: {what} from afar",
            line,
            f"refused; {goes_on(view)}",
            "who asked has the answer; look at the state of the rig",
        )


def _refused(view: View, line: str, why: str) -> Cause:
    found = next((name for name, words in REASONS.items() if why.startswith(words)), "")
    short = re.split(r"[:,]", why, maxsplit=1)[0]
    return _told(
        f"refused, {found}",
        f"REFUSED FROM AFAR: {short}",
        line,
        f"refused; {goes_on(view)}",
        _ADVICE.get(found, "find out who asks"),
    )


def _told(
    what: str, headline: str, line: str, did: str, *todo: str, also: tuple[str, ...] = ()
) -> Cause:
    return Cause(
        key=f"request:{what}",
        kinds=("request", *also),
        headline=headline,
        happened=line,
        did=did,
        todo=todo,
        lasting=False,
        settle=0.0,
    )
