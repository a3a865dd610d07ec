"""A device with a few text commands, for the tests of what such devices have in common."""

from __future__ import annotations

from simulators.wire.scpi import Fault
from simulators.wire.scpi_device import Session
from simulators.wire.scpi_tree import Choice, Command, Quantity

HERTZ = Quantity({"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6}, 0.0, 1e9)


class Source:
    """A device with a few commands, that remembers what it was told."""

    def __init__(self) -> None:
        self.told: list[tuple[object, ...]] = []
        self.resets = 0

    def session(self) -> Session:
        return Session(
            "makers,model,1,1",
            [
                *(
                    command
                    for name in ("STARt", "STOP", "CENTer[:FIXed]")
                    for command in self._setting(f"FREQuency:{name}", HERTZ)
                ),
                *self._setting("POWer:STARt", Quantity({"DBM": 1.0})),
                *self._setting("TRIGger:COUNt", Quantity({}, 1, 100, whole=True)),
                *self._setting("OUTPut[:STATe]", Choice(("ON", "OFF"), Quantity({}, 0, 1))),
                Command("TRIGger:MODE", self._two, (Choice(("SINGle", "CONTinuous")), HERTZ)),
                Command("ABORt", lambda: self.told.append(("ABORt",))),
                Command("FAIL", self._fail),
            ],
            self._reset,
        )

    def _setting(self, header: str, parameter: Quantity | Choice) -> list[Command]:
        name = header.split("[")[0]
        return [
            Command(header, lambda value: self.told.append((name, value)), (parameter,)),
            Command(f"{header}?", lambda: name),
        ]

    def _two(self, *values: object) -> None:
        self.told.append(values)

    def _reset(self) -> None:
        self.resets += 1

    def _fail(self) -> None:
        raise Fault(-221, 'cannot "now"')


def errors(*lines: str) -> list[int]:
    """Return the numbers of the errors that messages made, in their order."""
    session = Source().session()
    for line in lines:
        session.obey(line)
    count = int(session.obey("SYST:ERR:COUN?"))
    answers = [session.obey("SYST:ERR?") for _ in range(count)]
    assert session.obey("SYST:ERR?") == '0,"No error"'
    return [int(answer.split(",")[0]) for answer in answers]
