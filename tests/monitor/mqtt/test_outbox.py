"""The number of the last event that got through, on the disk."""

import json

import pytest

from rig.monitor.mqtt.outbox import TOLD, Told

RUN = "night-1 2026-11-24T20:10:12.000Z"


def test_it_is_kept_and_read_back(tmp_path):
    told = Told(tmp_path, RUN, print)
    assert told.seq == 0
    told.to(7)
    assert Told(tmp_path, RUN, print).seq == 7
    assert [path.name for path in tmp_path.iterdir()] == [TOLD]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "3",
        '{"run": "another", "seq": 7}',
        json.dumps({"run": RUN}),
        json.dumps({"run": RUN, "seq": "7"}),
        json.dumps({"run": RUN, "seq": True}),
        json.dumps({"run": RUN, "seq": -1}),
        json.dumps({"run": RUN, "seq": 7.5}),
    ],
)
def test_what_cannot_be_read_or_is_another_runs_counts_as_nothing_told(tmp_path, text):
    (tmp_path / TOLD).write_text(text)
    assert Told(tmp_path, RUN, print).seq == 0


def test_a_disk_that_refuses_is_told_once_and_costs_nothing_but_a_repetition(tmp_path):
    lines: list[str] = []
    told = Told(tmp_path / "gone", RUN, lines.append)
    told.to(3)
    told.to(4)
    assert told.seq == 4
    assert len(lines) == 1
    assert "cannot be written (No such file or directory)" in lines[0]
    (tmp_path / "gone").mkdir()
    told.to(5)
    assert Told(tmp_path / "gone", RUN, print).seq == 5
