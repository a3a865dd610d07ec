"""The checklist: nothing is switched on until somebody has confirmed it by name."""

from __future__ import annotations

from typing import Final

from rig.control.checklist import missing, not_ready
from rig.control.desk import Asked
from rig.control.permit import Permit
from rig.control.station import Station
from rig.control.stop_now import StopNow
from rig.judging.looking import Nothing

CHECKLIST_WAIT: Final = 900.0  # [s] in which the checklist must be confirmed


async def confirmed(station: Station, permit: Permit, until: int) -> None:
    """Wait until the checklist is confirmed by name; pressure is off.

    Raises StopNow where nobody has confirmed it by a frame.
    """
    stream, book = station.stream, station.book
    stream.inputs_matter = False
    asked = await _confirmation(station, permit, until)
    stream.inputs_matter = True
    request = asked.request
    book.event("checklist", f"confirmed by {request.who}: {'; '.join(request.items)}")
    book.event("on call", request.on_call)
    station.on_call = request.on_call
    book.enter("starting", "confirm", f"confirmed by {request.who}")
    asked.answer(done=True, text="checklist confirmed", state=book.state)
    # The inputs are looked at once more before anything is switched on.
    await stream.advance(stream.now + stream.tick, Nothing())


async def _confirmation(station: Station, permit: Permit, until: int) -> Asked:
    stream, plan = station.stream, station.plan

    def unconfirmed(asked: Asked) -> str:
        return missing(plan, asked.request) or not_ready(stream.inputs)

    while stream.now < until:
        asked = stream.take_asked()
        if asked is not None and await permit.given(asked, unconfirmed):
            return asked
        await stream.advance(stream.now + stream.frames(1.0), Nothing())
    minutes = CHECKLIST_WAIT / 60
    raise StopNow("operator", "operator", f"nobody confirmed the checklist in {minutes:.0f} min")
