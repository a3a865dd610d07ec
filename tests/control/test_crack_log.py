"""What is given of a crack is held against the specimen and what is known, or refused in a line."""

from __future__ import annotations

import contextlib
import json
import math
from dataclasses import asdict

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.control.crack_limits import WIDEST
from rig.control.crack_log import (
    MOST_ENTRIES,
    NUMBERS,
    SAME_PLACE,
    WORDS,
    CrackGiven,
    CrackLog,
    Taken,
)
from rig.control.request_line import LONGEST_LINE, NotUnderstood, read_request, write_request
from rig.errors import InputError
from rig.mechanics.specimen import Section
from rig.record.crack_words import in_words
from rig.record.cracks import DIRECTIONS, FACES, CrackEntry, standing

SECTION = Section("rectangle", 0.1, 0.1, 0.1, span=1.2, load_spacing=0.3)
FIRST = {
    "crack": "C1",
    "face": "front",
    "position": 0.74,
    "height": 0.035,
    "direction": "flexural",
    "width": 1.2e-4,
    "length": 0.06,
}


def write(
    log: CrackLog,
    text: str = "",
    corrects: int = 0,
    read_at: int | None = None,
    now: int = 100,
    **values: object,
) -> Taken:
    withdrawn = bool(values.pop("withdrawn", False))
    new = CrackEntry(0, 84.0, now, "", by="A. Name", text=text)
    return log.add(CrackGiven(values, corrects, withdrawn, read_at), new)


@pytest.fixture
def log() -> CrackLog:
    found = CrackLog(SECTION)
    write(found, **FIRST)
    return found


def test_a_reading_is_written_as_it_was_given(log):
    (entry,) = log.entries
    expected = CrackEntry(1, 84.0, 100, "reading", by="A. Name", **FIRST)
    assert asdict(entry) == asdict(expected)
    assert in_words(entry) == (
        "C1 front, 740 mm from the left support, flexural, tip 35 mm above the soffit, "
        "0.12 mm wide, 60 mm long"
    )


def test_a_known_crack_need_not_be_placed_again_and_what_was_not_read_stays_unread(log):
    taken = write(log, crack="c1", width=math.nan)
    entry = taken.entry
    assert (entry.crack, entry.face, entry.number) == ("C1", "front", 2)
    assert math.isnan(entry.width)
    assert math.isnan(entry.position)
    assert "width not read, length not read" in in_words(entry)
    (known,) = log.known()
    assert (known.width, known.position) == (1.2e-4, 0.74)


SHRUNK = [
    ({"width": 1e-4}, "narrower than last time: 0.12 mm -> 0.1 mm; written all the same"),
    ({"length": 0.055}, "shorter than last time: 60 mm -> 55 mm; written all the same"),
    ({"width": 1.2e-4, "length": 0.06}, ""),
    ({"width": 2e-4, "length": math.nan}, ""),
]


@pytest.mark.parametrize(("values", "told"), SHRUNK)
def test_a_crack_that_shrinks_is_written_and_told(log, values, told):
    write(log, crack="C1", width=math.nan)
    assert write(log, crack="C1", **values).told == told
    assert len(log.entries) == 3


WRONG = {
    "no such face": ({"face": "side"}, "face 'side' is none; give front, back"),
    "no such direction": ({"direction": "across"}, "direction 'across' is none"),
    "beyond the span": ({"position": 7.4}, "7400 mm from the left support is beyond the specimen"),
    "before the span": ({"position": -0.4}, "beyond the specimen: the span is 1200 mm"),
    "above the top": ({"height": 0.35}, "350 mm above the soffit is beyond the specimen"),
    "too wide": ({"width": 0.12}, "width 120 mm is above 20 mm: that is no crack"),
    "too long": ({"length": 6.0}, "length 6000 mm is beyond the specimen"),
    "a width below nothing": ({"width": -1e-4}, "width -0.1 mm is below 0"),
    "no place": ({"position": math.nan}, "C2 is not known yet; give its place"),
    "no face": ({"face": ""}, "C2 is not known yet; give its face"),
    "a label of signs": ({"crack": "=C2"}, "label '=C2' is none"),
    "a label that is a path": ({"crack": "../C2"}, "label '../C2' is none"),
    "a label with markup": ({"crack": "<b>"}, "label '<b>' is none"),
    "a label of one sign": ({"crack": "-"}, "label '-' is none"),
    "no hash": ({"picture": "../../etc/passwd"}, "a picture is named by its SHA-256"),
}


@pytest.mark.parametrize(("values", "said"), WRONG.values(), ids=WRONG.keys())
def test_what_no_crack_can_be_is_refused_in_a_line_and_not_written(log, values, said):
    with pytest.raises(InputError) as refused:
        write(log, **{**FIRST, "crack": "C2", **values})
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)
    assert len(log.entries) == 1


CLASHES = {
    "another direction": ({"direction": "longitudinal"}, "C1 is flexural since it was found"),
    "another place": ({"position": 0.74 + 1.1 * SAME_PLACE * 1.2}, "132 mm away"),
}


@pytest.mark.parametrize(("values", "said"), CLASHES.values(), ids=CLASHES.keys())
def test_a_label_that_means_another_crack_is_refused(log, values, said):
    with pytest.raises(InputError) as refused:
        write(log, **{**FIRST, **values})
    assert said in str(refused.value)
    assert "its own label, or correct entry 1" in str(refused.value)


def test_a_map_that_is_written_down_later_is_of_its_inspection(log):
    write(log, crack="C1", now=1_000, width=3e-4, length=0.09)
    late = write(log, crack="C1", now=1_200, read_at=500, width=2e-4, length=0.08)
    assert (late.entry.cycle, late.told) == (500, "")
    (known,) = log.known()
    assert (known.width, known.cycle) == (3e-4, 1_000)
    # Held against what was read at that count or before it, and not after.
    told = write(log, crack="C1", now=1_200, read_at=700, width=1.5e-4).told
    assert told == "narrower than last time: 0.2 mm -> 0.15 mm; written all the same"
    for count in (-1, 1_201):
        with pytest.raises(InputError, match="is none of this test so far; it is at 1,200"):
            write(log, crack="C1", now=1_200, read_at=count, width=2e-4)
    with pytest.raises(InputError, match="a correction stays at the count of its entry"):
        write(log, corrects=1, read_at=50, width=2e-4)


def test_two_labels_in_one_place_are_told(log):
    told = write(log, **{**FIRST, "crack": "C2", "position": 0.743}).told
    assert told == (
        "C1 front, 740 mm from the left support, flexural is there too: withdraw one of them if "
        "they are one crack"
    )
    assert write(log, **{**FIRST, "crack": "C3", "position": 0.76}).told == ""
    assert write(log, **{**FIRST, "crack": "C4", "direction": "longitudinal"}).told == ""
    assert write(log, crack="C2", width=2e-4).told == ""  # it was told once


def test_an_end_has_no_place_along_the_span(log):
    assert math.isnan(write(log, crack="C2", face="left-end", width=1e-4).entry.position)
    with pytest.raises(InputError, match="C3 is not known yet; give its place"):
        write(log, crack="C3", face="top", width=1e-4)


def test_what_is_wrong_in_several_entries_can_be_corrected_one_by_one(log):
    write(log, crack="C1", direction="flexural", position=0.74, width=2e-4)
    told = write(log, corrects=1, direction="longitudinal", position=0.2).told
    assert "C1 is flexural since it was found" in told
    assert "or correct entry 2" in told
    assert write(log, corrects=2, direction="longitudinal", position=0.2).told == ""
    (known,) = log.known()
    assert (known.direction, known.position) == ("longitudinal", 0.2)
    write(log, **{**FIRST, "crack": "C2"})
    with pytest.raises(InputError, match="C1 is longitudinal since it was found"):
        write(log, corrects=5, crack="C1")


def test_a_crack_is_on_several_faces_and_then_has_to_be_told_which(log):
    write(log, **{**FIRST, "face": "back", "position": 0.9})
    with pytest.raises(InputError, match="C1 is on front and back; say which"):
        write(log, crack="C1", width=2e-4)
    assert write(log, crack="C1", face="back", width=2e-4).entry.face == "back"


def test_a_correction_holds_all_that_is_right_and_erases_nothing(log):
    entry = write(log, corrects=1, width=2e-4, position=0.2).entry
    assert (entry.kind, entry.corrects, entry.width, entry.length) == ("correction", 1, 2e-4, 0.06)
    assert [e.number for e in log.entries] == [1, 2]
    (stands,) = standing(log.entries)
    assert (stands.number, stands.width, stands.position) == (1, 2e-4, 0.2)
    # The place that was wrong is none that the next reading is held against.
    assert write(log, crack="C1", position=0.25, width=3e-4).told == ""
    again = write(log, corrects=2, length=0.05).entry
    assert (again.corrects, again.width, again.length) == (1, 2e-4, 0.05)


def test_an_entry_is_withdrawn_with_a_reason_once(log):
    with pytest.raises(InputError, match="say why entry 1 is withdrawn"):
        write(log, corrects=1, withdrawn=True)
    with pytest.raises(InputError, match="withdrawn or corrected"):
        write(log, "a scratch", corrects=1, withdrawn=True, width=1e-4)
    write(log, "a scratch", corrects=1, withdrawn=True)
    assert standing(log.entries) == ()
    assert log.known() == ()
    with pytest.raises(InputError, match="entry 1 is withdrawn; write a new one"):
        write(log, corrects=1, width=1e-4)
    write(log, **FIRST)


@pytest.mark.parametrize(
    ("corrects", "said"), [(2, "there is no entry 2 to correct; there are 1 to 1"), (1, "what is")]
)
def test_a_correction_of_nothing_or_without_a_value_is_refused(log, corrects, said):
    with pytest.raises(InputError, match=said):
        write(log, corrects=corrects)


def test_a_picture_is_of_a_crack_or_of_the_inspection(log):
    picture = "a" * 64
    assert write(log, picture=picture).entry.kind == "picture"
    of_crack = write(log, crack="C1", picture=picture).entry
    assert (of_crack.kind, of_crack.crack, of_crack.face) == ("picture", "C1", "front")
    read = write(log, crack="C1", picture=picture, width=2e-4).entry
    assert (read.kind, read.picture) == ("reading", picture)
    assert [e.number for e in log.known()] == [4]
    assert write(log, picture=picture).told == "it is the same picture as that of entry 2"


@pytest.mark.parametrize("values", [{}, {"width": 1e-4}, {"face": "front", "picture": "a" * 64}])
def test_what_is_of_no_crack_is_refused(values):
    with pytest.raises(InputError, match="give its label"):
        write(CrackLog(SECTION), **values)


def test_without_a_specimen_the_rest_is_still_looked_at():
    log = CrackLog(None)
    write(log, **{**FIRST, "position": 99.0})
    with pytest.raises(InputError, match="no crack"):
        write(log, crack="C1", width=0.1)


def test_a_log_that_runs_wild_is_full():
    log = CrackLog(SECTION)
    write(log, **FIRST)
    log.entries *= MOST_ENTRIES
    with pytest.raises(InputError, match="is full"):
        write(log, crack="C1", width=1e-4)


LETTERS = st.text(max_size=20) | st.sampled_from(
    ["C1", "c1", "=1+1", "\x1b[2J", "<script>", "a\nb", "\0", "\ud800", *FACES, *DIRECTIONS]
)
NUMBER = st.none() | st.floats() | st.floats(-0.01, 0.1) | st.integers() | st.booleans()
GIVEN = st.dictionaries(
    st.sampled_from([*NUMBERS, *WORDS, "corrects", "withdrawn", "read_at", "x"]),
    LETTERS | NUMBER,
    max_size=8,
)


@given(st.lists(GIVEN, max_size=6))
def test_whatever_comes_to_the_door_is_refused_in_a_line_or_a_plausible_entry(asked):
    log, refused = CrackLog(SECTION), []
    write(log, **FIRST)
    for crack in asked:
        line = {"ask": "note", "who": "A. Name", "crack": crack}
        try:
            request = read_request(write_request(line))
            assert request is not None
            assert request.crack is not None
            log.add(request.crack, CrackEntry(0, 1.0, 1, "", by="A. Name", text=request.text))
        except (NotUnderstood, InputError) as error:
            refused.append(str(error))
    assert all(text.isprintable() for text in refused)
    assert len(refused) + len(log.entries) == 1 + len(asked)
    for place, entry in enumerate(log.entries, start=1):
        assert entry.number == place
        assert in_words(entry).isprintable()
        assert entry.face in ("", *FACES)
        assert entry.direction in ("", *DIRECTIONS)
        assert not entry.width > WIDEST
        assert not entry.position > 1.5
        assert not entry.height > SECTION.height
        assert not any(value < 0 for value in (entry.width, entry.length, entry.height))


def test_the_longest_reading_fits_in_a_line():
    wave = "\U0001f30a"
    words = {key: wave * most for key, most in WORDS.items() if key != "picture"}
    numbers = dict.fromkeys(NUMBERS, -1.2345678901234567e-300)
    crack = {**words, **numbers, "picture": "a" * 64, "corrects": MOST_ENTRIES, "withdrawn": False}
    said = {"ask": "note", "who": wave * 100, "text": wave * 1500, "crack": crack}
    line = write_request(said)
    assert len(line) <= LONGEST_LINE
    request = read_request(line)
    assert request is not None
    assert request.crack is not None
    assert dict(request.crack.values)["lost"] == words["lost"]


NONSENSE = [
    ("crack", [], '"crack" must be an object'),
    ("crack", {"corrects": -1}, '"corrects" must be the number of an entry'),
    ("crack", {"corrects": True}, '"corrects" must be the number of an entry'),
    ("crack", {"read_at": "1e5"}, '"read_at" must be a count of cycles'),
    ("crack", {"read_at": True}, '"read_at" must be a count of cycles'),
    ("crack", {"withdrawn": 1}, '"withdrawn" must be true or false'),
    ("crack", {"width": "1 mm"}, '"width" must be a number [m]'),
    ("crack", {"width": 10**400}, '"width" must be a number [m]'),
    ("crack", {"face": 1}, '"face" must be text'),
    ("crack", {"depth": 1}, "unknown key 'depth' of a crack"),
]


@pytest.mark.parametrize(("key", "value", "said"), NONSENSE)
def test_nonsense_of_a_crack_is_not_understood(key, value, said):
    line = json.dumps({"ask": "note", "who": "A. Name", key: value}).encode()
    with pytest.raises(NotUnderstood) as refused:
        read_request(line)
    assert said in str(refused.value)


STEP = st.tuples(
    st.sampled_from(["C1", "c1", "C2"]),
    st.sampled_from(["front", "back"]),
    st.sampled_from([math.nan, 1e-4, 2e-4]),
    st.integers(0, 6),
    st.booleans(),
    st.sampled_from([None, 10, 50]),
)


@given(st.lists(STEP, max_size=12))
def test_a_log_that_is_kept_up_is_the_one_that_is_read_again(steps):
    log = CrackLog(SECTION)
    for label, face, width, corrects, withdrawn, read_at in steps:
        values = {"crack": label, "face": face, "position": 0.7, "width": width}
        if corrects and withdrawn:
            values = {"withdrawn": True}
        with contextlib.suppress(InputError):
            write(log, "why", corrects, None if corrects else read_at, **values)
    again = CrackLog(SECTION, log.entries)
    assert repr(again.known()) == repr(log.known())
    assert again.number == log.number == len(log.entries) + 1
    standing_now = {entry.number for entry in standing(log.entries)}
    for number in range(1, log.number):
        try:
            found = log.standing_entry(number)
        except InputError:
            assert number not in standing_now
        else:
            assert repr(found) == repr(again.standing_entry(number))
            assert found.number in standing_now


def test_cracks_are_asked_for_face_by_face_along_the_span(log):
    write(log, **{**FIRST, "crack": "C2", "position": 0.2})
    write(log, **{**FIRST, "crack": "C3", "face": "bottom", "position": 0.1})
    write(log, **{**FIRST, "crack": "C4", "face": "back"})
    assert [entry.crack for entry in log.known()] == ["C2", "C1", "C4", "C3"]
