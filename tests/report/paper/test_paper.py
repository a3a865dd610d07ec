"""A report on paper: what stands on its pages, where, and in which order."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from dataclasses import replace

import pytest

from rig.errors import StorageError
from rig.report.document import Drawn, Facts, Items, Listed, Paragraph, Section
from rig.report.drawn_figures import drawn, svg_of
from rig.report.letters import width_of
from rig.report.measure import Measure, Table, Words
from rig.report.paper import is_our_paper, laid_out, paper_bytes, sizes_of, write_paper
from rig.report.paper_pages import HEIGHT, WIDTH
from rig.report.paper_rows import Line
from tests.report.paper.documents import EVENTS, NOTE, curve, document, events, told, whole
from tests.report.paper.reading import objects_of, pages_of, refers, stream_of, texts_of, words_of

pytestmark = pytest.mark.xdist_group("pictures")  # one process loads what draws them

LEAST = 9.0
"""Most printers leave so much [mm] white: common practice, no source."""


@pytest.fixture(scope="module")
def figures():
    return drawn(whole())


@pytest.fixture(scope="module")
def pages(figures):
    return laid_out(whole(), sizes_of(figures))


@pytest.fixture(scope="module")
def data(figures):
    return paper_bytes(whole(), figures, "run night-1")


@pytest.fixture(scope="module")
def texts(data):
    return [[text.text for text in page] for page in texts_of(data)]


def on(texts, wanted: str) -> list[int]:
    """Return the pages, from 0, on which a line of text stands."""
    return [at for at, page in enumerate(texts) if any(wanted in text for text in page)]


def test_the_same_report_gives_the_same_bytes(figures, data):
    assert paper_bytes(whole(), drawn(whole()), "run night-1") == data
    assert b"CreationDate" not in data
    assert b"/ID" not in data


def test_a_figure_is_as_it_was_when_it_has_been_on_paper(figures):
    figure = figures["load"]
    before = svg_of(figure)
    shown = Section("load", "Loading", (Drawn("load", "Load", curve(), told()),))
    assert paper_bytes(document(shown), {"load": figure})
    assert svg_of(figure) == before


def test_every_block_is_on_paper(data):
    text = words_of(data)
    for wanted in (
        "P-31, run night-1",
        "P-31 failed.",
        "⚠ Warning The test was simulated.",
        "It failed at 1,234,567 cycles.",
        "⚠ Caution Prestressed beams store energy.",
        "• second 1 kN",
        "Specimen P-31",
        "Nothing a b none",
        "Less than nothing",
        "Figure 1. Load of each cycle The largest load was 92 kN.",
        "Figure 2. Map of cracks",
        "crack a",
        "event-499 something",
        "Laboratory Tested by",
        "name and signature",
        "Made by nightrig from run.h5.",
        "is the better one for screen readers",
    ):
        assert wanted in text, wanted


def test_nothing_leaves_the_page(pages):
    for page in pages:
        for top, row in page:
            for mark in row.marks:
                wide = width_of(mark.text, mark.size, mark.weight) if isinstance(mark, Line) else 0
                x1 = mark.x + (wide if isinstance(mark, Line) else mark.width)
                y0 = top + mark.y - (mark.size / 72 * 25.4 if isinstance(mark, Line) else 0.0)
                y1 = top + mark.y + (0.0 if isinstance(mark, Line) else mark.height)
                assert mark.x >= LEAST, mark
                assert x1 <= WIDTH - LEAST, mark
                assert y0 >= LEAST, mark
                assert y1 <= HEIGHT - LEAST, mark


def test_no_rows_of_a_page_lie_over_each_other(pages):
    for page in pages:
        below = 0.0
        for top, row in page:
            assert top >= below - 1e-6
            below = top + row.height


def test_each_page_says_which_it_is_of_how_many(texts):
    assert len(texts) > 15
    for number, page in enumerate(texts, start=1):
        assert f"page {number} of {len(texts)}" in page
        assert (("P-31, run night-1" in page), ("Report of a run" in page)) == (True, True)


def test_the_list_of_parts_tells_the_pages_they_begin_on(texts):
    first = texts[0]
    for title in ("Loading", "Events", "Notes", "Signed", "About this report"):
        listed = int(first[first.index(title) + 1]) - 1
        assert listed in on(texts, title)
    events_page = int(first[first.index("Events") + 1]) - 1
    assert "All events" in texts[events_page]


def test_the_head_of_a_long_table_comes_again_and_no_row_is_lost_or_parted(texts):
    with_events = on(texts, "event-")
    assert len(with_events) > 5
    for at in with_events:
        assert [text for text in texts[at] if text in ("when", "cycle", "what")] == [
            "when",
            "cycle",
            "what",
        ]
    names = re.findall(r"event-\d+", " ".join(" ".join(page) for page in texts))
    assert names == [f"event-{at}" for at in range(EVENTS)]
    for at in range(8, EVENTS, 9):
        (page,) = on(texts, f"event-{at} ")
        assert " ".join(texts[page]).split(f"event-{at} ")[1].count("something happened") >= 8


def test_numbers_of_a_column_end_where_its_head_ends(pages):
    lines = [
        mark for page in pages for _, row in page for mark in row.marks if isinstance(mark, Line)
    ]
    ends = {
        round(line.x + width_of(line.text, line.size, line.weight), 3)
        for line in lines
        if line.text == "cycle" or re.fullmatch(r"\d+,000", line.text)
    }
    # That of the events, and that of the table with a figure.
    assert len(ends) == 2


def test_heading_figure_and_words_are_on_one_page(texts):
    for title, figure in (("Loading", "Figure 1."), ("Cracks", "Figure 2.")):
        (page,) = on(texts, figure)
        # The list of parts on the first page names it once more.
        assert texts[page].count(title) == (2 if page == 0 else 1)


def test_figures_stay_lines_and_their_text_text(data):
    objects = objects_of(data)
    forms = [body for body in objects.values() if b"/Subtype /Form" in body[:400]]
    large = [form for form in forms if re.search(rb"/BBox +\[ 0 0 (504|648) ", form)]
    assert len(large) == 2
    assert all(b"BT" in stream_of(form) and b" l\n" in stream_of(form) for form in large)
    images = [body for body in objects.values() if b"/Subtype /Image" in body[:400]]
    assert len(images) == 3
    assert all(b"/DCTDecode" in image for image in images)


def test_nothing_in_a_figure_leads_anywhere():
    def draw():
        figure = curve()()
        figure.text(0.5, 0.5, "load", url="javascript:alert(1)")
        return figure

    some = document(Section("load", "Loading", (Drawn("load", "Load", draw, told()),)))
    paper = paper_bytes(some, drawn(some))
    assert not re.search(rb"javascript|/URI|/Annot|/Action|/JS", paper)


def test_all_that_is_shown_is_part_of_the_report_or_of_its_page(data):
    objects = objects_of(data)
    roots = [body for body in objects.values() if b"/ParentTree " in body]
    parents = objects[refers(roots[0], "ParentTree")]
    rows = re.findall(rb"(\d+) \[([^\]]*)\]", parents)
    pages = pages_of(objects)
    assert len(rows) == len(pages)
    for (_, row), page in zip(rows, pages, strict=True):
        content = stream_of(objects[refers(page, "Contents")]).decode()
        marked = [int(number) for number in re.findall(r"/MCID (\d+) >> BDC", content)]
        elements = [int(number) for number in re.findall(rb"(\d+) 0 R", row)]
        assert marked == list(range(len(elements)))
        assert all(b"/S /" in objects[element] for element in elements)
        bare = re.sub(r"/\w+ (<< /MCID \d+ >> BDC|BMC) .*? EMC", "", content, flags=re.DOTALL)
        assert bare.strip() == ""


def test_a_figure_larger_than_a_page_is_made_to_fit(data):
    placed = re.findall(
        r"q ([\d.]+) 0 0 ([\d.]+) ([\d.]+) ([\d.]+) cm /X1 Do Q",
        " ".join(stream_of(objects_of(data)[n]).decode() for n in contents(data)),
    )
    ((across, up, x, y),) = (tuple(map(float, one)) for one in placed)
    assert across == up
    assert 9.0 * 72 * across + x <= (WIDTH - LEAST) * 72 / 25.4
    assert 14.0 * 72 * up + y <= (HEIGHT - LEAST) * 72 / 25.4


def contents(data: bytes) -> list[int]:
    return [int(re.search(rb"/Contents (\d+)", page)[1]) for page in pages_of(objects_of(data))]


def test_words_of_others_do_no_harm(data, texts):
    text = words_of(data)
    assert "[U+202E]gnirts[U+202C] <script>alert(1)</script> =SUM(A1) $x^2$" in text
    assert "Outcome: run-out ?? (\\) endstream endobj" in text
    # What somebody writes does not begin a line of the report's own.
    assert not any(line.startswith("Outcome: run-out") for page in texts for line in page)


def test_a_long_note_and_a_long_word_are_whole(data):
    text = words_of(data)
    assert text.count("The rod was slack") >= 2 * NOTE.count("The rod was slack") - 60
    assert re.sub(r"[^x]", "", text).count("x") >= 20_000


def test_a_report_on_paper_is_known_again(tmp_path, data):
    path = tmp_path / "report.pdf"
    path.write_bytes(data)
    assert is_our_paper(path)
    assert is_our_paper(path, "run night-1")
    assert not is_our_paper(path, "run night")
    other = tmp_path / "other.pdf"
    curve()().savefig(other, metadata={"Title": "nightrig report"})
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    empty = tmp_path / "empty.pdf"
    empty.touch()
    for path in (other, pipe, empty, tmp_path, tmp_path / "none.pdf"):
        assert not is_our_paper(path), path


def test_a_folder_that_is_not_there_is_told_in_one_line(tmp_path):
    with pytest.raises(StorageError, match="write the report"):
        write_paper(document(), tmp_path / "none" / "report.pdf", {})


def test_a_report_without_anything_is_one_page():
    assert len(texts_of(paper_bytes(document(), {}))) == 1


def test_a_number_is_not_parted_from_its_unit():
    cells = ((Words("word " * 60, "k"), Measure(9.2e4, "N", "k"), Words("word " * 60, "k")),)
    listed = Listed(("t",), Table(("a", "b", "c"), cells))
    (page,) = texts_of(paper_bytes(document(Section("s", "S", (listed,))), {}))
    assert "92 kN" in [text.text for text in page]


def test_a_hash_among_long_cells_is_not_cut():
    told_hash = "0123456789abcdef" * 4
    cells = ((Words("run.h5", "k"), Words(told_hash, "k"), Words("long words here " * 30, "k")),)
    listed = Listed(("t",), Table(("a", "b", "c"), cells))
    (page,) = texts_of(paper_bytes(document(Section("s", "S", (listed,))), {}))
    assert told_hash in [text.text for text in page]


def test_more_letters_than_one_font_holds_are_all_found():
    letters = "".join(chr(code) for code in range(0x100, 0x2E0))
    paper = paper_bytes(document(Section("s", "S", (Paragraph((Words(letters, "k"),)),))), {})
    assert letters in words_of(paper).replace(" ", "")


@pytest.mark.nights
@pytest.mark.parametrize("before", range(0, 60, 7))
def test_heading_and_figure_stay_together_wherever_the_page_ends(before):
    lines = Items(tuple((f"line {at}",) for at in range(before)))
    figure = Drawn("load", "Load", curve(3.0), told())
    some = document(
        Section("a", "A", (lines,)), Section("b", "Bent beam", (Paragraph(("Here.",)), figure))
    )
    texts = [[t.text for t in page] for page in texts_of(paper_bytes(some, drawn(some)))]
    (page,) = on(texts, "Figure 1. Load")
    assert "Bent beam" in texts[page]
    assert "Here." in texts[page]


@pytest.mark.nights
def test_other_processes_give_the_same_bytes():
    program = (
        "import hashlib; from tests.report.paper.documents import whole;"
        "from rig.report.drawn_figures import drawn; from rig.report.paper import paper_bytes;"
        "print(hashlib.sha256(paper_bytes(whole(), drawn(whole()))).hexdigest())"
    )
    told = {
        subprocess.run(
            [sys.executable, "-c", program],
            env=os.environ | {"PYTHONHASHSEED": seed, "SOURCE_DATE_EPOCH": seed},
            capture_output=True,
            check=True,
        ).stdout
        for seed in ("1", "99")
    }
    assert len(told) == 1


@pytest.mark.nights
@pytest.mark.system
def test_a_reader_of_tags_hears_headings_tables_and_figures(system_program, tmp_path, data):
    path = tmp_path / "report.pdf"
    path.write_bytes(data)
    read = subprocess.run(
        [system_program("pdfinfo"), "-struct-text", path], capture_output=True, check=True
    )
    assert read.stderr == b""
    told = " ".join(read.stdout.decode().split())
    for wanted in (
        'Document P (block) "Report of a run" H1 (block) "P-31, run night-1"',
        'H2 (block) "Outcome" P (block) "It failed at 1,234,567 cycles."',
        'L (block): LI (block) Lbl (block) "•" LBody (block) "first"',
        'TR TH: /Scope /Row "Specimen" TD "P-31"',
        'TR TH: /Scope /Column "when" TH: /Scope /Column "cycle"',
        "Figure",
    ):
        assert wanted.replace(" (block)", "").replace(":", "") in told.replace(
            " (block)", ""
        ).replace(":", ""), wanted
    # The head of a table stands on each of its pages, and is read once.
    assert told.count('"when"') == 1


@pytest.mark.nights
@pytest.mark.system
def test_a_reader_of_pdf_finds_all_of_it_without_a_complaint(system_program, tmp_path, figures):
    path = tmp_path / "report.pdf"
    some = whole()
    hurried = replace(some, sections=(*some.sections[:3], Section("e", "E", (events(30),))))
    write_paper(hurried, path, figures)
    read = subprocess.run(
        [system_program("pdftotext"), "-layout", path, "-"], capture_output=True, check=True
    )
    assert read.stderr == b""
    text = read.stdout.decode()
    assert "Figure 1. Load of each cycle" in text
    assert "largest load" in text  # within the figure
    assert "event-29" in text


def test_a_fact_with_a_long_name_and_none_are_set():
    facts = Facts((("A name of many words " * 4, ("value",)),))
    text = words_of(paper_bytes(document(Section("s", "S", (facts, Facts(()), Items(())))), {}))
    assert "A name of many words" in text
