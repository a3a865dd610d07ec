"""A bus in virtual time, devices whose registers say which they are, and how replies go wrong."""

from __future__ import annotations

from collections.abc import Callable

from drivers import modbus
from drivers.bus import Bus
from rig.clock import VirtualClock
from rig.protocol.wire import Port
from tests.drivers.modbus_peer import Device, Later, Peer, QuickLine, prompt

WITHIN = 0.1
PLAN = Port("bus", "nowhere", 19200, parity="even", answer_within=WITHIN)


def numbered(address: int = 1, **more: bool) -> Device:
    """Return a device each of whose registers says which one it is, and of which table."""
    return Device(
        address,
        coils={a: a % 3 == 0 for a in range(40)},
        discrete={a: a % 5 == 0 for a in range(40)},
        holding={a: 1000 * address + a for a in range(40)},
        inputs={a: 1000 * address + 500 + a for a in range(40)},
        **more,
    )


def opened(peer: Peer, plan: Port = PLAN) -> tuple[Bus, QuickLine]:
    line = QuickLine(plan, peer)
    bus = Bus(line, VirtualClock())
    bus.open()
    return bus, line


async def word(bus: Bus, at: int, address: int = 1, table: str = "holding") -> int:
    answer = await bus.ask(address, modbus.read(table, at, 1))
    return modbus.registers(answer.pdu)[0]


class Script:
    """A peer that answers prompt until `then` says something else for the requests that follow."""

    def __init__(self, *devices: Device) -> None:
        self.usual = prompt(*devices)
        self.then: list[Callable[[bytes, Later], Later]] = []
        self.seen: list[bytes] = []

    def __call__(self, request: bytes) -> Later:
        self.seen.append(request)
        said = self.usual(request)
        return self.then.pop(0)(request, said) if self.then else said


def late(seconds: float) -> Callable[[bytes, Later], Later]:
    return lambda _request, said: [(seconds, reply) for _, reply in said]


def silent(_request: bytes, _said: Later) -> Later:
    return []
