"""Playing a recording on the screen of a run: faster, paused, or from event to event."""

from __future__ import annotations

import contextlib
import math
import sys
from collections.abc import Callable
from typing import Final, Protocol, TextIO

from rich.text import Text

from rig.clock import real_seconds
from rig.monitor.glyphs import glyphs
from rig.monitor.lines import PlainLines
from rig.monitor.paint import Gone, Painter, can_paint
from rig.monitor.screen import screen
from rig.monitor.terminal import STOPPED, put_lines
from rig.monitor.view import Playing, View

TICK: Final = 0.1
"""Seconds between two looks at the keys and the recording."""
LINES_EVERY: Final = 1.0
"""Seconds between two looks where there are only plain lines."""
STEPS: Final = 200
"""In how many steps a recording goes that is played as fast as it can be read."""
PAUSE, STEP, LEAVE = " ", "n", "q"
PLAYS: Final = "space pauses, n goes to the next event, q leaves"
STANDS: Final = "space goes on, n goes to the next event, q leaves"
ENDS: Final = "q leaves"


class Film(Protocol):
    """A recording that is asked forward in time only."""

    @property
    def end(self) -> float:
        """Test time of its end [s]."""

    def next_event(self, time: float) -> float | None:
        """Return when [s] the first event after a test time comes, None after the last."""

    def view(self, time: float, playing: Playing) -> View:
        """Return what is shown at a test time [s]."""


class Playhead:
    """Where a recording stands: test time [s] over real time [s], at a speed.

    An infinite speed takes a two hundredth of it at each look.
    """

    def __init__(self, end: float, speed: float, now: float) -> None:
        self.end, self.speed = end, speed
        self.time, self.paused = 0.0, False
        self._now = now

    @property
    def over(self) -> bool:
        """Whether it stands at its end."""
        return self.time >= self.end

    @property
    def playing(self) -> Playing:
        """What a screen is told of it."""
        return Playing(self.end, self.speed, self.paused)

    def advance(self, now: float) -> None:
        """Come to a real time [s]."""
        passed, self._now = max(now - self._now, 0.0), now
        if not self.paused:
            step = self.end / STEPS if math.isinf(self.speed) else passed * self.speed
            self.time = min(self.time + step, self.end)

    def skip(self, now: float) -> None:
        """Let the real time [s] since the last look pass without playing."""
        self._now = now

    def key(self, key: str, next_event: Callable[[float], float | None]) -> None:
        """Do what a key asks for: pause or go on, or go to the next event."""
        if key == PAUSE:
            self.paused = not self.paused
        elif key == STEP:
            there = next_event(self.time)
            self.time = self.end if there is None else min(there, self.end)


def play(
    film: Film,
    speed: float,
    leaving: Callable[[], bool],
    *,
    pause: Callable[[float], None],
    keys: Callable[[], str],
    ascii_only: bool = False,
    stream: TextIO = sys.stdout,
    seconds: Callable[[], float] = real_seconds,
) -> bool:
    """Play a recording until its end is left, or somebody leaves; return whether it came to it.

    On a terminal it is a screen with keys, else plain lines up to the end. `keys` returns the
    letters pressed since it was asked last, `pause` waits some seconds [s], less when somebody
    leaves. Raises what the film raises.
    """
    head = Playhead(film.end, speed, seconds())
    with contextlib.suppress(Gone):
        if can_paint(stream):
            with Painter(stream, leaving) as painter:
                _on_screen(film, head, leaving, pause, keys, painter, seconds, ascii_only)
        else:
            _in_lines(film, head, leaving, pause, stream, seconds, ascii_only)
    return head.over


def _on_screen(
    film: Film,
    head: Playhead,
    leaving: Callable[[], bool],
    pause: Callable[[float], None],
    keys: Callable[[], str],
    painter: Painter,
    seconds: Callable[[], float],
    ascii_only: bool,  # handed on
) -> None:
    signs, drawn = glyphs(ascii_only=ascii_only), seconds()
    shown: tuple[object, ...] = ()
    view: View | None = None
    while True:
        now = seconds()
        if now - drawn > STOPPED:
            # Whoever stopped this program has not seen the recording meanwhile.
            painter.again()
            head.skip(now)
        drawn = now
        head.advance(now)
        for key in keys():
            if key == LEAVE:
                return
            head.key(key, film.next_event)
        if view is None or shown != (head.time, head.paused):
            view, shown = film.view(head.time, head.playing), (head.time, head.paused)
        hint = ENDS if head.over else STANDS if head.paused else PLAYS

        def draw(width: int, height: int, view: View = view, hint: str = hint) -> list[Text]:
            return screen(view, width, height, signs, hint)

        painter.paint(view, draw)
        if leaving():
            return
        if head.over or head.paused or not math.isinf(head.speed):
            pause(TICK)


def _in_lines(
    film: Film,
    head: Playhead,
    leaving: Callable[[], bool],
    pause: Callable[[float], None],
    stream: TextIO,
    seconds: Callable[[], float],
    ascii_only: bool,  # handed on
) -> None:
    lines = PlainLines(glyphs(ascii_only=ascii_only))
    while True:
        now = seconds()
        head.advance(now)
        view = film.view(head.time, head.playing)
        put_lines(stream, lines.news(view, now), leaving)
        if head.over or leaving():
            return
        if not math.isinf(head.speed):
            pause(LINES_EVERY)
