"""The controller's count of cycles beside the record's: how many were run and are not recorded.

The controller's counter is read between blocks. Cycles of the next block are recorded before it is
read again, and never at all where that block ends the test. A block of a rehearsal lasts minutes.
So a reading never stands for itself: it is kept as by how much the counter is ahead of the record.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from rig.judging.cycling import Cycling
from rig.judging.looking import Look


@dataclass(frozen=True, slots=True)
class Tally:
    """Cycles by the controller's counter and by the record.

    `counter` is what the counter showed last, None before the first look. `recorded` are the
    cycles that were recorded in this run of the program, in build-up too; `ahead` is by how much
    the counter was ahead of them as the last one of them ended. `fresh` tells whether a cycle
    ended in the last tick, `cycling` whether the newest block was looked at for cycles.
    """

    counter: int | None = None
    recorded: int = 0
    ahead: int = 0
    fresh: bool = False
    cycling: bool = False

    @property
    def since(self) -> int:
        """Cycles that were recorded since the counter was read.

        -1 where one that it had counted was still to be recorded then, and is not yet.
        """
        return 0 if self.counter is None else self.recorded + self.ahead - self.counter

    def kept(self, look: Look, last_tick: int) -> Tally:
        """Return it after a block that has happened; its last tick begins at that frame."""
        rows = [r for r in (look.built_up, look.counted) if r is not None and len(r)]
        return replace(
            self,
            recorded=self.recorded + sum(map(len, rows)),
            fresh=any(int(r.known[-1]) > last_tick for r in rows),
            cycling=isinstance(look.judge, Cycling),
        )

    def read(self, counter: int, *, late: bool = False) -> Tally:
        """Return it with what the counter shows after the newest block.

        From the end of a cycle by its command until the load has followed and it is recorded the
        counter is ahead by one more: such a cycle is run, and not recorded yet. So are those whose
        samples wait to be read where the program is `late`.
        """
        ahead = counter - self.recorded
        more = ahead - self.ahead
        waits = (more == 1 and not self.fresh) or (more > 0 and late)
        if waits and self.cycling and self.counter is not None:
            ahead = self.ahead
        return replace(self, counter=counter, ahead=ahead)
