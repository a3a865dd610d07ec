"""The reports that the demonstration ends with: of both of its runs, and of their series."""

from __future__ import annotations

import shutil
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rig.commands.files import find_series, read_text
from rig.record.reader import read_run
from rig.record.trouble import storage

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rig.lives.comparison import Comparison
    from rig.protocol.plan import Plan
    from rig.protocol.series import Series

SERIES: Final = "two-prisms.toml"
REPORT: Final = "two-prisms-report"
PAGES: Final = ("report.", ".report.")
"""How the names of files begin that a report of a run leaves, whole or broken off."""
OF_A_REPORT: Final = (*PAGES, "series-", ".series.")
"""The same of the report of a series."""
_COMPANIONS: Final = "wet-cracks"
"""The series whose ultimate loads the load levels of both protocols are shares of."""
_HEAD: Final = """\
# The two prisms of the demonstration, and the ultimate loads that their load levels are shares of.
# All data is invented for the demonstration: its runs are rehearsals on a simulated rig.
title = "Two prisms of the demonstration, one sprayed and one dry (invented data)"

[groups.dry]
exposure = "dry"

[groups.spray]
exposure = "spray"
"""
_TAIL: Final = """
[[hypothesis]]
name = "Water in the crack shortens the life"
quantity = "life"
lower = ["spray"]
higher = ["dry"]

[[hypothesis]]
name = "It does so beyond the loss of capacity"
quantity = "life at equal load level"
lower = ["spray"]
higher = ["dry"]
"""


def of_reports(path: Path, is_file: bool) -> bool:
    """Tell whether a path below the demo's folder is of the series or of its report."""
    if path == Path(SERIES):
        return is_file
    return path.parts[0] == REPORT and (len(path.parts) == 1 or _begins(path.parts[1]))


def _begins(name: str) -> bool:
    return name.startswith(OF_A_REPORT)


def clear_reports(folder: Path) -> None:
    """Take series and report of an earlier demo away. Raises StorageError."""
    shutil.rmtree(folder / REPORT, ignore_errors=True)
    with storage(folder, "clear the demo's folder"):
        (folder / SERIES).unlink(missing_ok=True)


def series_text(plans: Mapping[str, Plan], companions: Series) -> str:
    """Return a series file of runs by their folders, with the ultimate loads of their exposures."""
    exposures = {plan.exposure for plan in plans.values()}
    lives = [
        f'\n[[life]]\nspecimen = "{plan.specimen_id}"\ngroup = "{plan.exposure}"\nrun = "{name}"\n'
        for name, plan in plans.items()
    ]
    loads = [
        f'\n[[ultimate]]\nspecimen = "{u.specimen}"\ngroup = "{u.group}"\n'
        f'load = "{u.load / 1e3:g} kN"\n'
        for u in companions.ultimates
        if u.group in exposures and u.load is not None and not u.residual
    ]
    return "".join([_HEAD, *lives, *loads, _TAIL])


def write_reports(folder: Path, plans: Mapping[str, Plan]) -> Comparison:
    """Write the series of the runs in a folder and all reports; return what the series tells.

    Raises StorageError.
    """
    # Imported late: figures and statistics would slow down the start.
    from rig.assembly.series_runs import read_series
    from rig.lives.comparison import compared
    from rig.protocol.load import load_series
    from rig.report.drawn_figures import drawn
    from rig.report.run_report import run_document
    from rig.report.series_files import write_series_files
    from rig.report.series_report import series_document
    from rig.report.written_report import of_run, write_report

    read = partial(read_text, series=True)
    source = folder / SERIES
    with storage(source, "write the series"):
        companions = load_series(find_series(_COMPANIONS), read)
        source.write_text(series_text(plans, companions), encoding="utf-8")
    for name in plans:
        with read_run(folder / name) as run:
            of = of_run(*(str(run.attributes[key]) for key in ("run_id", "started_utc")))
        write_report(run_document(folder / name), folder / name, of)
    series = read_series(str(source), read)
    told = compared(series)
    document = series_document(series, told, None, source)
    figures = drawn(document)
    write_report(document, folder / REPORT, f"series {source.stem}", figures)
    write_series_files(told, None, folder / REPORT, figures)
    return told
