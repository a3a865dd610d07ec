"""Listening to a lab's broker, which is not to end because a file is missing for a while."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from rig.errors import InputError
from rig.monitor.lab.view import LabView
from rig.monitor.mqtt.listening import Listener
from rig.monitor.secrets import read_secret
from tests.monitor.mqtt.broker import LAB, Broker, broker

__all__ = ["broker"]
pytestmark = [pytest.mark.system, pytest.mark.nights]
PATIENCE = 20.0


def seen(listener: Listener, until: Callable[[LabView], bool]) -> LabView:
    end = time.monotonic() + PATIENCE
    while not until(view := listener.look()):
        assert time.monotonic() < end, view
        time.sleep(0.05)
    return view


def test_a_certificate_that_is_renewed_while_somebody_looks_is_waited_for(broker: Broker, tmp_path):
    file = broker.file("office")
    assert file.tls is not None
    assert file.password is not None
    # Of its own: the broker needs that file too.
    ca, away = tmp_path / "ca.crt", tmp_path / "away"
    ca.write_bytes(Path(file.tls.ca).read_bytes())
    file = replace(file, tls=replace(file.tls, ca=str(ca)))
    with Listener(LAB, file, read_secret(file.password)) as listener:
        seen(listener, lambda view: view.connected)
        ca.rename(away)
        broker.stop()
        broker.start()
        view = seen(listener, lambda view: "certificate of the authority" in view.why)
        assert not view.connected
        away.rename(ca)
        seen(listener, lambda view: view.connected)
    ca.rename(away)
    with (
        Listener(LAB, file, read_secret(file.password)) as listener,
        pytest.raises(InputError, match="certificate of the authority"),
    ):
        seen(listener, lambda view: view.connected)
