"""Modbus devices for tests: bytes written out by hand, in virtual time and at a pty.

Nothing here uses the drivers' own framing. The CRC is the bit-by-bit procedure that the "MODBUS
over Serial Line Specification and Implementation Guide V1.02" writes out in its appendix B.
"""

from __future__ import annotations

import asyncio
import os
import select
import struct
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from drivers.lines import OnBytes, OnChange, Traffic
from rig.errors import DeviceError
from rig.protocol.wire import Port

Later = list[tuple[float, bytes]]
"""What a peer says to one request: seconds after the request's last byte, and bytes."""
Peer = Callable[[bytes], Later]


def crc(data: bytes) -> bytes:
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            low = register & 1
            register >>= 1
            if low:
                register ^= 0xA001
    return bytes((register & 0xFF, register >> 8))


def with_crc(body: bytes) -> bytes:
    return body + crc(body)


def hexed(text: str) -> bytes:
    return bytes.fromhex(text)


@dataclass
class Device:
    """A device with four tables, as the application protocol specification describes it."""

    address: int
    coils: dict[int, bool] = field(default_factory=dict)
    discrete: dict[int, bool] = field(default_factory=dict)
    holding: dict[int, int] = field(default_factory=dict)
    inputs: dict[int, int] = field(default_factory=dict)
    product: str = ""
    echoes: bool = True
    without: frozenset[int] = frozenset()
    sticks: bool = False
    asked: list[bytes] = field(default_factory=list)

    def answer(self, request: bytes) -> bytes | None:
        """Return the reply to a whole request, None for one that is for somebody else."""
        if request[0] != self.address or crc(request[:-2]) != request[-2:]:
            return None
        pdu = request[1:-2]
        self.asked.append(pdu)
        return with_crc(bytes([self.address]) + self._reply(pdu))

    def _reply(self, pdu: bytes) -> bytes:
        function = pdu[0]
        if function in self.without or (function == 8 and not self.echoes):
            return bytes([function | 0x80, 1])
        if function == 8:
            return pdu
        if function == 43:
            if not self.product:
                return bytes([0xAB, 1])
            said = self.product.encode()
            return bytes([43, 14, 4, 0x81, 0, 0, 1, 1, len(said)]) + said
        at, number = struct.unpack(">HH", pdu[1:5])
        if function in (1, 2):
            return self._bits(function, at, number)
        if function in (3, 4):
            table = self.holding if function == 3 else self.inputs
            if any(a not in table for a in range(at, at + number)):
                return bytes([function | 0x80, 2])
            words = [table[a] for a in range(at, at + number)]
            return bytes([function, 2 * number]) + struct.pack(f">{number}H", *words)
        return self._write(pdu, at, number)

    def _bits(self, function: int, at: int, number: int) -> bytes:
        table = self.coils if function == 1 else self.discrete
        if any(a not in table for a in range(at, at + number)):
            return bytes([function | 0x80, 2])
        packed = sum(1 << k for k in range(number) if table[at + k])
        size = (number + 7) // 8
        return bytes([function, size]) + packed.to_bytes(size, "little")

    def _write(self, pdu: bytes, at: int, number: int) -> bytes:
        function = pdu[0]
        table = self.coils if function in (5, 15) else self.holding
        if at not in table:
            return bytes([function | 0x80, 2])
        if not self.sticks:
            if function == 5:
                self.coils[at] = number == 0xFF00
            elif function == 6:
                self.holding[at] = number
            elif function == 15:
                self.coils.update(
                    {at + k: bool(pdu[6 + k // 8] >> k % 8 & 1) for k in range(number)}
                )
            else:
                words = struct.unpack(f">{number}H", pdu[6:])
                self.holding.update({at + k: word for k, word in enumerate(words)})
        return pdu[:5]


def prompt(*devices: Device, after: float = 0.005) -> Peer:
    """Return a peer that answers for several devices, each after the same time."""

    def peer(request: bytes) -> Later:
        replies = [device.answer(request) for device in devices]
        return [(after, reply) for reply in replies if reply is not None]

    return peer


class QuickLine:
    """A line without a port, for a loop in virtual time: what is written reaches `peer` at once.

    What the peer says goes over the line in the order in which it was asked, one byte after the
    other, at the line's pace, as on one pair of wires. Without `bytewise` it is handed on whole
    when its last byte has come.
    """

    def __init__(self, plan: Port, peer: Peer, *, bytewise: bool = True) -> None:
        self.plan = plan
        self.peer = peer
        self.traffic = Traffic()
        self.trouble = ""
        self.is_terminal = True
        self.closed = False
        self.written: list[tuple[float, bytes]] = []
        self.busy_until: list[float] = []
        self._bytewise = bytewise
        self._free = 0.0
        self._on_bytes: OnBytes | None = None
        self._on_change: OnChange | None = None

    @property
    def character(self) -> float:
        parity = self.plan.parity != "none"
        return (1 + 8 + parity + self.plan.stop_bits) / self.plan.baud

    def open(self, on_bytes: OnBytes, on_change: OnChange | None = None) -> None:
        self._on_bytes, self._on_change = on_bytes, on_change

    def write(self, data: bytes) -> float:
        if self.trouble:
            raise DeviceError(self.trouble)
        now = asyncio.get_running_loop().time()
        self.written.append((now, data))
        self.traffic.sent += len(data)
        end = now + len(data) * self.character
        for after, said in self.peer(data):
            self.say(said, end + after)
        return now

    def say(self, said: bytes, at: float) -> None:
        """Put bytes on the line, not before what is on it already."""
        loop = asyncio.get_running_loop()
        begin = max(at, self._free)
        self._free = begin + len(said) * self.character
        if not self._bytewise:
            loop.call_at(self._free, self._hear, said)
        for number, byte in enumerate(said if self._bytewise else b"", 1):
            loop.call_at(begin + number * self.character, self._hear, bytes([byte]))
        self.busy_until.append(self._free)

    def unplug(self) -> None:
        self.trouble = "the line was unplugged"
        self.traffic.losses += 1
        if self._on_change is not None:
            self._on_change(False)

    def plug(self) -> None:
        self.trouble = ""
        if self._on_change is not None:
            self._on_change(True)

    def close(self) -> None:
        self.closed = True

    def _hear(self, data: bytes) -> None:
        if self._on_bytes is not None and not self.trouble and not self.closed:
            self.traffic.received += len(data)
            self._on_bytes(data, asyncio.get_running_loop().time())


def requests(heard: bytearray) -> Iterable[bytes]:
    """Cut whole requests off what was heard, by the length each function has."""
    while len(heard) >= 8:
        function = heard[1]
        length = 9 + heard[6] if function in (15, 16) else 7 if function == 43 else 8
        if len(heard) < length:
            return
        yield bytes(heard[:length])
        del heard[:length]
    if len(heard) == 7 and heard[1] == 43:
        yield bytes(heard)
        heard.clear()


class PtyPeer:
    """A peer in a thread at the other end of a pseudo-terminal; `path` is the driver's end.

    With `pace` [s] each byte takes that long, as on a line. `split` cuts what is said into pieces
    written by themselves.
    """

    def __init__(self, peer: Peer, *, pace: float = 0.0, split: bool = False) -> None:
        self.peer = peer
        self._pace, self._split = pace, split
        self._master, slave = os.openpty()
        self.path = os.ttyname(slave)
        self._slave = slave
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name="peer")
        self._thread.start()

    def close(self) -> None:
        self._end.set()
        self._thread.join()
        os.close(self._master)
        os.close(self._slave)

    def _run(self) -> None:
        heard = bytearray()
        due: list[tuple[float, bytes]] = []
        while not self._end.is_set():
            wait = max(0.0, due[0][0] - time.monotonic()) if due else 0.02
            if select.select([self._master], [], [], min(wait, 0.02))[0]:
                heard += os.read(self._master, 4096)
            now = time.monotonic()
            for request in requests(heard):
                for after, said in self.peer(request):
                    begin = now + len(request) * self._pace + after
                    due.append((max(begin, due[-1][0] if due else 0.0), said))
            while due and due[0][0] <= time.monotonic():
                self._say(due.pop(0)[1])

    def _say(self, said: bytes) -> None:
        if not self._pace and not self._split:
            os.write(self._master, said)
            return
        begin = time.monotonic()
        for number, byte in enumerate(said, 1):
            left = begin + number * (self._pace or 2e-4) - time.monotonic()
            if left > 0:
                time.sleep(left)
            os.write(self._master, bytes([byte]))
