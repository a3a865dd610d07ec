"""A lab of rigs as they told by real messages, made from the runs of `tests.monitor.views`."""

from dataclasses import replace
from datetime import datetime, timedelta

from rig.monitor.lab.rigs import Moment, Rigs, RigTold
from rig.monitor.lab.view import LabView
from rig.monitor.mqtt import messages
from rig.monitor.view import View
from tests.monitor.night_12 import NOW, ZONE
from tests.monitor.views import VIEWS

LAB = "hall"
SECONDS = 50_000.0
MOMENT = Moment(SECONDS, NOW)


def at(passed: float) -> Moment:
    """Return a moment some seconds after `NOW`."""
    return Moment(SECONDS + passed, NOW + timedelta(seconds=passed))


class Hall:
    """Rigs that tell their lab of themselves; time passes only where it is said to."""

    def __init__(self, lab: str = LAB) -> None:
        self.rigs = Rigs(lab)
        self._lab = lab

    def send(self, rig: str, kind: str, payload: bytes, passed: float = 0.0, *, kept: bool = False):
        self.rigs.take(f"nightrig/v1/{self._lab}/{rig}/{kind}", payload, at(passed), retained=kept)

    def tell(self, rig: str, view: View, passed: float = 0.0, *, kept: bool = False) -> None:
        """Let a rig tell all of a view, as its teller does."""
        view = later(view, passed)
        told = {
            "presence": messages.presence(view.header, NOW, online=True, since=NOW, cause=None),
            "status": messages.status(view, self._lab, rig),
            "forecast": messages.forecast(view),
            "end": messages.end(view),
        }
        for kind, payload in told.items():
            self.send(rig, kind, messages.as_payload(payload), passed, kept=kept)

    def leave(self, rig: str, view: View, cause: str, passed: float = 0.0, *, kept: bool = False):
        """Let a rig's teller be gone: "lost" is what its last will says."""
        told = messages.presence(view.header, NOW, online=False, since=NOW, cause=cause)
        self.send(rig, "presence", messages.as_payload(told), passed, kept=kept)

    def told(self, name: str) -> RigTold:
        (found,) = (rig for rig in self.rigs.told if rig.name == name)
        return found

    def view(self, passed: float = 0.0, **changed) -> LabView:
        view = LabView(
            self._lab,
            "mqtt.example:8883",
            connected=True,
            since=NOW - timedelta(hours=5),
            now=at(passed),
            rigs=self.rigs.told,
            news=self.rigs.news,
            not_understood=self.rigs.not_understood,
            newest=self.rigs.newest_of_them,
            beyond=self.rigs.beyond,
            zone=ZONE,
        )
        return replace(view, **changed)


def later(view: View, passed: float) -> View:
    """Return a run some seconds later, with data as new as before."""
    status, after = view.status, timedelta(seconds=passed)
    stamps = {
        name: (datetime.fromisoformat(told) + after).isoformat()
        for name in ("stamp", "calendar")
        if (told := getattr(status, name))
    }
    return replace(view, now=view.now + after, status=replace(status, **stamps))


def specimen(view: View, name: str) -> View:
    """Return a run of another specimen."""
    return replace(view, header=replace(view.header, specimen_id=name, run_id=f"run-{name}"))


def night(rigs: int = 20) -> Hall:
    """Return a hall in which most run well, and one of each other kind is."""
    hall = Hall()
    kinds = ["cycling", "wet", "long_run", "static"]
    for number in range(1, rigs + 1):
        view = VIEWS[kinds[number % 3]]
        hall.tell(f"frame-{number}", specimen(view, f"P-{number:02}"))
    for number, kind in ((3, "warned"), (5, "gone"), (7, "failure"), (11, "run_out"), (9, "limit")):
        if number <= rigs:
            hall.tell(f"frame-{number}", specimen(VIEWS[kind], f"P-{number:02}"))
    return hall
