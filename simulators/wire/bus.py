"""Stations on one Modbus RTU line: each hears every request, one at most answers it."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterable
from typing import Final, Protocol

from rig.clock import Clock
from rig.errors import DeviceError
from simulators.wire import modbus
from simulators.wire.modbus import BROADCAST
from simulators.wire.rtu import Ear, silence

TURN_ROUND: Final = 5e-3
"""Time [s] a station takes to answer, beside the silence that ends the request."""
LATE: Final = 50e-3
"""Time [s] by which this process may be late and take a request for two."""
HAIR: Final = 1e-4
"""Time [s] to wait longer, so that the silence is over whatever a clock rounds."""

Send = Callable[[bytes, float], None]
"""Called with bytes and when they begin to go over the line [s of the clock]."""


class WatchedStation(modbus.Station, Protocol):
    """A station that knows when it was asked last."""

    def heard(self) -> None:
        """Take it that a request to this station has come."""

    async def watch(self) -> None:
        """Let go of the outputs when no request has come for too long, until cancelled."""


class ModbusBus:
    """The far end of a Modbus RTU line, with stations that work each for itself.

    A station has room for one request beside the one it answers; what comes on top is lost.
    """

    def __init__(
        self, stations: Iterable[WatchedStation], clock: Clock, baud: int, send: Send
    ) -> None:
        self._stations = {station.address: station for station in stations}
        self._clock = clock
        self._send = send
        self._silence = silence(baud)
        self._ear = Ear(self._silence, LATE)
        self._requests: dict[int, asyncio.Queue[tuple[bytes, float]]] = {
            address: asyncio.Queue(1) for address in self._stations
        }
        self._came = asyncio.Event()

    def take(self, data: bytes) -> None:
        """Take bytes that have come from the host."""
        now = self._clock.now()
        for request in self._ear.hear(data, now):
            self._hand_over(request, now)
        self._came.set()

    async def run(self) -> None:
        """Answer until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._end_by_silence())
            for address, station in self._stations.items():
                tasks.create_task(self._serve(station, self._requests[address]))
                tasks.create_task(station.watch())

    def _hand_over(self, request: bytes, now: float) -> None:
        told = self._stations if request[0] == BROADCAST else (request[0],)
        for address in told:
            queue = self._requests.get(address)
            if queue is not None and not queue.full():
                queue.put_nowait((request, now))

    async def _end_by_silence(self) -> None:
        while True:
            await self._came.wait()
            self._came.clear()
            while self._ear.waiting:
                await self._clock.sleep(self._silence + LATE + HAIR)
                now = self._clock.now()
                for request in self._ear.fall_silent(now):
                    self._hand_over(request, now)

    async def _serve(
        self, station: WatchedStation, requests: asyncio.Queue[tuple[bytes, float]]
    ) -> None:
        while True:
            request, came = await requests.get()
            station.heard()
            due = came + self._silence + TURN_ROUND
            answered = await _unless_lost(modbus.answer(request, station))
            if answered is not None:
                await self._clock.sleep(max(0.0, due - self._clock.now()))
                self._send(answered, max(due, self._clock.now() - LATE))


async def _unless_lost(answering: Awaitable[bytes | None]) -> bytes | None:
    """Return an answer; None where the device behind the station does not do what it must."""
    try:
        return await answering
    except DeviceError:
        return None
