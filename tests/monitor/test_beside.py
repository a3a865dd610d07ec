"""A rehearsal with its plain lines beside it."""

from rig.assembly import rehearse
from rig.commands.beside import rehearse_beside_screen
from rig.commands.files import load
from rig.commands.screen import Shown


def test_a_rehearsal_in_plain_lines_is_told_to_its_end_however_soon_that_comes(tmp_path, capfd):
    plan = load("static-ultimate", None)
    out = tmp_path / "run"
    result = rehearse_beside_screen(lambda: rehearse(plan, out, 1), out, Shown())
    said = capfd.readouterr().err.splitlines()
    assert said[-1].startswith(f"ENDED: {result.outcome.upper()} | ")
    assert any("stopped" in line for line in said[:-1])
