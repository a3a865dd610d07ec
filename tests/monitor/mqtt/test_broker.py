"""The broker as the README sets it up: who may do what, and what it takes to get in."""

import subprocess

import pytest

from tests.monitor.mqtt.broker import Broker, broker

__all__ = ["broker"]

pytestmark = pytest.mark.system
BRANCH = "nightrig/v1/lab-1/frame-1"


@pytest.mark.nights
def test_each_user_may_do_what_the_readme_says_and_no_more(broker: Broker):
    with broker.subscribed("nightrig/#", "office") as heard:
        for user in ("office", "shift", "stranger", "frame-2", "frame-1"):
            broker.publish(f"{BRANCH}/events", f"events of {user}".encode(), user)
            broker.publish(f"{BRANCH}/requests", f"requests of {user}".encode(), user)
        heard.wait(lambda told: told.of("events"))
        broker.publish(f"{BRANCH}/status", b"last", "frame-1")
        heard.wait(lambda told: told.of("status"))
    assert heard.of("events") == [b"events of frame-1"]
    assert heard.of("requests") == [b"requests of shift"]
    with broker.subscribed("nightrig/#", "stranger") as nothing:
        broker.publish(f"{BRANCH}/status", b"kept", "frame-1", retain=True)
        with broker.subscribed("nightrig/#", "office") as kept:
            kept.wait(lambda told: told.of("status"))
    assert kept.told == [(f"{BRANCH}/status", b"kept", True)]
    assert not nothing.told


def test_nobody_gets_in_without_a_password_or_a_certificate(broker: Broker):
    names = ["mosquitto_pub", "-h", "localhost", "-p", str(broker.port), "-t", "a", "-m", "b"]
    ca = ["--cafile", str(broker.folder / "ca.crt")]
    own = [f"--cert={broker.folder / 'frame-1.crt'}", f"--key={broker.folder / 'frame-1.key'}"]
    own = [part for each in own for part in each.split("=")]
    login = ["-u", "frame-1", "-P"]
    right = "frame one's own"
    for arguments, code in (
        ([*ca, *own, *login, right], 0),
        ([*ca, *own, *login, "wrong"], 5),
        ([*ca, *own], 5),
        ([*ca, *login, right], None),
        ([*login, right], None),
    ):
        done = subprocess.run([*names, *arguments], capture_output=True, check=False, timeout=10)
        assert done.returncode == code if code is not None else done.returncode != 0
