"""A run whose rig may be asked from afar is not begun without a secret that can sign."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rig.assembly.telling import messages_of
from rig.commands.files import load
from rig.errors import InputError
from rig.protocol.lab import Messages

LAB = """
name = "lab-1"
[broker]
host = "broker.example"
port = 1883
[requests]
secret = { file = "requests" }
"""


@pytest.mark.parametrize(
    ("secret", "problem"),
    [
        (None, "no such file, and a secret should be in it"),
        ("short", "this secret has 5 bytes; to sign requests it needs 32 or more"),
        ("k" * 31, "this secret has 31 bytes"),
        ("k" * 32, ""),
    ],
)
def test_a_secret_that_cannot_sign_is_refused_before_anything_moves(tmp_path, secret, problem):
    (tmp_path / "lab.toml").write_text(LAB)
    if secret is not None:
        (tmp_path / "requests").touch(0o600)
        (tmp_path / "requests").write_text(f"{secret}\n")
    plan = load("first-night", None)
    asked = Messages(str(tmp_path / "lab.toml"), "frame-1", ("stop",))
    told = replace(plan, rig=replace(plan.rig, messages=asked))
    if problem:
        with pytest.raises(InputError, match=problem) as refused:
            messages_of(told, None)
        assert "\n" not in str(refused.value)
    else:
        assert messages_of(told, None) == asked
    # Where nothing is allowed from afar nothing signs.
    silent = replace(plan, rig=replace(plan.rig, messages=replace(asked, requests=())))
    assert messages_of(silent, None) is not None
