"""What is asked of a controller and told it, in the lines of the rig file.

Each line of a command is followed by a look into the controller's error queue, and by a number
that it must send back: what it refused is known before the next line is written, and an old
answer is never taken for its word. The look is a line of its own: where a line holds an error the
standard lets a device leave out the rest of it, and a question there would stay unanswered.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from typing import Final, TypeVar

from drivers.answers import unquoted
from drivers.controller_status import ControllerError, read_error, refusal
from drivers.templates import KINDS, fill, said
from drivers.text import Reply, TextLine
from rig.clock import Clock
from rig.errors import DeviceError
from rig.ports import LineReport
from rig.protocol.wire import Controller, Port

MOST_ERRORS: Final = 50
"""Entries of an error queue that are read at once; one that is longer never ends."""

_ONCE: Final = frozenset({"cycle"})
"""Actions that are not written again where it is not known whether they were understood."""

_YIELDS: Final = frozenset(
    {"pressure low", "pressure high", "stroke", "load", "deflection", "cycle", "adjust"}
)
"""Actions of which nothing more is written once the valve was told to close: some open it."""

T = TypeVar("T")


class ControllerLine:
    """A controller at the end of a text line. `stale`: it was told something since it was set."""

    def __init__(self, line_plan: Port, plan: Controller, clock: Clock) -> None:
        self.plan = plan
        self.who = ""
        self.stale = True
        self._text = TextLine(line_plan, clock, plan.line_end, self._echo)
        self._wrong = ""  # what is wrong with a controller that answers
        self._happened: deque[str] = deque(maxlen=MOST_ERRORS)

    async def open(self) -> None:
        """Open the port, see who answers and empty the error queue; nothing is commanded.

        Raises DeviceError in one line for people; the port is then closed again.
        """
        self._text.open()
        try:
            await self.identify()
            await self._forget_errors()
        except BaseException:
            self._text.close()
            raise

    def close(self) -> None:
        """Close the port; safe to call twice."""
        self._text.close()

    @property
    def returned(self) -> int:
        """Times the line was lost and is back."""
        return self._text.returned

    def report(self) -> LineReport:
        """Return what is known of the line now."""
        text = self._text
        return LineReport(
            port=text.plan.name,
            path=text.plan.path,
            kind="controller",
            who=self.who,
            good=text.good,
            bad=text.bad,
            dropped=text.dropped,
            round_trip=text.round_trip,
            trouble=text.trouble or self._wrong,
            remedy=text.remedy,
        )

    def told(self) -> tuple[str, ...]:
        """Return what has happened since this was asked last."""
        texts = []
        while self._happened:
            texts.append(self._happened.popleft())
        return (*self._text.told(), *texts)

    def happened(self, text: str) -> None:
        """Keep a text for `told`; from any thread."""
        self._happened.append(text)

    def tell_now(self, action: str, *, surely: bool = False) -> None:
        """Write an action's lines at once, whatever is under way; from any thread."""
        self._text.tell_now(*self._lines(action), surely=surely)

    @property
    def overtaken(self) -> int:
        """Times the controller was told what must surely be understood."""
        return self._text.overtaken

    def knows(self, action: str) -> bool:
        """Whether the rig file gives lines for an action."""
        return bool(self.plan.actions.get(action))

    async def ask(
        self, action: str, read: Callable[[str], T], *, sure: bool = False, **words: str
    ) -> Reply[T]:
        """Ask the question of an action, and return what `read` makes of the answer."""
        return await self._text.ask(fill(self._lines(action)[0], words), read, sure=sure)

    async def identify(self) -> None:
        """See that the controller at the line is the rig file's. Raises DeviceError for another."""
        who = (await self.ask("identify", unquoted)).value
        before, self.who, self._wrong = self.who, who, ""
        wanted = self.plan.identity
        if wanted not in who:
            self._wrong = f'"{who}" answers and the rig file expects "{wanted}"'
        elif before and who != before:
            self._wrong = f'"{who}" answers where "{before}" did before'
        if self._wrong:
            raise DeviceError(f"{self._text.where}: {self._wrong}; is it the right port?")

    async def do(self, action: str, **numbers: float) -> None:
        """Have an action done with numbers in SI. Raises DeviceError where it is refused."""
        kinds, units = KINDS.get(action, {}), self.plan.units
        decimals = self.plan.decimals
        values = {p: said(p, si, units[kinds[p]], decimals) for p, si in numbers.items()}
        await self.say(action, values)

    async def say(self, action: str, values: Mapping[str, str]) -> None:
        """Write the lines of an action one by one, each only after the one before was taken."""
        overtaken = self._text.overtaken if action in _YIELDS else None
        if action in _ONCE:
            await self._forget_errors()
        for line in self._lines(action):
            await self._command(fill(line, values), overtaken, again=action not in _ONCE)

    async def _command(self, line: str, overtaken: int | None, *, again: bool) -> None:
        tries = 1 + (self._text.plan.ask_again if again else 0)
        errors: list[ControllerError] = []
        for _ in range(tries):
            self.stale = True
            errors = await self._errors(line, tries, overtaken)
            self.stale = True
            if not errors:
                return
            if not all(error.of_the_line for error in errors):
                break
        raise refusal(line, errors)

    async def _errors(
        self, command: str = "", tries: int | None = None, overtaken: int | None = None
    ) -> list[ControllerError]:
        """Write a command, if any; return what the error queue holds after it, and empty it."""
        question = self._lines("error")[0]
        after = (command,) if command else ()
        found: list[ControllerError] = []
        while len(found) < MOST_ERRORS:
            reply = await self._text.ask(
                question, read_error, after=after, sure=True, tries=tries, overtaken=overtaken
            )
            if not reply.value.number:
                break
            found.append(reply.value)
            after, tries, overtaken = (), None, None
        return found

    async def _forget_errors(self) -> None:
        for error in await self._errors():
            self.happened(f"the controller had an error of before: {error}")

    def _echo(self, number: int) -> str:
        return fill(self._lines("echo")[0], {"number": str(number)})

    def _lines(self, action: str) -> tuple[str, ...]:
        lines = self.plan.actions.get(action, ())
        if not lines:
            raise DeviceError(
                f'the rig file does not say how a controller is told "{action}"; add it to '
                "[controller.actions]"
            )
        return lines
