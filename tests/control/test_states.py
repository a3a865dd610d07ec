"""The state table: every row is walked, by a whole test in virtual time."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace

import pytest

from rig.control.states import (
    FAULTS,
    INPUTS,
    STATES,
    TABLE,
    Row,
    following,
    may_follow,
    possible,
)
from tests.control.conftest import changed
from tests.control.courses import SHORT, Night, asked, complete, of_the_course, struck
from tests.control.night import Walked, walk
from tests.control.taken import DONE

pytestmark = pytest.mark.xdist_group("states")  # many begin with the same night


@pytest.fixture(scope="module")
def night(tmp_path_factory) -> Callable[[Night], Walked]:
    """Return a function that carries a night out, once."""
    from importlib import resources
    from pathlib import Path

    from rig.commands.files import load

    root = Path(str(resources.files("protocols")))

    @functools.cache
    def carried_out(told: Night) -> Walked:
        folder = tmp_path_factory.mktemp("night")
        text = (root / "first-night.toml").read_text(encoding="utf-8")
        for kind in ("specimens", "series"):
            text = text.replace(f'"{kind}/', f'"{root.as_posix()}/{kind}/')
        rig = (root / "rigs" / "simulated.toml").read_text(encoding="utf-8")
        text = changed(text, {**SHORT, **dict(told.changes)})
        (folder / "p.toml").write_text(text, encoding="utf-8")
        (folder / "rig.toml").write_text(changed(rig, dict(told.rig)), encoding="utf-8")
        plan = load(str(folder / "p.toml"), str(folder / "rig.toml"))
        walked = walk(
            plan,
            folder / "out",
            script=tuple((frame, complete(request, plan)) for frame, request in told.script),
            accidents=told.accidents,
            emulated=told.emulated,
        )
        # Hundreds of nights are kept: their way, not their rigs.
        return replace(walked, conductor=None, rig=None)

    return carried_out


def alike(row: Row) -> bool:
    """Tell whether another row stands for this one: of an input, of a stage, of a way elsewhere."""
    one_input = row.cause in ("leak", "oil", "mains") and row.state != "cycling"
    moving = ("starting", "approach", "ramp", "hold", "build-up", "pausing", "unloading")
    return one_input or (row.cause in FAULTS and row.state in moving)


WALKED = [row for row in TABLE if (row.state, row.cause, row.to) not in DONE]
FIRST = {(row.state, row.to): row for row in reversed(WALKED)}
"""The first cause of each step from state to state."""
LONG = {(state, "long dry") for state in ("waiting", "locked", "unloaded")}
LONG |= {("re-wetting", cause) for cause in ("asks loaded", "asks unloaded")}
"""Nights of many hours, further ones of a paused test that is wetted again."""
DEARER = {"long dry", "wetted", "at rest", "continue", "go on", "no flow", "unattended"}
DEARER |= {"feedback", "silent", "oil", "mains"}
"""Causes that need a longer test than others that end alike."""
STANDING = {"inspection", "waiting", "locked", "unloading", "unloaded", "paused", "re-wetting"}
"""States that a test takes long to come to, and in which a stop finds little that moves."""


def tier(row: Row) -> tuple[pytest.MarkDecorator, ...]:
    """Return the tier of a row; the first holds steps and causes that a short test comes to.

    Slow stages (ramps, holds, static ones) follow each other alike. A pause and an unloading that
    are asked for begin alike wherever there is load: from `approach` and `cycling` every time.
    """
    dearer = row.cause in DEARER or (row.cause, row.to) == ("stage", "static")
    dearer = dearer or (row.cause == "stop" and row.state in STANDING)
    first = row is FIRST[row.state, row.to] and (row.state, row.cause) not in LONG
    first = first and (row.cause not in ("pause", "unload") or row.state == "approach")
    first = (first and not {"ramp", "hold"} & {row.state, row.to}) or row.state == "cycling"
    if first and not dearer:
        return ()
    further = alike(row) or row is not FIRST[row.state, row.to]
    further = further or (row.cause in FAULTS and row.state in STANDING)
    return (pytest.mark.endurance if further else pytest.mark.nights,)


@pytest.mark.timeout(120)
@pytest.mark.parametrize(
    "row",
    [pytest.param(row, marks=tier(row)) for row in WALKED],
    ids=lambda r: f"{r.state}-{r.cause}-{r.to}".replace(" ", "_"),
)
def test_every_row_of_the_table_is_walked(night, row):
    if row.cause in FAULTS:
        told = struck(night, row)
    elif row.cause in ("pause", "continue", "unload", "stop") and row.state != "checklist":
        told = asked(night, row)
    else:
        told = of_the_course(night, row)
    walked = night(told)
    assert (row.state, row.cause, row.to) in walked.path
    assert walked.path[-1][2] == "stopped"


def test_every_state_can_be_reached_and_every_running_one_can_be_stopped():
    reached, more = set(), {"idle"}
    while more:
        reached |= more
        more = {row.to for row in TABLE if row.state in reached} - reached
    assert reached == set(STATES)
    for state in set(STATES) - {"idle", "stopping", "stopped"}:
        assert may_follow(state, "stop", "stopping")
        assert "stop" in possible(state)


def test_a_cause_leads_to_one_state_but_for_the_stages_of_a_protocol():
    for row in TABLE:
        if row.cause != "stage":
            assert following(row.state, row.cause) == row.to


@pytest.mark.parametrize("state", ["waiting", "unloaded"])
def test_an_open_guard_stops_whatever_moves_and_nothing_where_people_may_stand(state):
    assert not may_follow(state, "guard", "stopping")
    for other in INPUTS.keys() - {"guard"}:
        assert may_follow(state, other, "stopping")
    assert may_follow("cycling", "guard", "stopping")


@pytest.mark.parametrize(
    ("state", "cause", "to"),
    [
        ("stopped", "continue", "starting"),
        ("idle", "stage", "cycling"),
        ("locked", "people", "paused"),
    ],
)
def test_a_step_that_is_not_in_the_table_is_refused(state, cause, to):
    assert not may_follow(state, cause, to)
    with pytest.raises(ValueError, match="state table"):
        following(state, cause)
