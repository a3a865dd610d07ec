"""Where cracks are drawn on their faces: places worked by hand, and any reading at all."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rig.mechanics.specimen import Section
from rig.record.cracks import DIRECTIONS, FACES, NAN
from rig.report.crack_growth import CrackGrowth, Mark, Reading, growth_of
from rig.report.crack_layout import LARGE, SMALL, faces_of, laid_out
from rig.report.crack_lines import NOTES, Beam, Line, beam_of, grown, line_of
from tests.report.crack_readings import prism, reading

MM = 1e-3


def beam() -> Beam:
    return beam_of(prism(), CrackGrowth())


def drawn(face: str, direction: str, **read: float) -> Line | None:
    """Return the line of a crack read in mm, its ends in mm."""
    now = Reading(entries=(1,), **{name: value * MM for name, value in read.items()})
    line = line_of(Mark("C1", face, direction, now, now, None), now, beam())
    if line is None:
        return None
    ends = (tuple(round(value / MM, 6) for value in end) for end in (line.foot, line.tip))
    return Line(*ends, line.assumed)


HALF = 60 * math.sqrt(0.5)
PLACES = {
    "from the soffit to its tip": (
        ("front", "flexural", {"position": 450, "height": 120, "length": 120}),
        ((450, 0), (450, 120), set()),
    ),
    "above the soffit": (
        ("back", "flexural", {"position": 450, "height": 120, "length": 50}),
        ((450, 70), (450, 120), set()),
    ),
    "longer than its tip is high": (
        ("front", "flexural", {"position": 450, "height": 120, "length": 131}),
        ((450, 0), (450, 120), {"cut"}),
    ),
    "height not read": (
        ("front", "flexural", {"position": 450, "length": 80}),
        ((450, 0), (450, 80), set()),
    ),
    "length not read": (
        ("front", "flexural", {"position": 450, "height": 80}),
        ((450, 0), (450, 80), {"foot"}),
    ),
    "nothing read but its place": (
        ("front", "", {"position": 450}),
        ((450, 0), (450, 50), {"length", "direction"}),
    ),
    "rising to the right of the left half": (
        ("front", "inclined", {"position": 200, "height": HALF, "length": 60}),
        ((200, 0), (200 + HALF, HALF), {"inclination"}),
    ),
    "rising to the left of the right half": (
        ("front", "inclined", {"position": 700, "height": 100, "length": 60}),
        ((700, 100 - HALF), (700 - HALF, 100), {"inclination"}),
    ),
    "along the span": (
        ("front", "longitudinal", {"position": 300, "height": 70, "length": 200}),
        ((300, 70), (500, 70), {"from"}),
    ),
    # Its one tendon is 130 mm below the top of 200 mm.
    "along the tendon": (
        ("front", "longitudinal", {"position": 300, "length": 200}),
        ((300, 70), (500, 70), {"from", "height"}),
    ),
    "beyond the end": (
        ("front", "longitudinal", {"position": 900, "height": 70, "length": 200}),
        ((900, 70), (954, 70), {"from", "cut"}),
    ),
    "across the bottom": (
        ("bottom", "flexural", {"position": 450, "length": 100}),
        ((450, 25), (450, 125), {"across"}),
    ),
    "along the top": (
        ("top", "longitudinal", {"position": 100, "length": 100}),
        ((100, 75), (200, 75), {"across", "from"}),
    ),
    "on an end": (
        ("left-end", "longitudinal", {"height": 80, "length": 50}),
        ((50, 80), (100, 80), {"across"}),
    ),
    "up an end": (
        ("right-end", "flexural", {"height": 90, "length": 90}),
        ((75, 0), (75, 90), {"across"}),
    ),
}


@pytest.mark.parametrize(("read", "found"), PLACES.values(), ids=PLACES.keys())
def test_a_crack_lies_where_it_was_read(read, found) -> None:
    face, direction, sizes = read
    line = drawn(face, direction, **sizes)
    assert line is not None
    assert (line.foot, line.tip) == (pytest.approx(found[0]), pytest.approx(found[1]))
    assert line.assumed == found[2]
    assert line.assumed <= NOTES.keys()


def test_a_crack_without_a_place_or_beyond_the_specimen_has_no_line() -> None:
    assert drawn("front", "flexural", height=80) is None
    assert drawn("front", "flexural", position=2_000) is None
    assert drawn("", "flexural", position=450) is None


def test_the_beam_is_drawn_as_long_as_cracks_need() -> None:
    # 6 % of the span of 900 mm are 54 mm.
    assert (beam().left, beam().right) == (pytest.approx(-0.054), pytest.approx(0.954))
    log = [
        reading(1, 1, "C1", position=-100, direction="flexural"),
        reading(2, 1, "C2", position=900, length=150, direction="longitudinal"),
        reading(3, 1, "C3", position=9_000, direction="flexural"),
    ]
    longer = beam_of(prism(), growth_of(log))
    assert (longer.left, longer.right) == (pytest.approx(-0.1), pytest.approx(1.05))


def test_an_end_has_the_outline_of_the_section() -> None:
    outline = ((0.0, 0.3), (0.1, 0.3), (0.1, 0.1), (0.4, 0.1))
    tee = Section("general", 0.4, 0.3, 0.1, 2.0, 0.5, outline)
    shaped = beam_of(replace(prism(), section=tee), CrackGrowth())
    assert [shaped.width_at(height) for height in (0.0, 0.2, 0.35, 0.4)] == [0.1, 0.1, 0.3, 0.3]
    # Its web is 100 mm wide, in the middle of 300 mm.
    now = Reading(entries=(1,), height=0.1, length=0.2)
    line = line_of(Mark("C1", "left-end", "longitudinal", now, now, None), now, shaped)
    assert (line.foot, line.tip) == (pytest.approx((0.1, 0.1)), pytest.approx((0.2, 0.1)))
    shape = shaped.outline
    assert shape == ((0.4, 0.3), (pytest.approx(0.3), 0.3), (pytest.approx(0.3), 0.1), (0.0, 0.1))


def test_what_a_crack_grew_by_is_new_and_the_rest_is_not() -> None:
    before = Line((0.45, 0.0), (0.45, 0.06))
    now = Line((0.45, 0.0), (0.45, 0.1))
    old, new = grown(now, before)
    assert (old[1], new[1]) == (False, True)
    assert old[0].tip == (0.45, pytest.approx(0.06))
    assert new[0].foot == (0.45, pytest.approx(0.06))
    assert grown(now, None) == ((now, True),)
    assert grown(before, now) == ((before, False),)  # shorter: nothing is new
    both = grown(Line((0.2, 0.08), (0.6, 0.08)), Line((0.3, 0.08), (0.4, 0.08)))
    assert [is_new for _, is_new in both] == [True, False, True]
    unread = Line((0.45, 0.0), (0.45, 0.06), frozenset({"length"}))
    assert grown(now, unread) == ((now, False),)


READS = st.one_of(st.just(NAN), st.floats(0.0, 2.0))
READINGS = st.builds(
    Reading,
    entries=st.just((1,)),
    position=st.one_of(st.just(NAN), st.floats(-0.5, 1.5)),
    height=READS,
    length=READS,
)


@given(st.sampled_from(FACES), st.sampled_from((*DIRECTIONS, "")), READINGS, st.none() | READINGS)
def test_no_line_leaves_its_face_and_its_pieces_are_all_of_it(face, direction, now, before) -> None:
    line = line_of(Mark("C1", face, direction, now, now, before), now, beam())
    assume(line is not None)
    left, right, bottom, top = beam().size(face)
    for x, y in (line.foot, line.tip):
        assert left - 1e-9 <= x <= right + 1e-9
        assert bottom - 1e-9 <= y <= top + 1e-9
    was = before and line_of(Mark("C1", face, direction, now, now, before), before, beam())
    pieces = grown(line, was)
    assert sum(_long(piece) for piece, _ in pieces) == pytest.approx(_long(line), abs=1e-5)


def _long(line: Line) -> float:
    return math.dist(line.foot, line.tip)


def pieces(*read: dict[str, float]) -> list[tuple[float, float, bool]]:
    """Return the heights [mm] of the pieces of an upright crack, and whether they are new."""
    log = [
        reading(n, n, "C1", direction="flexural", position=450, **sizes)
        for n, sizes in enumerate(read, 1)
    ]
    (mark,) = growth_of(log).inspections[-1].marks
    line = line_of(mark, mark.known, beam())
    assert line is not None
    was = line_of(mark, mark.before, beam())
    found = grown(line, was)
    return [(round(p.foot[1] / MM, 6), round(p.tip[1] / MM, 6), new) for p, new in found]


GREW = {
    "both read": (({"height": 35, "length": 35}, {"height": 90, "length": 90}), 90),
    "its length alone": (({"height": 35, "length": 35}, {"length": 90}), 90),
    "its tip alone": (({"height": 35, "length": 35}, {"height": 90}), 90),
    "never but its tip": (({"height": 35}, {"height": 90}), 90),
    "never but its length": (({"length": 35}, {"length": 90}), 90),
}


@pytest.mark.parametrize(("read", "tip"), GREW.values(), ids=GREW.keys())
def test_a_crack_that_grew_is_drawn_longer_whichever_size_was_read(read, tip) -> None:
    assert pieces(*read) == [(0, 35, False), (35, tip, True)]


def test_where_no_size_was_read_again_nothing_is_new() -> None:
    assert pieces({"height": 35, "length": 35}, {"width": 0.2}) == [(0, 35, False)]
    # One that wanders is longer than its tip is high.
    assert pieces({"height": 35, "length": 50}, {"length": 34}) == [(1, 35, False)]


@pytest.mark.parametrize("rooms", [LARGE, SMALL], ids=["large", "small"])
@given(st.sets(st.sampled_from(FACES)), st.floats(1.0, 12.0), st.floats(5.0, 12.0))
def test_faces_stand_to_one_scale_inside_the_map_and_over_no_other(
    rooms, faces, width, height
) -> None:
    log = [reading(n, 1, "C1", face, position=450) for n, face in enumerate(sorted(faces), 1)]
    growth = growth_of(log)
    layout = laid_out(beam(), faces_of(growth), (width, height), rooms)
    assert layout.places.keys() == faces | {"front"}
    assert layout.height <= height + 1e-9
    boxes = [layout.area(face, beam()) for face in layout.places]
    for face, (left, right, bottom, top) in zip(layout.places, boxes, strict=True):
        long = 1.008 if not face.endswith("end") else 0.15
        high = 0.15 if face in {"bottom", "top"} else 0.2
        assert (right - left, top - bottom) == pytest.approx(
            (long * layout.scale, high * layout.scale)
        )
        assert left >= -1e-9
        assert bottom > 0
        assert right <= width + 1e-9
        assert top < layout.height
    for n, (left, right, bottom, top) in enumerate(boxes):
        for a, b, c, d in boxes[n + 1 :]:
            assert left >= b or a >= right or bottom >= d or c >= top
