"""A report as a page: numbers read back, words do no harm, nothing is asked for, ids are unique."""

from __future__ import annotations

import base64
import hashlib
import itertools
import json
import math
import re
import struct
from dataclasses import replace

import pytest
from matplotlib.figure import Figure

from rig.report import page_svg
from rig.report.document import Document, Listed, Paragraph, Section
from rig.report.drawn_figures import drawn
from rig.report.measure import Table, Words
from rig.report.page import GENERATOR, of_page, page_of
from rig.report.page_words import visible
from tests.report.page.documents import MEASURES, Pieces, document

HOSTILE = (
    "<script>document.title='TAKEN'</script><img src=x onerror=\"document.title=1\">",
    "\"' onmouseover=alert(1) x='</title></style></svg></script><!--<base href=//evil.invalid>",
    '{{ 7 * 7 }}{% raw %}&lt;b&gt;&#60;i> =HYPERLINK("http://evil.invalid",1) @SUM(1+1)|cmd',
    "javascript:alert(1) url(http://evil.invalid/x.css) @import 'x'; expression(1) $x^2$",
    "\x00\x07\x1b[31m\x9b2J\r\n\u202eabc\u2066\u200b\u00ad\ufeff\U000e0041\ud800\ue000\uffff",
    "a" + "\u0301" * 300,
)
UNSEEN = "[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]"


@pytest.fixture(scope="module")
def harmless() -> tuple[Document, str]:
    made = document()
    return made, page_of(made, of="run-1")


@pytest.fixture(scope="module")
def pieces(harmless) -> Pieces:
    return Pieces(harmless[1])


def words_only(text: str) -> Document:
    """Return a report of words alone: figures take time."""
    made = document(text)
    table = Table(("said",), ((Words(text, "k"),),))
    inner = Section("words", "Words", (Paragraph((Words(text, "p"),)), Listed(("All",), table)))
    return replace(made, sections=(made.sections[0], inner))


def test_the_same_document_gives_the_same_page(harmless):
    made, page = harmless
    assert page_of(made, of="run-1") == page
    assert page_of(made, drawn(made), "run-1") == page


def test_every_number_reads_back_to_the_last_bit_with_its_key_and_unit(pieces):
    read = {e.given["data-key"]: e for e in pieces.all("data")}
    for measure in MEASURES:
        found = read[measure.key]
        value = float(found.given["value"])
        # The eight bytes of IEEE 754 binary64 are compared, NaN as NaN.
        same = struct.pack("<d", value) == struct.pack("<d", measure.value)
        assert same or (math.isnan(value) and math.isnan(measure.value)), measure.key
        assert (found.given["data-unit"], found.text) == (measure.unit, measure.text)
    assert read["attr.cycles"].given["value"] == "231456"
    # Each stands twice in each of four tables, and three times elsewhere or more.
    assert len(pieces.all("data")) >= 8 * len(MEASURES)


def test_moments_are_times_as_recorded(pieces):
    (found,) = pieces.all("time")
    assert found.given["datetime"] == "2026-02-03T04:05:06+00:00"
    assert found.given["data-key"] == "attr.started_utc"


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_words_are_words_and_can_be_read_back(text):
    page = page_of(words_only(text))
    found = Pieces(page)
    plain = Pieces(page_of(words_only("harmless")))
    coded = {"data-json"}
    extra = ("span", ("class",))  # a code in place of a sign that cannot be seen
    shape = [(t, tuple(a for a in names if a not in coded)) for t, names in found.shape()]
    assert [each for each in shape if each != extra] == [e for e in plain.shape() if e != extra]
    said = [e for e in found.all("bdi") if e.given["data-key"] == "events.0.text"]
    assert said
    for element in said:
        raw = element.given.get("data-json")
        # A parser gives U+FFFD for half a pair, so such a text is held in ASCII.
        assert (json.loads(raw) if raw else element.text) == text
    assert not re.search(
        "[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]", page
    )
    # Five marks upon one letter are more than any language writes (common practice, no source).
    assert not re.search("[\u0300-\u036f]{5}", "".join(e.text for e in said))
    page.encode("utf-8")


@pytest.mark.filterwarnings("ignore:Glyph")
def test_a_hostile_text_in_a_figure_stays_a_label():
    text = HOSTILE[0][:40] + "\x01\u202e"
    found = Pieces(page_of(document(text)))
    labels = [e.text for e in found.all("text") if "script" in e.text]
    assert labels
    assert all("\u202e" not in label and "\x01" not in label for label in labels)


def test_of_a_figure_nothing_but_shapes_and_letters_is_left(monkeypatch):
    # Elements and attributes by which SVG 2 runs scripts or asks for other files.
    address = 'xlink:href="http://evil.invalid/a"'
    drawn_so = f"""<svg xmlns="http://www.w3.org/2000/svg" width="9pt"
        xmlns:xlink="http://www.w3.org/1999/xlink" onload="alert(1)"><script>alert(1)</script>
        <style>@import "a"</style><image {address}/><use {address}/><a {address}><path d="M 0 0"
        onclick="alert(1)" style="fill: url(http://evil.invalid/b); behavior: url(c)"/></a>
        <foreignObject><p>x</p></foreignObject><animate attributeName="href" to="http://a"/></svg>"""
    monkeypatch.setattr(page_svg, "svg_of", lambda _figure: drawn_so)
    left = Pieces(str(page_svg.inside(Figure(), "f", "t")))
    assert [e.tag for e in left.elements] == ["svg", "image", "use", "path"]
    assert not re.search("alert|@import|behavior|onclick|onload", str(left.shape()))
    assert [e.given.get("href") for e in left.all("image", "use")] == ["", ""]
    assert left.all("path")[0].given["fill"] == ""


def test_nothing_runs_and_nothing_is_asked_for(pieces, harmless):
    allowed = {"clip-path", "fill"}
    assert not pieces.all("script", "iframe", "object", "embed", "form", "base", "foreignobject")
    for element in pieces.elements:
        for name, value in element.given.items():
            assert not name.startswith("on"), element
            assert name != "style", element
            assert "javascript:" not in (value or "").lower(), element
            if name in ("href", "src", "xlink:href", "action"):
                assert re.match(r"#|data:", value), element
            if "url(" in (value or ""):
                assert name in allowed, element
                assert value.startswith("url(#"), element
    (style,) = pieces.all("style")
    assert "url(" not in style.text
    assert "@import" not in style.text
    assert "http" not in harmless[1].replace("http-equiv", "")


def test_its_policy_allows_its_own_style_and_pictures_alone(pieces):
    (meta,) = [e for e in pieces.all("meta") if "http-equiv" in e.given]
    rules = dict(rule.split(" ", 1) for rule in meta.given["content"].split("; "))
    (style,) = pieces.all("style")
    # CSP level 3, 8.4: a style is allowed whose text has the hash.
    digest = base64.b64encode(hashlib.sha256(style.text.encode()).digest()).decode()
    assert rules == {
        "default-src": "'none'",
        "style-src": f"'sha256-{digest}'",
        "img-src": "data:",
        # 6.3.1 and 6.4.1: the default does not stand for these two.
        "base-uri": "'none'",
        "form-action": "'none'",
    }


def test_ids_occur_once_and_what_refers_to_them_finds_them(pieces):
    ids = [e.given["id"] for e in pieces.elements if "id" in e.given]
    assert len(set(ids)) == len(ids)
    wanted = set()
    for element in pieces.elements:
        for name, value in element.given.items():
            if name in ("aria-labelledby", "aria-describedby"):
                wanted |= set(value.split())
            wanted |= set(re.findall(r"url\(#([^)]+)\)", value or ""))
            wanted |= {value[1:]} if name == "href" and value.startswith("#") else set()
    assert wanted
    assert wanted <= set(ids)


def test_headings_step_by_one_and_tables_have_heads(pieces):
    levels = [int(e.tag[1]) for e in pieces.all("h1", "h2", "h3", "h4")]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(later <= earlier + 1 for earlier, later in itertools.pairwise(levels))
    assert {e.given.get("scope") for e in pieces.all("th")} == {"col", "row"}
    assert pieces.all("html")[0].given["lang"] == "en"
    for figure in pieces.all("svg"):
        assert figure.given["role"] == "img"
        assert figure.given["aria-labelledby"]


def test_a_page_tells_what_it_is_a_report_of(harmless, tmp_path):
    page = tmp_path / "report.html"
    for of in ("run-1", 'a "run" & <b>', ""):
        page.write_text(page_of(replace(harmless[0], sections=()), of=of), encoding="utf-8")
        assert of_page(page) == of
    of_others = page.read_text(encoding="utf-8").replace(GENERATOR, "another program")
    for other in ("", "<!DOCTYPE html><title>mine</title>", GENERATOR, of_others):
        page.write_text(other, encoding="utf-8")
        assert of_page(page) is None
    assert of_page(tmp_path) is None


def test_the_head_of_a_printed_page_names_it_and_stays_inside_its_quotes():
    title = 'P-12"; } body { background: url(http://evil.invalid) } </style>\\'
    found = Pieces(page_of(replace(words_only("x"), title=(title,))))
    (style,) = found.all("style")
    (content,) = re.findall(r'@top-left \{ content: "([^"]*)";', style.text)
    # CSS Syntax Level 3, 4.3.7: an escape is a backslash, hexadecimal digits, one space.
    assert re.sub(r"\\([0-9a-f]+) ", lambda m: chr(int(m[1], 16)), content) == title[:90]


def test_a_word_as_long_as_a_book_is_whole_and_can_be_scrolled():
    word = "x" * 100_000
    found = Pieces(page_of(words_only(word)))
    said = [e for e in found.all("bdi") if e.text == word]
    assert said
    assert all(e.given["class"].endswith("unbroken long") for e in said)
    assert all(e.given["tabindex"] == "0" for e in said)


def test_what_hides_is_told_by_its_number():
    assert visible("a\u202eb\x00\n c") == "a[U+202E]b[U+0000] c"
    assert visible("Über 3 µm – ½ × 2") == "Über 3 µm – ½ × 2"
