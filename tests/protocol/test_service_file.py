"""Service files: what they become, and one line for each mistake."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import InputError
from rig.protocol.service import Block, Service
from rig.protocol.service_file import load_service

SPECTRUM = """title = "deck"
period = "365 d"
wet_time = "35 %"
[[block]]
upper = "60 %"
lower = "6 %"
cycles = "4000 cycles"
"""
HISTORY = """period = "1 d"
wet_time = "0 %"
[history]
"""


def load(text, **files):
    def read(path):
        try:
            return {"s.toml": text, **files}[path]
        except KeyError:
            raise FileNotFoundError(2, "No such file or directory", path) from None

    return load_service("s.toml", read)


def problems(text, **files):
    with pytest.raises(InputError) as found:
        load(text, **files)
    return [str(problem) for problem in found.value.problems]


def test_a_spectrum_is_read_into_si():
    expected = Service("deck", 365 * 86400.0, pytest.approx(0.35), (Block(0.6, 0.06, 4000.0),))
    assert load(SPECTRUM) == expected


def test_all_that_may_be_said():
    head = 'of = "concrete"\ndry = "a"\nwet = "b"\ntested_ratio = 0.2\n'
    found = load(head + 'model = "DNV-ST-C502 mean"\nstrength = "60 MPa"\n' + SPECTRUM)
    assert (found.measure, found.dry, found.wet, found.tested_ratio) == ("concrete", "a", "b", 0.2)
    assert (found.model, found.strength) == ("DNV-ST-C502 mean", 60e6)


def test_a_history_of_levels():
    found = load(HISTORY + 'unit = "%"\nvalues = [10, 60.5, 10]')
    assert found.history == pytest.approx((0.1, 0.605, 0.1))


def test_a_history_of_loads_is_told_in_shares_of_the_capacity():
    found = load(HISTORY + 'unit = "kN"\ncapacity = "132 kN"\nvalues = [13.2, 66, -6.6]')
    assert found.history == pytest.approx((0.1, 0.5, -0.05))


def test_a_history_in_a_file_of_its_own():
    text = HISTORY + 'unit = "%"\nfile = "loads.txt"'
    found = load(text, **{"loads.txt": "# a day\n10\n\n60.5 # a lorry\n1e1\n"})
    assert found.history == pytest.approx((0.1, 0.605, 0.1))


MISTAKES = {
    "neither spectrum nor history": (
        'period = "1 d"\nwet_time = "0 %"',
        "s.toml:LAST: needs [[block]] or [history], one of them; add [[block]] with upper = "
        '"60 %", lower = "6 %" and cycles = "4000 cycles"',
    ),
    "both": (
        SPECTRUM + '[history]\nunit = "%"\nvalues = [1, 2]',
        "s.toml:LAST: needs [[block]] or [history], one of them; take one of the two out",
    ),
    "no period": (
        SPECTRUM.replace('period = "365 d"\n', ""),
        's.toml:LAST: period: is missing; add period = "365 d"',
    ),
    "no wet time": (
        SPECTRUM.replace('wet_time = "35 %"\n', ""),
        's.toml:LAST: wet_time: is missing; add wet_time = "35 %"',
    ),
    "lower above upper": (
        SPECTRUM.replace('"6 %"', '"66 %"'),
        's.toml:6: block[1].lower: "66 %" is not below upper; give less than "60 %"',
    ),
    "more wet than all the time": (
        SPECTRUM.replace("35", "135"),
        's.toml:3: wet_time: "135 %" is out of range; give 0 to 100 %',
    ),
    "a load where a level belongs": (
        SPECTRUM.replace('"60 %"', '"60 kN"'),
        's.toml:5: block[1].upper: "60 kN" is a force; give a percentage such as "70 %"',
    ),
    "a misspelt key": (
        SPECTRUM.replace("wet_time", "wettime"),
        's.toml:3: wettime: is not known here; did you mean "wet_time"?',
    ),
    "a model that is none": (
        'of = "concrete"\nstrength = "60 MPa"\nmodel = "DNV-ST-C502 men"\n' + SPECTRUM,
        's.toml:3: model: "DNV-ST-C502 men" is no model; did you mean "DNV-ST-C502 mean"?',
    ),
    "a model of concrete with loads": (
        'strength = "60 MPa"\nmodel = "DNV-ST-C502 mean"\n' + SPECTRUM,
        "s.toml:2: model: is a line of concrete stress, and levels here are of load; give levels "
        'of the strength of the concrete and of = "concrete"',
    ),
    "a model without a strength": (
        'of = "concrete"\nmodel = "DNV-ST-C502 mean"\n' + SPECTRUM,
        's.toml:LAST: strength: is missing; add strength = "60 MPa"',
    ),
    "loads without a capacity": (
        HISTORY + 'unit = "kN"\nvalues = [1, 2]',
        's.toml:3: history.capacity: is missing: values are in kN; add capacity = "132 kN", or '
        'give values in "%" of it',
    ),
    "forces of concrete": (
        'of = "concrete"\n' + HISTORY + 'unit = "kN"\ncapacity = "132 kN"\nvalues = [1, 2]',
        's.toml:5: history.unit: a force is no level of concrete; give unit = "%"',
    ),
    "an unknown unit": (
        HISTORY + 'unit = "kn"\ncapacity = "132 kN"\nvalues = [1, 2]',
        's.toml:4: history.unit: "kn" is no unit of force; give "%" or N, kN, MN, lbf, kip',
    ),
    "no values": (
        HISTORY + 'unit = "%"',
        "s.toml:3: history: needs values or file, one of them; add values = [12.0, 61.5, 12.5] or "
        "a file with one number a line",
    ),
    "one value": (
        HISTORY + 'unit = "%"\nvalues = [1]',
        "s.toml:3: history: has fewer than two values; give peaks and valleys",
    ),
    "a value that is none": (
        HISTORY + 'unit = "%"\nvalues = [1, "60 %", 2]',
        's.toml:5: history.values[2]: "60 %" is not a finite number; give plain numbers, their '
        "unit in unit",
    ),
    "a file that is not there": (
        HISTORY + 'unit = "%"\nfile = "x/none.txt"',
        's.toml:5: history.file: cannot read "x/none.txt": no such file or directory; correct the '
        "path",
    ),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_each_mistake_is_one_line(mistake):
    text, line = MISTAKES[mistake]
    # What a file lacks as a whole is told with its last line.
    assert problems(text) == [line.replace("LAST", str(len(text.splitlines())))]


def test_a_word_in_a_file_of_numbers_is_told_with_its_line():
    text = HISTORY + 'unit = "%"\nfile = "a.csv"'
    assert problems(text, **{"a.csv": "1\nload\n"}) == [
        's.toml:5: history.file: line 2 of "a.csv" holds "load", no finite number; give one '
        "number a line; # begins a remark"
    ]


def test_a_series_is_no_service():
    text = '[groups.dry]\nexposure = "dry"\n[[life]]\nspecimen = "A"'
    assert problems(text) == [
        "s.toml:1: is a series file, not a service file; name a service file here"
    ]


@given(
    st.lists(st.one_of(st.floats(-200, 200), st.integers(-5, 5), st.text(max_size=3)), max_size=6)
)
def test_whatever_stands_in_a_file_is_levels_or_one_line(cells):
    rows = "\n".join(str(cell).replace("\n", " ").replace("\r", " ") for cell in cells)
    found = history_or_lines(HISTORY + 'unit = "%"\nfile = "a.csv"', {"a.csv": rows})
    assert len(found) > 1 or (len(found) == 1 and "\n" not in found[0])


def history_or_lines(text, files):
    try:
        return load(text, **files).history
    except InputError as error:
        return [str(problem) for problem in error.problems]
