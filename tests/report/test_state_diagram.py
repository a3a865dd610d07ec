"""The diagram of states in the repository: read back it is the table, and it can be read."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from itertools import combinations, pairwise
from pathlib import Path
from xml.etree import ElementTree

import pytest

from rig.control.states import PEOPLE_NEAR, STATES, TABLE
from rig.report.state_diagram import draw, svg
from rig.report.state_layout import ARROWS, BOXES, FRAMES, HEIGHT, WIDTH
from rig.report.states import PICTURE, ROOT

pytestmark = pytest.mark.xdist_group("pictures")  # one process loads what draws them

Edges = tuple[float, float, float, float]  # left, lower, right, upper
Segment = tuple[tuple[float, float], tuple[float, float]]
FILE = ROOT / PICTURE
GROUP = "{http://www.w3.org/2000/svg}g"
OUTLINE = "{http://www.w3.org/2000/svg}path"


class Picture:
    """The SVG as a reader sees it: outlines by state and frame, words by arrow."""

    def __init__(self, text: str) -> None:
        keeps_comments = ElementTree.TreeBuilder(insert_comments=True)
        root = ElementTree.fromstring(text, ElementTree.XMLParser(target=keeps_comments))
        self.ids = [e.get("id") for e in root.iter() if e.get("id")]
        named = {e.get("id", ""): e for e in root.iter(GROUP)}
        self.states = {k[6:]: edges_of(e) for k, e in named.items() if k.startswith("state-")}
        self.frames = {k[6:]: edges_of(e) for k, e in named.items() if k.startswith("frame-")}
        places = [*self.states, *self.frames]
        names = {f"{a}-{b}": (a, b) for a in places for b in places}
        self.arrows = {k: names[k] for k in named if k in names}
        self.labels = {k: "\n".join(_lines(named, k)) for k in self.arrows}

    def inside(self, place: str) -> list[str]:
        """Return a state, or the states whose outline lies within a frame's."""
        if place in self.states:
            return [place]
        left, lower, right, upper = self.frames[place]
        return [
            state
            for state, (x0, y0, x1, y1) in self.states.items()
            if left < x0 and x1 < right and lower < y0 and y1 < upper
        ]


def _lines(named: dict[str, ElementTree.Element], arrow: str) -> Iterator[str]:
    """Return the words of an arrow's label; the writer leaves them as comments."""
    n = 0
    while (group := named.get(f"label-{arrow}-{n}")) is not None:
        (words,) = (e.text for e in group.iter(ElementTree.Comment))
        yield (words or "").strip()
        n += 1


def edges_of(group: ElementTree.Element) -> Edges:
    outlines = " ".join(e.get("d", "") for e in group.iter(OUTLINE))
    numbers = [float(n) for n in re.findall(r"-?\d+(?:\.\d+)?", outlines)]
    xs, ys = numbers[::2], numbers[1::2]
    return min(xs), min(ys), max(xs), max(ys)


def told(label: str, sources: list[str]) -> set[tuple[str, str]]:
    """Return the (state, cause) that a label tells a reader about states."""
    found = set()
    label = label.replace("\n(", " (")
    for cause, only, where in re.findall(r"([\w: -]+\w)(?: \((only|not) in ([^)]+)\))?", label):
        named = set(where.split(", "))
        has = [s for s in sources if not only or (s in named) == (only == "only")]
        assert not where or named <= set(sources), label
        found |= {(state, cause.strip()) for state in has}
    return found


@pytest.fixture(scope="module")
def kept() -> Picture:
    return Picture(FILE.read_text(encoding="utf-8"))


def test_the_picture_kept_shows_every_state(kept):
    assert set(kept.states) == set(STATES)


def test_the_arrows_of_the_picture_kept_are_the_steps_of_the_table(kept):
    drawn = {
        (a, b)
        for source, target in kept.arrows.values()
        for a in kept.inside(source)
        for b in kept.inside(target)
    }
    assert drawn == {(row.state, row.to) for row in TABLE}


def test_the_labels_of_the_picture_kept_tell_every_cause_of_the_table_and_no_other(kept):
    shown = {
        (state, cause, to)
        for name, (source, target) in kept.arrows.items()
        for state, cause in told(kept.labels[name], kept.inside(source))
        for to in kept.inside(target)
    }
    spoken = {(r.state, r.cause.replace("_", " ").replace(", ", ": "), r.to) for r in TABLE}
    assert shown == spoken


def test_the_frame_that_says_people_may_be_near_holds_those_states_and_says_at_what_load(kept):
    assert set(kept.inside("near")) == PEOPLE_NEAR
    words = FRAMES["near"].words.replace("\n", " ")
    assert "at lower load an open guard does not stop the test" in words


def test_the_picture_kept_is_the_one_that_would_be_drawn_now(kept):
    now = Picture(svg())
    assert (now.arrows, now.labels) == (kept.arrows, kept.labels)
    for place in (*now.states, *now.frames):
        there = {**kept.states, **kept.frames}[place]
        assert {**now.states, **now.frames}[place] == pytest.approx(there, abs=0.1)


def test_an_id_stands_for_one_thing(kept):
    assert len(set(kept.ids)) == len(kept.ids)


@pytest.mark.nights
def test_drawing_again_gives_the_same_bytes():
    assert svg() == svg()


def test_the_picture_is_small_undated_and_needs_no_font():
    text = FILE.read_text(encoding="utf-8")
    assert len(text.encode()) < 150_000
    assert "<text" not in text
    assert "font-family" not in text
    assert "dc:date" not in text


@pytest.mark.nights
def test_whoever_has_set_up_other_figures_gets_the_same_picture():
    import matplotlib as mpl

    plain = svg()
    with mpl.rc_context({"font.family": "serif", "lines.linewidth": 7, "svg.fonttype": "none"}):
        assert svg() == plain
        assert mpl.rcParams["lines.linewidth"] == 7


SEGMENTS: dict[str, list[Segment]] = {a.name: list(pairwise(a.route)) for a in ARROWS}


@pytest.fixture(scope="module")
def texts() -> dict[str, Edges]:
    """Return the edges of every text as the SVG has it, in the units of the layout."""
    from matplotlib.backends.backend_svg import RendererSVG

    figure = draw()
    figure.dpi = 72  # the SVG's; letters on a screen's grid would be narrower
    renderer = RendererSVG(WIDTH * 7.2, HEIGHT * 7.2, io.StringIO(), image_dpi=72)
    (axes,) = figure.axes
    found = {}
    for n, text in enumerate(axes.texts):
        box = text.get_window_extent(renderer).transformed(axes.transData.inverted())
        found[text.get_gid() or f"{n} {text.get_text()}"] = (box.x0, box.y0, box.x1, box.y1)
    return found


def overlap(a: Edges, b: Edges, gap: float = 0.0) -> bool:
    apart = a[2] + gap <= b[0] or b[2] + gap <= a[0] or a[3] + gap <= b[1] or b[3] + gap <= a[1]
    return not apart


def area(segment: Segment) -> Edges:
    """Return the edges about a level or upright segment."""
    (x0, y0), (x1, y1) = segment
    assert x0 == x1 or y0 == y1
    return min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)


def sides(edges: Edges) -> list[Edges]:
    left, lower, right, upper = edges
    return [
        (left, lower, right, lower),
        (left, upper, right, upper),
        (left, lower, left, upper),
        (right, lower, right, upper),
    ]


def test_no_text_lies_on_another_or_leaves_the_picture(texts):
    assert [(a, b) for a, b in combinations(texts, 2) if overlap(texts[a], texts[b])] == []
    whole = (0.5, 0.5, WIDTH - 0.5, HEIGHT - 0.5)
    outside = [
        name
        for name, (x0, y0, x1, y1) in texts.items()
        if x0 < whole[0] or y0 < whole[1] or x1 > whole[2] or y1 > whole[3]
    ]
    assert outside == []


def test_no_words_outside_a_box_lie_on_a_box_a_frame_or_an_arrow(texts):
    solid = [box.edges for box in BOXES.values()]
    lines = [side for frame in FRAMES.values() for side in sides(frame.edges)]
    lines += [area(s) for segments in SEGMENTS.values() for s in segments]
    captions = {frame.words for frame in FRAMES.values() if frame.words}
    words = {
        name: edges
        for name, edges in texts.items()
        if name.startswith("label-") or name.split(" ", 1)[1] in captions
    }
    assert len(words) >= len(ARROWS) + len(captions)
    assert [n for n, e in words.items() if any(overlap(e, o, 0.1) for o in (*lines, *solid))] == []


def test_the_words_of_a_box_lie_inside_it(texts):
    for state, box in BOXES.items():
        left, lower, right, upper = box.edges
        own = [e for name, e in texts.items() if name.split(" ", 1)[-1] == state]
        own += [
            e
            for name, e in texts.items()
            if not name.startswith("label-") and overlap(e, box.edges)
        ]
        assert len(own) >= 3
        for x0, y0, x1, y1 in own:
            assert left < x0 < x1 < right, state
            assert lower < y0 < y1 < upper, state


def test_no_arrow_runs_through_a_box():
    crossed = [
        (name, state)
        for name, segments in SEGMENTS.items()
        for segment in segments
        for state, box in BOXES.items()
        if overlap(area(segment), box.edges)
    ]
    assert crossed == []


def test_no_arrow_crosses_or_covers_another():
    met = [
        (a, b)
        for a, b in combinations(SEGMENTS, 2)
        if any(overlap(area(s), area(t), 0.5) for s in SEGMENTS[a] for t in SEGMENTS[b])
    ]
    assert met == []


def test_every_arrow_begins_and_ends_at_the_edge_of_what_it_joins():
    places = {**{s: b.edges for s, b in BOXES.items()}, **{f: v.edges for f, v in FRAMES.items()}}
    for arrow in ARROWS:
        for place, (x, y) in ((arrow.source, arrow.route[0]), (arrow.target, arrow.route[-1])):
            on = [e for e in sides(places[place]) if e[0] <= x <= e[2] and e[1] <= y <= e[3]]
            assert on, (arrow.name, place)


def test_the_picture_stands_in_developers_md_by_a_relative_link():
    document = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    (link,) = re.findall(r"!\[Diagram[^\]]*\]\(([^)]+)\)", document)
    assert (Path(ROOT) / link).samefile(FILE)
