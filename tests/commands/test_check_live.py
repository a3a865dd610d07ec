"""`nightrig check --sheet --read-limits` on an emulated rig: the controller is only asked."""

from __future__ import annotations

import pytest

from tests.wire.live import a_wire_night


@pytest.mark.nights
@pytest.mark.timeout(120)
@pytest.mark.xdist_group("live")
def test_limits_are_read_from_the_controller_for_the_sheet_and_nothing_is_moved(tmp_path):
    asking = ("check", "protocol.toml", "--rig", "rig.toml", "--sheet", "set-up.pdf")
    with a_wire_night(tmp_path) as night:
        before = night.truth()
        done = night.nightrig(*asking, "--read-limits")
        assert done.returncode == 0, done.stdout + done.stderr
        assert done.stdout.splitlines()[-1] == "set-up.pdf: the set-up sheet, to print and to sign"
        assert (tmp_path / "set-up.pdf").read_bytes().startswith(b"%PDF-")
        assert night.truth() == before
        assert night.end_emulation() == 0
        (tmp_path / "set-up.pdf").unlink()
        # Nobody answers any more: it is a device that failed, and no sheet is written.
        done = night.nightrig(*asking, "--read-limits")
        assert done.returncode == 4, done.stdout + done.stderr
        told = done.stderr.splitlines()
        assert told
        assert all(line.startswith('port "') for line in told)
        assert not (tmp_path / "set-up.pdf").exists()
