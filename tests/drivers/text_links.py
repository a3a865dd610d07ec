"""A line of text between a driver and a peer, for the tests of both."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from typing import Any

from drivers.text import TextLine
from rig.clock import SystemClock
from rig.errors import DeviceError
from rig.protocol.wire import Port
from tests.drivers.text_peer import Answer, Peer, Piece, byte_by_byte, whole

PATIENT = 10.0
"""Time [s] for an answer that comes: it does, however busy the computer is."""
HURRIED = 0.1
"""Time [s] for an answer that does not come."""
NOISE = b"\x00\xff\x8f\xe0"
WAYS: dict[str, Callable[[bytes], list[Piece]]] = {"whole": whole, "byte by byte": byte_by_byte}


# Lines of bytes. The answers are of the forms of IEEE 488.2 response data (NR1, NR2, NR3, string)
# and of SCPI-1999 volume 2, 21.8 (SYSTem:ERRor?), written down from memory.

ANSWERS: dict[str, tuple[bytes, str]] = {
    "no error": (b'0,"No error"\n', '0,"No error"'),
    "an error with its cause": (
        b'-222,"Data out of range;FORCe:RAMP 300"\r\n',
        '-222,"Data out of range;FORCe:RAMP 300"',
    ),
    "identity": (b"maker,model,7,1.0\n", "maker,model,7,1.0"),
    "NR3": (b"+1.234000E+01\r", "+1.234000E+01"),
    "a tab inside": (b"1\t2\n", "1\t2"),
    "blanks about it": (b"  7  \n", "7"),
}


def echoed(number_: int) -> str:
    return f"*ESE {number_};*ESE?"


def obedient(line: str) -> list[Piece]:
    """Answer a question with itself, so that whose answer it is can be seen."""
    sent = re.fullmatch(r"\*ESE (\d+);\*ESE\?", line)
    if sent:
        return [sent[1].encode() + b"\n"]
    return [line.encode() + b" yes\n"] if line.endswith("?") else []


@asynccontextmanager
async def linked(
    peer: Peer, answer: Answer = obedient, within: float = PATIENT, **more: Any
) -> AsyncIterator[TextLine]:
    peer.answer = answer
    echo = more.pop("echo", echoed)
    clock = more.pop("clock", None) or SystemClock()
    line_end = more.pop("line_end", "\n")
    plan = Port("servo", str(peer.path), 115200, answer_within=within, **more)
    line = TextLine(plan, clock, line_end, echo)
    line.open()
    try:
        yield line
    finally:
        line.close()


async def tried(asked: Awaitable[Any]) -> str | None:
    try:
        return str((await asked).value)
    except DeviceError:
        return None
