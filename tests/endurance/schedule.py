"""Which tests of the storm are carried out when: some at a time, until there were kills enough."""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from multiprocessing import get_context
from pathlib import Path

from tests.endurance.case import Case
from tests.endurance.kinds import carried_out

AT_ONCE = {False: 2, True: 3}
"""Tests at a time: rehearsals, which compute, and tests in real time, which mostly wait."""
LIVE_SHARE = 10
"""One kill of so many hits a test in real time."""
KILLS_A_STORM = {"rehearsals-in-a-storm": 6, "real-time-in-a-storm": 5}
"""For so many kills of its sort there is one test in a storm."""


def polite() -> None:
    """Let tests in real time go first: a rehearsal only takes longer."""
    os.nice(5)


class Supply:
    """Tests of one sort to be carried out, until there were kills enough and each had its turn."""

    def __init__(self, seed: int, kills: int, *, live: bool) -> None:
        self._seed, self._kills = seed, kills
        self._killed = "real-time-killed" if live else "rehearsals-killed"
        storm = "real-time-in-a-storm" if live else "rehearsals-in-a-storm"
        each = KILLS_A_STORM[storm]
        self._storms = [(storm, seed + n) for n in range(max(kills // each, 1))]
        self._next = 0
        self.hits = 0

    def take(self, under_way: int) -> tuple[str, int] | None:
        """Return the next test; None where those under way may be enough, or all is done."""
        # Each test has a kill or more, as a rule; where none can be carried out this ends too.
        if self.hits + under_way < self._kills and self._next < self._kills:
            self._next += 1
            return self._killed, self._seed + self._next - 1
        return self._storms.pop() if self._storms else None

    def done(self, case: Case) -> None:
        """Count the kills of a test."""
        if case.name == self._killed:
            self.hits += len(case.kills)


def carry_out(seed: int, kills: int, folder: Path) -> Iterator[Case]:
    """Carry the tests out, some at a time; give each when it has ended."""
    live = max(kills // LIVE_SHARE, 1)
    supplies = {
        False: Supply(seed, kills - live, live=False),
        True: Supply(seed, live, live=True),
    }
    spawn = get_context("spawn")
    with (
        ProcessPoolExecutor(AT_ONCE[False], spawn, polite) as virtual,
        ProcessPoolExecutor(AT_ONCE[True], spawn) as real,
    ):
        pools = {False: virtual, True: real}
        waiting: dict[Future[Case], bool] = {}
        while True:
            for sort, supply in supplies.items():
                under_way = sum(each is sort for each in waiting.values())
                while under_way < AT_ONCE[sort] and (test := supply.take(under_way)):
                    waiting[pools[sort].submit(carried_out, *test, folder)] = sort
                    under_way += 1
            if not waiting:
                return
            finished, _ = wait(waiting, return_when=FIRST_COMPLETED)
            for each in finished:
                case = each.result()
                supplies[waiting.pop(each)].done(case)
                yield case
