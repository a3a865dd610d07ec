"""The map of cracks as it stands in its file: to scale, each crack in its place, and harmless."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given

from rig.errors import InputError, StorageError
from rig.record import Recorder
from rig.record.cracks import DIRECTIONS, FACES, CrackEntry
from rig.report.crack_drawing import CLASSES, NAMES, weight
from rig.report.crack_growth import growth_of
from rig.report.crack_map import draw_map, last_figure, map_figure, strip_figure, write_figure
from tests.readme import ROOT
from tests.record.runs import header, likely_rows
from tests.report.crack_readings import prism, reading, twelve
from tests.report.test_crack_growth import ENTRIES

pytestmark = pytest.mark.xdist_group("pictures")  # one process loads what draws them

SVG = "{http://www.w3.org/2000/svg}"
NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e-?\d+)?")
Points = list[tuple[float, float]]

LOG = (
    reading(1, 100, "C1", direction="flexural", position=450, height=60, width=0.05, length=60),
    reading(2, 100, "C2", direction="flexural", position=300, height=40, width=0.05, length=40),
    reading(3, 9_000, "C1", height=100, width=0.3, length=100),
    reading(4, 9_000, "C3", direction="longitudinal", position=500, height=70, length=200),
    reading(5, 9_000, "C4", "bottom", direction="flexural", position=600, width=0.1, length=90),
)


class Picture:
    """A written SVG."""

    def __init__(self, path: Path) -> None:
        self.root = ElementTree.parse(path).getroot()
        named = [element for element in self.root.iter() if "id" in element.attrib]
        self.ids = [element.attrib["id"] for element in named]
        self._named = dict(zip(self.ids, named, strict=True))

    def path(self, name: str) -> ElementTree.Element:
        found = self._named[name].find(f".//{SVG}path")
        assert found is not None
        return found

    def points(self, name: str) -> Points:
        """Return the points of a path, y upwards."""
        values = [float(text) for text in NUMBER.findall(self.path(name).attrib["d"])]
        return [(x, -y) for x, y in zip(values[::2], values[1::2], strict=True)]

    @property
    def words(self) -> list[str]:
        return [element.text or "" for element in self.root.iter(f"{SVG}text")]


def written(folder: Path, log, title: str = "Invented prism") -> Picture:
    path = folder / "map.svg"
    write_figure(map_figure(growth_of(log), prism(), title), path)
    return Picture(path)


@pytest.fixture(scope="module")
def picture(tmp_path_factory) -> Picture:
    return written(tmp_path_factory.mktemp("map"), LOG)


def in_mm(picture: Picture, name: str, face: str = "front") -> Points:
    """Return the points of a path [mm] from the left support and the soffit, by the span drawn."""
    left, right = (picture.points(f"crack-map-front-support-{n}")[0] for n in (0, 1))
    scale = 900 / (right[0] - left[0])
    bottom = min(y for _, y in picture.points(f"crack-map-{face}"))
    return [((x - left[0]) * scale, (y - bottom) * scale) for x, y in picture.points(name)]


def sides(points: Points) -> tuple[float, float]:
    xs, ys = zip(*points, strict=True)
    return max(xs) - min(xs), max(ys) - min(ys)


def test_the_specimen_is_drawn_to_one_scale_in_both_directions(picture) -> None:
    # The span of 900 mm and 6 % of it beyond each support; 200 mm high, 150 mm wide.
    assert sides(in_mm(picture, "crack-map-front")) == pytest.approx((1008, 200), rel=1e-4)
    assert sides(in_mm(picture, "crack-map-bottom", "bottom")) == pytest.approx(
        (1008, 150), rel=1e-4
    )
    loads = [in_mm(picture, f"crack-map-front-load-{n}")[0] for n in (0, 1)]
    assert loads == [pytest.approx((300, 200), abs=0.05), pytest.approx((600, 200), abs=0.05)]
    small = sides(picture.points("crack-map-100-front"))
    assert small[0] / small[1] == pytest.approx(1008 / 200, rel=1e-4)


def ends(picture: Picture, name: str, face: str = "front") -> Points:
    return [(round(x, 1), round(y, 1)) for x, y in in_mm(picture, name, face)]


def test_each_crack_is_a_line_in_its_place_and_what_grew_is_a_line_of_another_style(
    picture,
) -> None:
    assert ends(picture, "crack-map-stood-3") == [(450, 0), (450, 60)]
    assert ends(picture, "crack-map-new-3") == [(450, 60), (450, 100)]
    assert ends(picture, "crack-map-passed-over-0.6") == [(300, 0), (300, 40)]
    assert ends(picture, "crack-map-new-0.6") == [(500, 70), (700, 70)]
    # On the bottom, 150 mm wide, in the middle of it.
    assert ends(picture, "crack-map-new-1.2", "bottom") == [(600, 30), (600, 120)]
    styles = {
        look: picture.path(f"crack-map-{look}").attrib["style"]
        for look in ("stood-3", "new-3", "passed-over-0.6")
    }
    assert "stroke-width: 3" in styles["stood-3"]
    assert "dasharray" not in styles["stood-3"]
    dashes = [re.search("dasharray: ([^;]+)", styles[look]) for look in styles if look != "stood-3"]
    assert len({found.group(1) for found in dashes if found}) == 2
    assert len({re.search("stroke: ([^;]+)", style).group(1) for style in styles.values()}) == 3


def test_what_was_not_read_is_marked_and_said(picture) -> None:
    assert {"C2 not read", "C3 not read", "C1 0.3", "C4 0.1"} <= set(picture.words)
    assert "crack-map-width-not-read" in picture.ids
    said = " ".join(picture.words)
    assert "4 cracks, 2 new since last marked; widest C1 front with 0.3 mm" in said
    assert "Place across the width is not recorded" in said
    assert "Height of a longitudinal" not in said  # it was read


def test_no_name_comes_twice_so_that_the_file_may_stand_in_a_page(picture) -> None:
    assert len(picture.ids) == len(set(picture.ids))


def test_weights_are_those_of_the_legend(picture) -> None:
    assert [weight(mm * 1e-3) for mm in (0, 0.05, 0.051, 0.1, 0.2, 0.4, 0.41, 20)] == [
        *(0.6, 0.6, 1.2, 1.2, 2.0, 3.0, 4.4, 4.4)
    ]
    assert weight(math.nan) == min(points for _, points in CLASSES)
    assert {"up to 0.05 mm", "to 0.1", "to 0.2", "to 0.4", "over 0.4 mm"} <= set(picture.words)


HOSTILE = (
    r"$\frac{",
    "<script>alert(1)</script>",
    "</svg>&amp;",
    "a\x00\x1b[31m\r\nb",
    "\ud800\ufffe\u202e",
    "_hidden",
    "龍" * 3,
    "x" * 100_000,
)


def test_words_of_others_do_no_harm(tmp_path) -> None:
    log = [
        reading(n, 10 * n, words, direction="flexural", position=70 * n, height=90, width=0.1)
        for n, words in enumerate(HOSTILE, 1)
    ]
    picture = written(tmp_path, [*log[:3], replace(log[7], cycle=30)], "$x_1$ <b>" + HOSTILE[3])
    assert "$x_1$ <b>a??[31m??b" in picture.words
    assert any(words.startswith(r"$\frac{ ") for words in picture.words)
    assert all(element.tag != f"{SVG}script" for element in picture.root.iter())
    assert max(map(len, picture.words)) < 300


@pytest.mark.nights
@pytest.mark.parametrize("kind", ["svg", "pdf", "png"])
def test_words_of_others_do_no_harm_in_any_file(kind, tmp_path) -> None:
    log = [
        reading(n, 10, words, FACES[n % 4], direction="inclined", position=90 * n, length=90)
        for n, words in enumerate(HOSTILE, 1)
    ]
    path = tmp_path / f"map.{kind}"
    write_figure(last_figure(growth_of(log), prism(), " ".join(HOSTILE)), path, "".join(HOSTILE))
    assert path.stat().st_size > 1_000


@pytest.mark.nights
@pytest.mark.parametrize("kind", ["svg", "pdf", "png"])
def test_the_same_cracks_are_the_same_bytes(kind, tmp_path) -> None:
    files = [tmp_path / f"{n}.{kind}" for n in (1, 2)]
    for path in files:
        write_figure(map_figure(growth_of(twelve()), prism(), "P-1"), path)
    assert files[0].read_bytes() == files[1].read_bytes()


@pytest.mark.nights
def test_labels_stand_clear_of_each_other_and_of_cracks() -> None:
    from matplotlib.path import Path as Line  # late: not each process draws

    figure = last_figure(growth_of(twelve()), prism())
    axes = next(axes for axes in figure.axes if axes.get_gid() == "crack-map")
    figure.canvas.draw()
    labels = [text for text in axes.texts if "label" in (text.get_gid() or "")]
    assert len(labels) == 13  # all of them have room
    boxes = [text.get_window_extent() for text in labels]
    for one, other in itertools.combinations(boxes, 2):
        assert not one.overlaps(other)
    lines = [p for p in axes.patches if re.match("crack-map-(stood|new)-", p.get_gid() or "")]
    for patch in lines:
        ends = patch.get_transform().transform(patch.get_path().vertices)
        for pair in ends.reshape(-1, 2, 2):
            assert not any(Line(pair).intersects_bbox(box, filled=False) for box in boxes)


@pytest.mark.nights
def test_two_hundred_cracks_at_twenty_inspections_are_all_drawn(tmp_path) -> None:
    log = [
        reading(
            200 * at + n + 1,
            10 + 50_000 * at,
            f"C{n}",
            FACES[n % 2],
            direction=DIRECTIONS[n % 3],
            position=4.5 * n,
            height=30 + 5 * at,
            width=0.01 + 0.001 * at + 0.001 * n,
            length=10 + 5 * at,
        )
        for at in range(20)
        for n in range(200)
    ]
    picture = written(tmp_path, log)
    assert (tmp_path / "map.svg").stat().st_size < 1_000_000
    for at in range(20):
        name = f"crack-map-{10 + 50_000 * at}-"
        look = "new" if at == 0 else "stood"
        drawn = [picture.points(one) for one in picture.ids if one.startswith(name + look)]
        # Two points a crack.
        assert sum(map(len, drawn)) == 400


@pytest.mark.endurance
@given(ENTRIES)
def test_any_log_can_be_drawn(entries: list[CrackEntry]) -> None:
    growth = growth_of(entries)
    map_figure(growth, prism()).canvas.draw()
    if growth.inspections:
        strip_figure(growth, prism(), growth.inspections).canvas.draw()


def test_without_a_crack_the_specimen_alone_is_drawn() -> None:
    figure = last_figure(growth_of([]), prism(), "P-1")
    words = [text.get_text() for text in figure.texts]
    assert "No crack was read." in words
    assert NAMES["front"] in [text.get_text() for text in figure.axes[0].texts]


def recorded(folder: Path, log, specimen: str) -> Path:
    """Record a run with a crack log; return its folder."""
    texts = {"protocol": "", "rig": "", "specimen": specimen}
    recorder = Recorder.create(folder, replace(header(), texts=texts))
    recorder.cycles(likely_rows(1, 50))
    for entry in log:
        recorder.crack(entry)
    recorder.finish("operator", "asked", 50, 10.0)
    return folder


def test_the_map_of_a_run_is_drawn_from_its_record(tmp_path) -> None:
    specimen = (ROOT / "protocols/specimens/prism-small.toml").read_text()
    folder = recorded(tmp_path / "run", LOG[:1], specimen)
    draw_map(folder, tmp_path / "map.svg")
    drawn = Picture(tmp_path / "map.svg")
    assert ends(drawn, "crack-map-new-0.6") == [(450, 0), (450, 60)]
    assert drawn.root.findtext(f"{SVG}title") == (
        "Plank 7, Übung, P-7: At 100 cycles: 1 crack, 1 new since last marked; widest C1 front "
        "with 0.05 mm."
    )


@pytest.mark.nights
def test_run_file_and_journal_give_the_same_map(tmp_path) -> None:
    specimen = (ROOT / "protocols/specimens/prism-small.toml").read_text()
    folder = recorded(tmp_path / "run", twelve(), specimen)
    for where, name in ((folder, "journal.svg"), (folder / "run.h5", "file.svg")):
        draw_map(where, tmp_path / name)
    assert (tmp_path / "journal.svg").read_bytes() == (tmp_path / "file.svg").read_bytes()


def test_what_cannot_be_written_is_refused_in_one_line(tmp_path) -> None:
    with pytest.raises(InputError, match=r"map\.txt: a map is written as \.svg"):
        draw_map(tmp_path, tmp_path / "map.txt")
    with pytest.raises(InputError, match="no such folder"):
        draw_map(tmp_path / "none", tmp_path / "map.svg")
    with pytest.raises(StorageError, match="cannot write the figure"):
        write_figure(last_figure(growth_of([]), prism()), tmp_path / "no" / "map.png")


@pytest.mark.nights
def test_a_record_without_a_crack_or_a_specimen_has_no_map(tmp_path) -> None:
    specimen = (ROOT / "protocols/specimens/prism-small.toml").read_text()
    bare = recorded(tmp_path / "bare", (), specimen)
    unknown = recorded(tmp_path / "unknown", LOG, "")
    with pytest.raises(InputError, match="bare: no crack was read, so there is no map"):
        draw_map(bare, tmp_path / "map.svg")
    with pytest.raises(InputError, match="unknown: the record keeps no specimen file"):
        draw_map(unknown, tmp_path / "map.svg")
