"""A disk that hangs, in real time: people are told of it by the ways that live."""

import asyncio
import threading

from rig.clock import SystemClock
from rig.monitor.alerts import keeping
from rig.monitor.alerts.book import Read, read_on, write
from rig.monitor.alerts.keeping import keep_alerting
from rig.monitor.alerts.messages import AlertText
from tests.monitor import views
from tests.monitor.alerts.nights import lab, rule
from tests.monitor.alerts.scripted import MESSAGES, looks


async def test_where_the_disk_hangs_people_are_told_all_the_same(tmp_path, monkeypatch):
    monkeypatch.setattr(keeping, "PATIENCE", 0.02)
    monkeypatch.setattr(keeping, "EVERY", 0.02)
    goes_on, hung, told = threading.Event(), threading.Event(), asyncio.Queue[AlertText]()

    def hangs(folder, lines) -> None:
        hung.set()
        assert goes_on.wait(30)
        write(folder, lines)

    monkeypatch.setattr(keeping, "write", hangs)
    ruled, clock = lab(rule("all", "failure", ways=("program",), people=("Ada",))), SystemClock()
    shown = looks(clock, (0.0, views.failure, ()), every=0.02)
    ways = {"program": told.put}
    try:
        async with asyncio.timeout(30), asyncio.TaskGroup() as group:
            group.create_task(keep_alerting(shown, ruled, MESSAGES, tmp_path, ways, clock))
            assert (await told.get()).kind == "failure"
            assert hung.is_set()
            assert not goes_on.is_set()
            assert read_on(tmp_path, Read()) == Read()
            goes_on.set()
    finally:
        goes_on.set()
    # It ends once all is in the book, told once.
    assert told.empty()
    (alert,) = read_on(tmp_path, Read()).desk.alerts.values()
    assert alert.told[("Ada", "program")].times == 1
