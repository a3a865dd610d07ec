"""Events to the broker: the number of the last that got through, and when all of them have."""

import asyncio
import json
from collections.abc import AsyncGenerator
from dataclasses import replace

import pytest

from rig.clock import SystemClock
from rig.monitor.looks import Look
from rig.monitor.mqtt.outbox import TOLD, Outbox, Told
from rig.record.entries import Ending
from tests.monitor.night_12 import cycling

RUN = "night-1 2026-11-24T20:10:12.000Z"


def test_it_is_kept_and_read_back(tmp_path):
    told = Told(tmp_path, RUN, print)
    assert told.seq == 0
    told.to(7)
    assert Told(tmp_path, RUN, print).seq == 7
    assert [path.name for path in tmp_path.iterdir()] == [TOLD]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "3",
        '{"run": "another", "seq": 7}',
        json.dumps({"run": RUN}),
        json.dumps({"run": RUN, "seq": "7"}),
        json.dumps({"run": RUN, "seq": True}),
        json.dumps({"run": RUN, "seq": -1}),
        json.dumps({"run": RUN, "seq": 7.5}),
    ],
)
def test_what_cannot_be_read_or_is_another_runs_counts_as_nothing_told(tmp_path, text):
    (tmp_path / TOLD).write_text(text)
    assert Told(tmp_path, RUN, print).seq == 0


def test_a_disk_that_refuses_is_told_once_and_costs_nothing_but_a_repetition(tmp_path):
    lines: list[str] = []
    told = Told(tmp_path / "gone", RUN, lines.append)
    told.to(3)
    told.to(4)
    assert told.seq == 4
    assert len(lines) == 1
    assert "cannot be written (No such file or directory)" in lines[0]
    (tmp_path / "gone").mkdir()
    told.to(5)
    assert Told(tmp_path / "gone", RUN, print).seq == 5


class Run:
    """A run that has ended; what of its record can be read is given look by look."""

    def __init__(self, *looks: Look) -> None:
        self.looks = looks
        self.done: list[bool] = []

    async def follow(self, after: int = 0) -> AsyncGenerator[Look, None]:
        for look in self.looks:
            yield look
            self.done.append(self.outbox.done)
        raise asyncio.CancelledError

    async def is_up(self) -> None:
        """There is a connection."""


async def test_it_is_not_done_while_the_record_of_a_run_that_is_over_cannot_be_read(tmp_path):
    over = replace(cycling, ending=Ending("run-out", "", 9, 1.0), alive=False)
    hidden = replace(over, unreadable="the journal is locked")
    run = Run(Look(hidden, ()), Look(over, ()))
    run.outbox = Outbox(run, run, Told(tmp_path, RUN, print), SystemClock())
    with pytest.raises(asyncio.CancelledError):
        await run.outbox.empty()
    assert run.done == [False, True]
