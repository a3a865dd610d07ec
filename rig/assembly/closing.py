"""The end of a live record: finished, or kept for a resumption, however long its disk takes.

The rig is at rest by then. Until all is on the disk the door stays open, and a stop gives it up.
"""

from __future__ import annotations

import asyncio
import shlex
import signal
from typing import Any, Final

from rig.control.desk import Answer, Desk, Request
from rig.errors import StorageError
from rig.record.entries import Ending
from rig.record.finishing import Finishing
from rig.record.journal import JOURNAL
from rig.record.remote import RemoteRecorder

WARNED: Final = (
    "the rig is at rest and the record ends by itself once there is room; stop once more gives up "
    "what is not on the disk yet"
)
ONLY_HERE: Final = (
    "the rig is at rest already; what is not on the disk yet is given up only from its own computer"
)
GIVES_UP: Final = "gives up the rest of the record"


class LastDesk(Desk):
    """A desk at which a second stop gives up a record that waits for its disk."""

    def __init__(self) -> None:
        super().__init__()
        self._warned = False
        self.finishing: Finishing[Any] | None = None

    @property
    def trouble(self) -> str:
        """What the record waits for, in words, or ""."""
        return self.finishing.trouble if self.finishing is not None else ""

    def ask(self, request: Request) -> asyncio.Future[Answer]:
        """Put a request on the desk; the future is its first answer."""
        if self.finishing is None or request.verb != "stop" or not self.trouble:
            return super().ask(request)
        acted: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()
        if request.afar:
            acted.set_result(Answer(False, f"{self.trouble}; {ONLY_HERE}", "stopped"))
            return acted
        if self._warned:
            self.finishing.give_up(request.who or "somebody")
            acted.set_result(Answer(True, GIVES_UP, "stopped"))
        else:
            # A stop out of habit must not cost what is still in memory.
            self._warned = True
            acted.set_result(Answer(False, f"{self.trouble}; {WARNED}", "stopped"))
        return acted


async def close_record(recorder: RemoteRecorder, ending: Ending, desk: LastDesk) -> None:
    """Bring the record of a test that has ended to its end.

    A test that was stopped because nothing could be recorded gets no ending: `resume` goes on
    with it. Raises StorageError for it, and where the record is not complete.
    """
    if ending.last.why == recorder.trouble:
        await _keep(recorder, ending, desk)
    else:
        await _finish(recorder, ending, desk)


async def _keep(recorder: RemoteRecorder, ending: Ending, desk: LastDesk) -> None:
    """Get all that waits to the disk and close without an ending. Raises StorageError."""
    said = recorder.said or "the recorder gives no answer"
    failed = await _tried(Finishing(recorder.committed, told=said), desk)
    # What is given up has a last chance here, so that the count below is the last word.
    await recorder.abandon()
    missing = f"; {recorder.missing}" if recorder.missing else ""
    journal = recorder.folder / JOURNAL
    if failed:
        raise StorageError(
            f"{failed}; the test was stopped for it after {ending.cycles} cycles; {journal} "
            f"holds them up to cycle {recorder.counted}, what came after it is lost, the last "
            f"minute too{missing}; see to the disk, then: {_resume(recorder)}"
        )
    raise StorageError(
        f"{ending.last.why}; the test was stopped for it; {journal} holds all up to cycle "
        f"{recorder.counted} and the last minute before the stop{missing}; see to the disk, "
        f"then: {_resume(recorder)}"
    )


async def _finish(recorder: RemoteRecorder, ending: Ending, desk: LastDesk) -> None:
    """End the record. Raises StorageError where that fails or something is not in it."""
    words = (ending.outcome, ending.why, ending.cycles, ending.ended_time, ending.residual)
    failed = await _tried(Finishing(lambda: recorder.finish(*words)), desk)
    verdict = f"the verdict was {ending.outcome} after {ending.cycles} cycles: {ending.why}"
    if ending.residual is not None:
        verdict = f"{verdict}; {ending.residual.words}"
    if failed:
        await recorder.abandon()
        raise StorageError(
            f"{failed}; {verdict}; {recorder.folder / JOURNAL} holds what the disk took, up to "
            f"cycle {recorder.counted}; make room, then end the record with: {_resume(recorder)}"
        )
    if recorder.missing:
        raise StorageError(f"{recorder.folder}: {recorder.missing}; {verdict}")


async def _tried(finishing: Finishing[Any], desk: LastDesk) -> str:
    """Try for as long as it may take; return why it was given up, "" where it is done."""
    desk.finishing = finishing
    # There is nothing to stop any more but the wait for the disk.
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, finishing.give_up, "SIGTERM")
    try:
        await finishing.run()
    except StorageError as error:
        return str(error)
    return ""


def _resume(recorder: RemoteRecorder) -> str:
    return f"nightrig resume {shlex.quote(str(recorder.folder))}"
