"""The way of a request from afar to the run: its control socket, said to come from afar."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from rig.control.address import find_socket
from rig.control.caller import Caller, NoAnswer

ACTS_WITHIN: Final = 30.0  # [s]: nobody has to walk to the rig for a pause or a stop
RECORDS_WITHIN: Final = 20.0  # [s]
_MAYBE: Final = "it may still be done: look at the state"


def asks(folder: Path) -> Callable[[Mapping[str, object]], Iterator[Mapping[str, Any]]]:
    """Return a function that asks the live run of a folder and gives its answers, blocking."""

    def ask(message: Mapping[str, object]) -> Iterator[Mapping[str, Any]]:
        path = find_socket(folder)
        if path is None:
            yield {"answer": "refused", "text": "the run has ended, or its program is gone"}
            return
        try:
            with Caller(path, within=ACTS_WITHIN) as caller:
                first = caller.ask(message)
                yield first
                if first.get("answer") == "acted":
                    yield _second(caller)
        except NoAnswer:
            yield {"answer": "no answer", "text": f"the run did not answer; {_MAYBE}"}

    return ask


def _second(caller: Caller) -> Mapping[str, Any]:
    try:
        return caller.listen(RECORDS_WITHIN)
    except NoAnswer:
        return {"answer": "not recorded", "text": "the run ended before it said so"}
