"""The contract suite names drivers that open or close a rig otherwise than they must."""

from __future__ import annotations

import os
import threading
from dataclasses import replace

import pytest

from drivers.contract import (
    test_closing,
    test_opening,
)
from drivers.contract.bench import Bench
from drivers.contract.place import Broken
from rig.ports import ActuatorStatus, Rig
from tests.drivers.broken_rigs import Elsewhere, actuator


def on_when_opened(rig: Rig) -> Rig:
    async def status() -> ActuatorStatus:
        return replace(await rig.actuator.status(), pressure="low")

    return actuator(rig, status=status)


def test_a_pressure_that_is_on_when_a_rig_is_opened_is_named():
    place = Elsewhere(on_when_opened)
    try:
        with pytest.raises(Broken, match="opened with pressure low"):
            place.run(test_opening.test_a_rig_stands_when_it_is_opened(place))
    finally:
        place.end()


def test_an_emulated_rig_by_the_word_of_its_file_is_named():
    def by_settings(rig: Rig) -> Rig:
        return replace(rig, emulated=not place.asked)

    class Believing(Elsewhere):
        asked = False

        async def open(self, plan=None) -> Rig:
            self.asked = plan is not None and plan.settings["emulated"] is False
            return await super().open(plan)

    place = Believing(by_settings)
    try:
        with pytest.raises(Broken, match="with other words in its rig file"):
            place.run(test_opening.test_only_the_devices_say_that_they_are_emulated(place))
    finally:
        place.end()


def test_what_closing_leaves_behind_is_named():
    ended = threading.Event()
    reader = threading.Thread(target=ended.wait, name="line of the tests")

    def leaves_a_thread(rig: Rig) -> Rig:
        if not reader.is_alive():
            reader.start()
        return rig

    place = Elsewhere(leaves_a_thread)
    try:
        with pytest.raises(Broken, match="threads still run after closing: line of the tests"):
            place.run(test_opening.test_closing_ends_every_thread_port_and_task(place))
    finally:
        ended.set()
        reader.join()
        place.end()


def test_a_port_that_stays_open_is_named():
    primary, secondary = os.openpty()
    held: list[int] = []

    def leaves_a_port(rig: Rig) -> Rig:
        held.append(os.open(os.ttyname(secondary), os.O_RDWR | os.O_NOCTTY))
        return rig

    place = Elsewhere(leaves_a_port)
    bench = Bench(place)
    try:
        place.run(bench.begin())
        with pytest.raises(Broken, match="ports are still open after closing: /dev/pts"):
            place.run(test_closing.test_a_rig_at_work_closes(bench))
    finally:
        place.end()
        for file in (primary, secondary, *held):
            os.close(file)
