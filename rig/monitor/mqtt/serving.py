"""Serving requests from afar: what is taken is passed on to the run, and both answers come back.

Nothing here waits for anything else: a stop has a thread of its own, so it never waits behind a
pause; a broker that takes no answers holds up answers alone; a storm costs looks and counts.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Final

from rig.clock import Clock
from rig.monitor.mqtt.afar import (
    MINUTE,
    REASONS,
    UNSIGNED,
    AfarRequest,
    Refusals,
    Rules,
    Verdict,
    judge,
    opened,
)
from rig.monitor.mqtt.signing import VERSION, as_payload, instant, signed
from rig.protocol.lab import FROM_AFAR

MOST_ANSWERS: Final = 256  # that wait for the broker; the oldest go first
ANSWERS_FOR: Final = 30.0  # [s] an answer is worth sending
LOOKS_EVERY: Final = 1.0  # [s] between two looks whether refusals are to be told

PassOn = Callable[[Mapping[str, object]], Iterator[Mapping[str, Any]]]
"""Asks the run, blocking, and gives its answers one after the other (`answer`, `text`, `state`)."""
Publish = Callable[[bytes], Awaitable[bool]]
"""Sends an answer to the topic of answers; tells whether the broker has it. Never raises."""


@dataclass(frozen=True, slots=True)
class _Answer:
    made: float
    payload: bytes


class AfarRequests:
    """The requests of one run from afar: `hear` each message, `serve` beside it for ever.

    It outlives connections to the broker. `answers_topic` is what answers are signed for, `tell`
    takes a line for people: what was asked and became of it, and refusals by number.
    """

    def __init__(
        self,
        rules: Rules,
        answers_topic: str,
        clock: Clock,
        *,
        pass_on: PassOn,
        publish: Publish,
        tell: Callable[[str], object],
    ) -> None:
        self._rules, self._topic, self._clock = rules, answers_topic, clock
        self._pass_on, self._publish, self._tell = pass_on, publish, tell
        self._memory = opened(rules, clock.utc())
        self.refusals = Refusals()
        # One is carried out, one may wait; more are refused.
        self._lanes = {ask: asyncio.Queue[AfarRequest](1) for ask in FROM_AFAR}
        self._answers: deque[_Answer] = deque(maxlen=MOST_ANSWERS)
        self._answered = asyncio.Event()
        self._lately: dict[bool, list[float]] = {True: [], False: []}

    def hear(self, payload: bytes, *, retained: bool) -> Verdict:
        """Take or refuse a message from the topic of requests; at once, whatever it is."""
        now = self._clock.now()
        self._memory, verdict = judge(
            self._rules,
            self._memory,
            payload,
            retained=retained,
            utc=self._clock.utc(),
            now=now,
        )
        request = verdict.request
        if request is not None and not verdict.reason:
            try:
                self._lanes[request.ask].put_nowait(request)
            except asyncio.QueueFull:
                verdict = Verdict("busy", f"{REASONS['busy']}; look at the state", request)
        if verdict.reason:
            self._refuse(verdict, now)
        return verdict

    def _refuse(self, verdict: Verdict, now: float) -> None:
        request, unsigned = verdict.request, verdict.reason in UNSIGNED
        self.refusals.count(verdict.reason, "" if request is None or unsigned else request.who)
        # The one who asked first has the answer; a second one would contradict it.
        if request is None or verdict.reason == "seen":
            return
        lately = self._lately[unsigned]
        lately[:] = [t for t in lately if now - t < MINUTE]
        if len(lately) < self._rules.most:
            lately.append(now)
            refused = {"answer": "refused", "text": verdict.text, "state": ""}
            self._answer(request, refused, verdict.reason)

    def _answer(self, request: AfarRequest, answer: Mapping[str, Any], reason: str = "") -> None:
        fields = {
            "v": VERSION,
            "run": self._rules.run,
            "nonce": request.nonce,
            "ask": request.ask,
            **{name: str(answer.get(name, "")) for name in ("answer", "text", "state")},
            "reason": reason,
            "at_utc": instant(self._clock.utc()),
        }
        payload = as_payload(signed(self._rules.key, self._topic, fields))
        self._answers.append(_Answer(self._clock.now(), payload))
        self._answered.set()

    async def serve(self) -> None:
        """Pass on what is taken, send answers, tell of refusals; until it is cancelled."""
        pool = ThreadPoolExecutor(len(self._lanes), thread_name_prefix="afar")
        try:
            async with asyncio.TaskGroup() as group:
                for lane in self._lanes.values():
                    group.create_task(self._carry_out(lane, pool))
                group.create_task(self._send_answers())
                group.create_task(self._tell_refusals())
        finally:
            pool.shutdown(wait=False, cancel_futures=True)

    async def _carry_out(self, lane: asyncio.Queue[AfarRequest], pool: ThreadPoolExecutor) -> None:
        loop = asyncio.get_running_loop()
        while True:
            request = await lane.get()
            message = {
                "ask": request.ask,
                "who": request.who,
                "text": request.text,
                "from": "afar",
            }
            answers = _whatever_happens(self._pass_on(message))
            while (answer := await loop.run_in_executor(pool, next, answers, None)) is not None:
                self._answer(request, answer)
                self._tell(f"{request.ask} by {request.who} from afar{_became(answer)}")

    async def _send_answers(self) -> None:
        while True:
            await self._answered.wait()
            while self._answers:
                first = self._answers[0]
                worth = self._clock.now() - first.made < ANSWERS_FOR
                if worth and not await self._publish(first.payload):
                    await self._clock.sleep(LOOKS_EVERY)
                elif self._answers and self._answers[0] is first:
                    self._answers.popleft()
            self._answered.clear()

    async def _tell_refusals(self) -> None:
        while True:
            for line in self.refusals.due(self._clock.now()):
                self._tell(line)
            await self._clock.sleep(LOOKS_EVERY)


def _whatever_happens(answers: Iterator[Mapping[str, Any]]) -> Iterator[Mapping[str, Any]]:
    """Yield answers; where the run cannot be asked that is one: the next request is to be heard."""
    try:
        yield from answers
    except Exception as error:  # noqa: BLE001 - whatever it was, who asked is to know
        why = f"it could not be passed on ({type(error).__name__}); look at the state"
        yield {"answer": "no answer", "text": why}


def _became(answer: Mapping[str, Any]) -> str:
    text = answer.get("text")
    return f": {answer.get('answer')}: {text}" if text else f": {answer.get('answer')}"
