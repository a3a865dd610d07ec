"""A night of alerts in virtual time: causes come and go, people answer, ways die; all is kept."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from rig.monitor.alerts.cause import Cause
from rig.monitor.alerts.desk import Desk, line, with_lines
from rig.monitor.alerts.due import Due, due
from rig.monitor.alerts.opening import Seen, Watch, observed
from rig.monitor.alerts.ways import Tries, dead_ways
from rig.protocol.lab import AlertRule, Lab, MailServer, Person, Program, Way

ZONE = ZoneInfo("Europe/Lisbon")
EVENING = datetime(2026, 11, 24, 18, 0, tzinfo=UTC)  # 18:00 in Lisbon, which keeps UTC in winter
NIGHT = (22 * 60, 6 * 60)
HOUR, MINUTE = 3600.0, 60.0


def cause(key: str = "found:a sensor", *kinds: str, **changes) -> Cause:
    texts = {"headline": f"it is {key}", "happened": f"{key} happened", "did": "it goes on: cycles"}
    fields = {**texts, "todo": ("look at it",), "settle": 0.0, **changes}
    return Cause(key=key, kinds=kinds or ("sensor",), **fields)


def rule(name: str = "all", *kinds: str, **changes) -> AlertRule:
    fields = {"people": ("Ada", "Ben"), "ways": ("mail",), "repeat": 0.0, **changes}
    return AlertRule(name=name, kinds=kinds or ("sensor",), **fields)


def lab(*rules: AlertRule, zone: str = "Europe/Lisbon") -> Lab:
    people = tuple(Person(name, f"{name.lower()}@lab.example") for name in ("Ada", "Ben", "Cid"))
    return Lab(
        name="cellar",
        mail=MailServer("mail.example", 587, "rig@lab.example"),
        program=Program(("/bin/true",)),
        people=people,
        rules=rules,
        zone=zone,
    )


@dataclass
class Night:
    """What becomes of causes: `sent` holds what went out, with its time."""

    lab: Lab
    now: datetime = EVENING
    desk: Desk = field(default_factory=Desk)
    watch: Watch = field(default_factory=Watch)
    tries: Tries = field(default_factory=Tries)
    sent: list[tuple[datetime, Due]] = field(default_factory=list)
    refuses: Callable[[Due], bool] = lambda order: False
    lines: list[dict] = field(default_factory=list)
    zone: ZoneInfo = ZONE
    upto: int = 0

    def add(self, *lines: dict) -> None:
        self.lines += lines
        self.desk = with_lines(self.desk, lines)

    def look(
        self,
        *holds: Cause,
        happened: Iterable[Cause] = (),
        over: bool = False,
        stopping: bool = False,
        another: str = "",
    ) -> list[Due]:
        """Look once; return what was sent."""
        happened = tuple(happened)
        self.upto = max([self.upto, *(each.seq for each in happened)])
        every = (*holds, *dead_ways(self.desk, self.lab))
        where = {"rig": "frame-1"}
        seen = Seen(every, happened, self.upto, over, stopping or over, where, another)
        found, self.watch = observed(self.desk, self.watch, seen, self.lab, self.now)
        self.add(*found)
        dues, held = due(self.desk, self.lab, self.now, self.zone)
        self.add(*held)
        went = []
        for order in dues:
            if not self.tries.ready(order, self.now):
                continue
            whom = {"of": list(order.alerts), "way": order.way, "people": list(order.people)}
            if self.refuses(order):
                self.tries = self.tries.failed(order, self.now)
                self.add(line("failed", self.now, **whom, reason="refused", why=order.purpose))
                continue
            self.tries = self.tries.succeeded(order)
            self.add(line("sent", self.now, **whom, why=order.purpose))
            self.sent.append((self.now, order))
            went.append(order)
        return went

    def looks(self, seconds: float, *holds: Cause, every: float = 60.0) -> list[Due]:
        """Look for a time [s] while the same causes hold; return what was sent."""
        went, end = [], self.now + timedelta(seconds=seconds)
        while self.now < end:
            went += self.look(*holds)
            self.now += timedelta(seconds=every)
        return went

    def acknowledge(self, number: int, by: str = "Ada") -> None:
        self.add(line("acknowledged", self.now, n=number, by=by))

    def silence(self, kind: str, seconds: float) -> None:
        until = (self.now + timedelta(seconds=seconds)).isoformat()
        self.add(line("silenced", self.now, kind=kind, until_utc=until, by="Ada", why="known"))

    def clock(self, text: str) -> None:
        """Go on to the next such time on the wall: "22:00"."""
        hour, minute = map(int, text.split(":"))
        local = self.now.astimezone(self.zone)
        then = local.replace(hour=hour, minute=minute, second=0, microsecond=0)
        if then <= local:
            then += timedelta(days=1)
        self.now = then.astimezone(UTC)


def told(orders: Iterable[Due]) -> list[tuple[str, str, tuple[int, ...]]]:
    """Return purpose, person and alerts of messages."""
    return [(o.purpose, "+".join(o.people), o.alerts) for o in orders]


def to_each(orders: Iterable[Due]) -> Iterable[tuple[str, Way, Due]]:
    for order in orders:
        for person in order.people:
            yield person, order.way, order
