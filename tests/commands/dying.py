"""A rehearsal as a program of its own that is killed once enough is recorded.

`python -m tests.commands.dying MORE_THAN rehearse …`: it commits as often as it can and dies right
after a commit, so that on no computer, however fast or slow, the rehearsal ends before it.
"""

import sys

from rig.commands.main import main
from rig.record import Recorder, recorder
from tests.record.kills import after


def die_after(rows: int) -> None:
    """Die once more than so many counted cycles are committed."""
    recorder.COMMIT_EVERY = 0.0
    after(Recorder, "commit", lambda record: record.counted > rows)


if __name__ == "__main__":
    die_after(int(sys.argv[1]))
    main(sys.argv[2:])
