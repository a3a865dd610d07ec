"""Events files as they are read: each mistake one line, all of them together."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import pytest

from rig.assembly.events_file import load_events
from rig.commands.files import find_events, load, read_text
from rig.commands.rehearse import never_happened
from rig.errors import InputError
from simulators.disturbances import Disturbance
from simulators.faults import Fault, InLoop
from simulators.spoiled import Gaps, Noisy, Shifted, Spoiled
from tests.assembly.disturbing import KINDS, planned, scripted
from tests.truth import CAUSES


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory):
    """Return the plan of a sprayed test on the shipped rig."""
    return planned(tmp_path_factory.mktemp("plan"))


def problems(plan, text: str) -> list[str]:
    """Return what is wrong with a file of a title and so much text, a line each."""
    with pytest.raises(InputError) as refused:
        load_events("e.toml", lambda _path: f'title = "t"\n{text}', plan)
    return str(refused.value).splitlines()


def event(kind: str, keys: str) -> str:
    return f'[[event]]\nkind = "{kind}"\nat = "1 min"\n{keys}\n'


def test_each_kind_becomes_parts_of_the_simulated_rig_and_a_happening(plan):
    events = scripted(plan, *((kind, 10.0 + n) for n, kind in enumerate(KINDS)))
    assert [h.what for h in events.happenings] == list(KINDS)
    assert {h.cause for h in events.happenings} <= {*CAUSES}
    assert [h.begin for h in events.happenings] == [10.0 + n for n in range(len(KINDS))]
    for part in events.parts:
        assert isinstance(part, Fault | Disturbance | Spoiled)
        frame = part.begin if hasattr(part, "begin") else part.frame
        assert frame % 1000 == 0
        assert frame >= 10_000


def test_a_wet_connector_is_noise_offset_and_gaps_together(plan):
    events = scripted(plan, ("wet-connector", 20.0))
    assert [type(p) for p in events.parts] == [Noisy, Shifted, Gaps]
    (told,) = events.happenings
    assert dict(told.numbers) == {"deviation": 9e-6, "by": 3e-5, "every": 2.0, "longest": 2e-3}


def test_what_the_cell_has_is_of_the_feedback_and_may_be_in_the_loop(plan):
    text = event("moved", 'channel = "load"\nby = "2 kN"\nin_loop = true')
    events = load_events("e.toml", lambda _path: f'title = "t"\n{text}', plan)
    assert isinstance(events.parts[0], InLoop)
    assert events.happenings[0].cause == "load"


BROKEN = {
    "kind": (
        event("creap", ""),
        'e.toml:3: event[1].kind: "creap" is no kind; did you mean "creep"? ',
    ),
    "far kind": (event("fog", ""), 'e.toml:3: event[1].kind: "fog" is no kind; give one of "'),
    "no length": (
        event("settlement", 'side = "left"\nover = "1 h"'),
        'e.toml:2: event[1].by: is missing; add by = "0.05 mm"',
    ),
    "no time": ('[[event]]\nkind = "brittle-end"', "e.toml:2: event[1].at: is missing"),
    "no unit": (event("chill", 'by = "3"'), 'e.toml:5: event[1].by: "3" has no unit'),
    "bare number": (event("chill", "by = 3"), "e.toml:5: event[1].by: 3 has no unit"),
    "key": (event("chill", 'by = "1 um"\nfro = 1'), "e.toml:6: event[1].fro: is not known"),
    "channel": (
        event("moved", 'channel = "midspn"\nby = "1 mm"'),
        'e.toml:5: event[1].channel: "midspn" is no sampled channel of the rig; did you mean',
    ),
    "dimension": (
        event("moved", 'channel = "load"\nby = "1 mm"'),
        "e.toml:6: event[1].by: is a length, which load does not measure; give a force",
    ),
    "loop": (
        event("moved", 'channel = "midspan"\nby = "1 mm"\nin_loop = true'),
        "e.toml:7: event[1].in_loop: the servo loop is closed on load",
    ),
    "wires": (event("wires", "wires = 40"), "e.toml:5: event[1].wires: the hardest tendon has 7"),
    "longer than its interval": (
        event("neighbour", 'to = "90 %"\nevery = "5 s"\nlasts = "9 s"'),
        "e.toml:7: event[1].lasts: is longer than every; make it shorter",
    ),
    "no flexibility left": (
        event("daily-temperature", 'swing = "30 K"\nsofter = "5 %"'),
        "e.toml:6: event[1].softer: softens the specimen by 150% over a swing of 30 K; give at "
        "most 1.66 %",
    ),
    "range": (event("crack", 'softer = "900 %"'), "e.toml:5: event[1].softer:"),
    "no TOML": ('[[event]\nkind = "x"', "e.toml:2:"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_file_is_one_line_with_its_place(plan, name):
    text, expected = BROKEN[name]
    (line,) = problems(plan, text)
    assert line.startswith(expected)


def test_all_problems_are_told_together(plan):
    texts = [
        text for name, (text, _) in BROKEN.items() if name not in ("no TOML", "kind", "far kind")
    ]
    assert len(problems(plan, "".join(f"{t}\n" for t in texts))) == len(texts)


def test_a_file_without_title_or_of_another_kind_is_refused(plan):
    with pytest.raises(InputError, match="title: is missing"):
        load_events("e.toml", lambda _path: "event = []", plan)
    rig = (resources.files("protocols") / "rigs" / "simulated.toml").read_text(encoding="utf-8")
    with pytest.raises(InputError, match="is a rig file, not an events file"):
        load_events("e.toml", lambda _path: rig, plan)


@pytest.mark.parametrize("kind", ["no-flow", "wires"])
def test_what_a_protocol_cannot_show_is_refused(kind, plan):
    static = load("static-ultimate", None)
    with pytest.raises(InputError, match="the protocol has none"):
        scripted(static, (kind, 5.0))
    assert scripted(plan, (kind, 5.0)).parts


def test_every_packaged_events_file_can_be_read_by_its_bare_name():
    sprayed = load("overnight-wet-prism", None)
    folder = Path(str(resources.files("protocols") / "events"))
    names = sorted(path.stem for path in folder.glob("*.toml"))
    assert len(names) >= 4
    for name in names:
        events = load_events(find_events(name), read_text, sprayed)
        assert events.happenings
        assert "invented for the demonstration" in events.text


def test_what_begins_after_the_end_of_a_test_is_said_never_to_have_happened(plan):
    events = scripted(plan, ("creep", 600.0), ("brittle-end", 7200.0))
    assert never_happened(events, 7201.0) == ""
    told = "never happened, as the test ended after 20 min: brittle-end at 2 h"
    assert never_happened(events, 1200.0).startswith(told)
    assert never_happened(events, 600.0).count(" at ") == 2
