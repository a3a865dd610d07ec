"""Where alerts stand: the state that the lines of the book add up to, one after the other.

Whoever reads the book from its beginning stands where its writer stood.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from rig.protocol.lab import KINDS, WAYS, Way

Line = Mapping[str, Any]
"""A line of the book: plain values."""
Target = tuple[str, Way]
"""A person, and a way of telling this person."""

VERSION: Final = 1
HOUR: Final = timedelta(hours=1)
AHEAD: Final = timedelta(minutes=1)
"""What was done so far in the future: the clock was put back since."""
LONGEST_SILENCE: Final = timedelta(days=7)
"""How far ahead the end of a silence may be: one that is farther was made by a wrong clock."""
BACK_WITHIN: Final = timedelta(hours=12)
"""What comes back so soon is one that comes and goes: it must be away longer each time."""
ANOTHER: Final = "another run, "
"""How the reason begins where an alert is closed since the rig is another run's."""
DOUBLED: Final = 8
"""How often that time is doubled at the most."""


@dataclass(frozen=True, slots=True)
class Told:
    """How often somebody was told by one way, and when last."""

    times: int
    last: datetime


@dataclass(frozen=True, slots=True)
class Alert:
    """One alert: its cause as it was told, who was told, and what people did about it.

    `where` has what is said of rig, specimen and time beside it. `held` says for whom it is held
    back and why; `owed` is who is still to be told of one that is over. `began` is when it was to
    be sent first. `returned` counts how often its cause had come back before.
    """

    number: int
    key: str
    kinds: tuple[str, ...]
    headline: str
    happened: str
    did: str
    todo: tuple[str, ...]
    opened: datetime
    where: Mapping[str, Any]
    lasting: bool = True
    stays: bool = False
    calm: float = 60.0
    mark: str = ""
    returned: int = 0
    began: datetime | None = None
    told: Mapping[Target, Told] = field(default_factory=dict)
    held: Mapping[Target, str] = field(default_factory=dict)
    owed: tuple[Target, ...] = ()
    acknowledged: str = ""
    acknowledged_at: datetime | None = None
    over: datetime | None = None
    closed: datetime | None = None
    closed_why: str = ""

    @property
    def kind(self) -> str:
        """The kind that names it."""
        return self.kinds[0]

    @property
    def taken(self) -> bool:
        """Tell whether it was closed since another run has the rig."""
        return self.closed_why.startswith(ANOTHER)

    @property
    def open(self) -> bool:
        """Tell whether it is one that people may have to see to."""
        return self.closed is None


@dataclass(frozen=True, slots=True)
class Silence:
    """A kind that is silenced: until when, by whom, why."""

    kind: str
    until: datetime
    by: str
    why: str

    def holds(self, now: datetime) -> bool:
        """Tell whether it holds at an instant."""
        return now < self.until <= now + LONGEST_SILENCE + HOUR


@dataclass(frozen=True, slots=True)
class Sent:
    """A message that was taken by its way: when, to whom, about which kinds."""

    at: datetime
    targets: tuple[Target, ...]
    kinds: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Failed:
    """Failures of a way in a row: how many, since when, when and why the last."""

    times: int
    since: datetime
    last: datetime
    reason: str


@dataclass(frozen=True, slots=True)
class Desk:
    """All alerts of a run by number, silences by kind, and what was sent lately.

    `seen` is the number of the run's event up to which nothing is left to be looked at. `counts`
    is how many messages each way has taken, `failed` who could not be told since the last success.
    """

    alerts: Mapping[int, Alert] = field(default_factory=dict)
    silences: Mapping[str, Silence] = field(default_factory=dict)
    sent: tuple[Sent, ...] = ()
    seen: int = 0
    counts: Mapping[Way, int] = field(default_factory=dict)
    failed: Mapping[Target, Failed] = field(default_factory=dict)

    @property
    def next_number(self) -> int:
        """Number of the alert that is opened next."""
        return max(self.alerts, default=0) + 1

    def with_key(self, key: str) -> Alert | None:
        """Return the open alert of a cause, None where there is none."""
        return next((a for a in self.alerts.values() if a.open and a.key == key), None)

    def open_alerts(self) -> tuple[Alert, ...]:
        """Return the open alerts in the order in which they were opened."""
        return tuple(a for a in self.alerts.values() if a.open)

    def silenced(self, kind: str, now: datetime) -> Silence | None:
        """Return the silence of a kind, None where it may be told."""
        silence = self.silences.get(kind)
        return silence if silence is not None and silence.holds(now) else None


def has_rig(name: str) -> str:
    """Return in words that another run has the rig; they begin with `ANOTHER`."""
    return f"{ANOTHER}{name}, has the rig"


def line(what: str, now: datetime, **fields: object) -> dict[str, Any]:
    """Return a line for the book."""
    return {"v": VERSION, "what": what, "at_utc": now.astimezone(UTC).isoformat(), **fields}


def with_lines(desk: Desk, lines: Iterable[Line]) -> Desk:
    """Return the desk after some more lines. Raises ValueError for what is no line of a book."""
    for each in lines:
        desk = with_line(desk, each)
    return desk


def with_line(desk: Desk, told: Line) -> Desk:
    """Return the desk after one more line. Raises ValueError for what is no line of a book."""
    try:
        if told["v"] != VERSION:
            raise ValueError(f"version {told['v']!r} is not {VERSION}")
        return _LINES[told["what"]](desk, told, _time(told["at_utc"]))
    except (KeyError, TypeError, AttributeError, IndexError) as error:
        raise ValueError(f"{type(error).__name__}: {error}") from error


def _time(text: str) -> datetime:
    when = datetime.fromisoformat(text)
    if when.tzinfo is None:
        raise ValueError(f"{text!r} has no zone")
    return when.astimezone(UTC)


def _put(desk: Desk, alert: Alert) -> Desk:
    return replace(desk, alerts={**desk.alerts, alert.number: alert})


def _opened(desk: Desk, told: Line, at: datetime) -> Desk:
    number, kinds = int(told["n"]), tuple(told["kinds"])
    if number in desk.alerts or not kinds or not set(kinds) <= KINDS.keys():
        raise ValueError(f"alert {number} of {kinds} cannot be opened")
    before = [a for a in desk.alerts.values() if a.key == told["key"] and a.closed is not None]
    last = before[-1] if before else None
    back = last is not None and last.closed is not None and at - last.closed < BACK_WITHIN
    returned = last.returned + 1 if last is not None and back else 0
    return _put(
        desk,
        Alert(
            number=number,
            key=str(told["key"]),
            kinds=kinds,
            opened=at,
            where=dict(told["where"]),
            lasting=bool(told["lasting"]),
            stays=bool(told["stays"]),
            calm=float(told["calm"]),
            returned=min(returned, DOUBLED),
            **_texts(told),
        ),
    )


def _texts(told: Line) -> dict[str, Any]:
    texts = {name: str(told[name]) for name in ("headline", "happened", "did", "mark")}
    return {**texts, "todo": tuple(map(str, told["todo"]))}


def _changed(desk: Desk, told: Line, _: datetime) -> Desk:
    lasting = bool(told["lasting"])
    return _put(desk, replace(desk.alerts[told["n"]], lasting=lasting, **_texts(told)))


def _seen(desk: Desk, told: Line, _: datetime) -> Desk:
    return replace(desk, seen=max(desk.seen, int(told["seq"])))


def _targets(told: Line) -> tuple[Target, ...]:
    way = told["way"]
    if way not in WAYS:
        raise ValueError(f"{way!r} is no way")
    return tuple((str(person), way) for person in told["people"])


def _sent(desk: Desk, told: Line, at: datetime) -> Desk:
    targets, way = _targets(told), told["way"]
    concerned = [desk.alerts[number] for number in told["of"]]
    for alert in concerned:
        marks = {target: _once_more(alert.told.get(target), at) for target in targets}
        alert = replace(
            alert,
            told={**alert.told, **marks},
            held={t: why for t, why in alert.held.items() if t not in targets},
            owed=tuple(t for t in alert.owed if t not in targets),
            began=alert.began or at,
        )
        desk = _put(desk, alert)
    kinds = tuple(dict.fromkeys(kind for alert in concerned for kind in alert.kinds))
    lately = tuple(s for s in desk.sent if at - s.at < HOUR)
    return replace(
        desk,
        sent=(*lately, Sent(at, targets, kinds)),
        counts={**desk.counts, way: desk.counts.get(way, 0) + 1},
        failed={t: f for t, f in desk.failed.items() if t not in targets},
    )


def _once_more(told: Told | None, at: datetime) -> Told:
    return Told(1 if told is None else told.times + 1, at)


def _failed(desk: Desk, told: Line, at: datetime) -> Desk:
    failed = dict(desk.failed)
    for target in _targets(told):
        before = failed.get(target, Failed(0, at, at, ""))
        failed[target] = Failed(before.times + 1, before.since, at, str(told["reason"]))
    for number in told["of"]:
        alert = desk.alerts[number]
        desk = _put(desk, replace(alert, began=alert.began or at))
    return replace(desk, failed=failed)


def _held(desk: Desk, told: Line, _: datetime) -> Desk:
    alert = desk.alerts[told["n"]]
    marks = {target: str(told["why"]) for target in _targets(told)}
    return _put(desk, replace(alert, held={**alert.held, **marks}))


def _acknowledged(desk: Desk, told: Line, at: datetime) -> Desk:
    alert = desk.alerts[told["n"]]
    if not alert.open or alert.acknowledged:
        return desk
    alert = replace(alert, acknowledged=str(told["by"]), acknowledged_at=at, held={})
    # What happened is done with; what lasts is over when its cause is, or when it is reset.
    if not alert.lasting and not alert.stays:
        alert = replace(alert, closed=at, closed_why=f"acknowledged by {alert.acknowledged}")
    return _put(desk, alert)


def _silenced(desk: Desk, told: Line, _: datetime) -> Desk:
    kind = told["kind"]
    if kind not in KINDS:
        raise ValueError(f"{kind!r} is no kind of alert")
    silence = Silence(kind, _time(told["until_utc"]), str(told["by"]), str(told["why"]))
    return replace(desk, silences={**desk.silences, kind: silence})


def _over(desk: Desk, told: Line, at: datetime) -> Desk:
    return _put(desk, replace(desk.alerts[told["n"]], over=at))


def _back(desk: Desk, told: Line, _: datetime) -> Desk:
    return _put(desk, replace(desk.alerts[told["n"]], over=None))


def _reset(desk: Desk, told: Line, at: datetime) -> Desk:
    alert = desk.alerts[told["n"]]
    if not alert.open:
        return desk
    why = f"reset by {told['by']}"
    return _put(desk, replace(alert, closed=at, closed_why=why, held={}))


def _closed(desk: Desk, told: Line, at: datetime) -> Desk:
    alert = desk.alerts[told["n"]]
    owed = tuple((str(person), way) for person, way in told["owed"])
    return _put(desk, replace(alert, closed=at, closed_why=str(told["why"]), owed=owed))


_LINES: Final[Mapping[str, Callable[[Desk, Line, datetime], Desk]]] = {
    "opened": _opened,
    "changed": _changed,
    "seen": _seen,
    "sent": _sent,
    "failed": _failed,
    "held": _held,
    "acknowledged": _acknowledged,
    "silenced": _silenced,
    "over": _over,
    "back": _back,
    "reset": _reset,
    "closed": _closed,
}
"""What each kind of line changes."""
