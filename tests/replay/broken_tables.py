"""A sheet of broken text files: what is wrong with each, and what its one line must say."""

from __future__ import annotations

from dataclasses import dataclass, field

HEADING = "time [s],load [kN],midspan [mm]"
ROWS = tuple(f"{i / 100:.2f},{50 + i % 10},{1 + i % 10 / 10:.1f}" for i in range(50))
GOOD = "\n".join((HEADING, *ROWS)) + "\n"
CYCLES = "cycle,load_max [kN],load_min [kN]\n" + "".join(f"{i},90,9\n" for i in range(1, 40))


@dataclass(frozen=True, slots=True)
class BrokenTable:
    """A file that cannot be imported: its bytes, and where and what its line must say.

    `line` is 0 where the file as a whole is meant, `column` the heading that must be named.
    """

    name: str
    text: str | bytes
    line: int
    says: str
    column: str = ""
    suffix: str = ".csv"
    columns: tuple[str, ...] = field(default=())
    decimal_comma: bool = False

    @property
    def content(self) -> bytes:
        """What stands in the file."""
        return self.text if isinstance(self.text, bytes) else self.text.encode()


def row(number: int, text: str) -> str:
    """Return the good file with another text in a line, counted from 1."""
    lines = GOOD.splitlines()
    lines[number - 1] = text
    return "\n".join(lines) + "\n"


def heading(text: str) -> str:
    """Return the good file under another heading."""
    return row(1, text)


def semicolons(text: str) -> str:
    return text.replace(",", ";").replace(".", ",")


def steps(times: list[str]) -> str:
    return "\n".join((HEADING, *(f"{t},50,1" for t in times))) + "\n"


SHEET = (
    BrokenTable("empty", "", 0, "is empty"),
    BrokenTable("comments alone", "# a\n\n# b\n", 0, "is empty"),
    BrokenTable("heading alone", HEADING + "\n", 0, "no rows"),
    BrokenTable("heading and blank rows", HEADING + "\n,,\n,,\n", 0, "no rows"),
    BrokenTable("no heading", "\n".join(ROWS), 1, "numbers where the heading belongs"),
    BrokenTable("one column", "load [kN]\n1\n2\n", 1, "one column"),
    BrokenTable("words above the heading", "A test of ours\n" + GOOD, 1, "lines above the heading"),
    BrokenTable("spaces between columns", "time load\n0 1\n1 2\n", 1, "one column"),
    BrokenTable("no unit", heading("time [s],load,midspan [mm]"), 1, "has no unit", "load"),
    BrokenTable(
        "time without a unit", heading("time,load [kN],midspan [mm]"), 2, "no unit", "time"
    ),
    BrokenTable("an unknown unit", heading("time [s],load [kn],midspan [mm]"), 1, "unknown unit"),
    BrokenTable("a unit of another kind", heading("time [s],load [mm],midspan [mm]"), 1, "length"),
    BrokenTable(
        "a unit of time that is none", heading("time [a],load [kN],midspan [mm]"), 1, "[a]"
    ),
    BrokenTable("a slip in a name", heading("time [s],laod [kN],midspan [mm]"), 1, "did you mean"),
    BrokenTable("capital letters", heading("time [s],Load [kN],midspan [mm]"), 1, '"load [kN]"'),
    BrokenTable("round brackets", heading("time [s],load (kN),midspan [mm]"), 1, "did you mean"),
    BrokenTable("no load", heading("time [s],stroke [mm],midspan [mm]"), 1, 'no column "load"'),
    BrokenTable("load twice", heading("time [s],load [kN],load [kN]"), 1, "two columns"),
    BrokenTable("no time", heading("level [m],load [kN],midspan [mm]"), 0, "no column of times"),
    BrokenTable("samples and cycles", heading("time [s],load [kN],load_max [kN]"), 1, "two files"),
    BrokenTable(
        "net deflection beside supports",
        heading("deflection [mm],load [kN],support_left [mm]"),
        1,
        "net",
    ),
    BrokenTable("a word", row(7, "0.05,much,1.5"), 7, "no number", "load [kN]"),
    BrokenTable("a word for nothing", row(8, "0.06,n/a,1.5"), 8, "leave the field empty"),
    BrokenTable("hexadecimal", row(8, "0.06,0x1F,1.5"), 8, "no number", "load [kN]"),
    BrokenTable("thousands set apart", row(8, "0.06,1 234,1.5"), 8, "thousands", "load [kN]"),
    BrokenTable(
        "thousands and decimals",
        row(8, '0.06,"1,234.5",1.5'),
        8,
        "write all numbers without them",
        "load [kN]",
    ),
    BrokenTable("a cell too narrow", row(8, "0.06,#####,1.5"), 8, "widen it", "load [kN]"),
    BrokenTable("an underscore", row(8, "0.06,1_234,1.5"), 8, "no number", "load [kN]"),
    BrokenTable("digits of another script", row(8, "0.06,٥٦,1.5"), 8, "no number", "load [kN]"),
    BrokenTable("a unit in a field", row(9, "0.07,57 kN,1.7"), 9, '"57 kN"', "load [kN]"),
    BrokenTable("infinite", row(9, "0.07,inf,1.7"), 9, "not finite", "load [kN]"),
    BrokenTable("too large", row(9, "0.07,1e400,1.7"), 9, "too large", "load [kN]"),
    BrokenTable("too large to be measured", row(9, "0.07,1e39,1.7"), 9, "too large", "load [kN]"),
    BrokenTable("one field more", row(11, "0.09,59,1.9,3"), 11, "4 fields, the heading has 3"),
    BrokenTable("one field less", row(12, "0.10,50"), 12, "2 fields, the heading has 3"),
    BrokenTable("cut off", GOOD[:-9], 51, "1 field, the heading has 3"),
    BrokenTable("a decimal comma between commas", row(13, "0,11,51,1,1"), 13, "with a point"),
    BrokenTable("a quote that is not closed", row(14, '0.12,"52,1.2'), 14, "not closed"),
    BrokenTable("a quote in a heading", '"time [s],load [kN]\n0,1\n', 1, "not closed"),
    BrokenTable("no time in a row", row(15, ",53,1.3"), 15, "each row needs its time", "time [s]"),
    BrokenTable("a date under seconds", row(15, "2001-01-31,53,1.3"), 15, "date-time", "time [s]"),
    BrokenTable(
        "a date in another order",
        "time,load [kN]\n2001-01-01,1\n2001-01-02,2\n03.01.2001,3\n2001-01-04,4\n",
        4,
        "no date-time",
        "time",
    ),
    BrokenTable(
        "a day that is none",
        "time,load [kN]\n2001-02-27,1\n2001-02-28,2\n2001-02-29,3\n2001-03-01,4\n",
        4,
        "no date-time",
        "time",
    ),
    BrokenTable(
        "a zone in one row alone",
        "time,load [kN]\n2001-01-01T00:00,1\n2001-01-01T00:01Z,2\n2001-01-01T00:02,3\n",
        3,
        "zone",
        "time",
    ),
    BrokenTable("always the same time", steps(["1"] * 60), 2, "no time goes forward", "time [s]"),
    BrokenTable(
        "too few decimals",
        steps([f"{i / 1000:.2f}" for i in range(900)]),
        3,
        "more decimals",
        "time [s]",
    ),
    BrokenTable(
        "times backward", steps([f"{60 - i}" for i in range(59)] + ["61"]), 3, "go forward"
    ),
    BrokenTable(
        "uneven times", steps([f"{i + i % 2 * 0.4}" for i in range(400)]), 3, "even", "time [s]"
    ),
    BrokenTable(
        "a rate that changes",
        steps([f"{i}" for i in range(300)] + [f"{300 + 3 * i}" for i in range(200)]),
        303,
        "a run of its own",
        "time [s]",
    ),
    BrokenTable(
        "a gap of years", steps([*map(str, range(30)), "1e9", "1000000001"]), 32, "a gap of"
    ),
    BrokenTable("two samples", steps(["0", "1"]), 0, "2 samples"),
    BrokenTable(
        "a comma in a number",
        row(9, "x").replace(",", ";").replace("x", "0.07;57,3;1"),
        9,
        "--decimal comma if it is the decimal sign; if it parts thousands",
        "load [kN]",
    ),
    BrokenTable(
        "a point beside decimal commas",
        semicolons(row(9, "x")).replace("x", "0,07;1.057;1"),
        9,
        "has a point",
        "load [kN]",
        decimal_comma=True,
    ),
    BrokenTable("decimal commas between commas", GOOD, 1, "decimal signs too", decimal_comma=True),
    BrokenTable("latin letters", GOOD.replace("[mm]", "[µm]").encode("latin-1"), 1, "UTF-8"),
    BrokenTable("latin in a row", row(20, "0.18,é,1").encode("latin-1"), 20, "UTF-8"),
    BrokenTable("UTF-16", GOOD.encode("utf-16"), 1, "UTF-16"),
    BrokenTable("NUL bytes", GOOD.encode() + b"\0\0\0", 52, "NUL"),
    BrokenTable(
        "a line without end", b"time [s],load [kN]\n" + b"1" * 3_000_000, 0, "line of over"
    ),
    BrokenTable("a spreadsheet's own file", GOOD, 0, "save it as CSV", suffix=".xlsx"),
    BrokenTable("another kind of file", GOOD, 0, "no kind of file", suffix=".doc"),
    BrokenTable(
        "a map to nothing", GOOD, 1, "no column", "--column", columns=("stroke [mm] = Stroke",)
    ),
    BrokenTable("a map that is none", GOOD, 0, "no heading and source", columns=("load",)),
    BrokenTable("cycle 0", CYCLES.replace("\n1,", "\n0,", 1), 2, "no cycle number", "cycle"),
    BrokenTable("half a cycle", CYCLES.replace("\n9,", "\n9.5,"), 10, "no cycle number", "cycle"),
    BrokenTable("no cycle number", CYCLES.replace("\n9,", "\n,"), 10, "is empty", "cycle"),
    BrokenTable("cycles far apart", CYCLES + "90000000,90,9\n", 41, "without a row", "cycle"),
    BrokenTable("cycles alone", "cycle,wet\n1,0\n2,0\n", 1, "nothing that was measured"),
    BrokenTable(
        "a flag that is none", "cycle,load_max [kN],flags\n1,90,-4\n", 2, "0 to 65535", "flags"
    ),
)
