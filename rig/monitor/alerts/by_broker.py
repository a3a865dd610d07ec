"""One message to a broker by a connection of its own, for whoever tries whether it gets through."""

from __future__ import annotations

import asyncio
import json
import secrets
from typing import Final

import aiomqtt

from rig.errors import InputError
from rig.monitor.alerts.messages import AlertText, Send, WayDead
from rig.monitor.mqtt.connecting import client, reason, subscribe
from rig.monitor.mqtt.topics import ALERTS, topic
from rig.monitor.secrets import read_secret
from rig.protocol.lab import Broker

WITHIN: Final = 10.0
"""Seconds in which a message must have come back, once there is a connection."""


def broker_way(broker: Broker, lab: str, rig: str) -> Send:
    """Return the way of telling by the alerts topic of a rig; a message counts once it is back."""
    where = topic(lab, rig, ALERTS)

    async def send(alert: AlertText) -> None:
        payload = json.dumps(alert.plain, ensure_ascii=False, allow_nan=False).encode()
        try:
            await _there_and_back(broker, where, payload)
        except TimeoutError:
            raise WayDead(
                f"{broker.host}:{broker.port} does not pass it on within {WITHIN:.0f} s; its "
                f"access list must let user {broker.user!r} write and read {where}"
            ) from None
        except aiomqtt.MqttError as error:
            raise WayDead(f"{broker.host}:{broker.port}: {reason(error)}") from None
        except (InputError, OSError) as error:
            raise WayDead(str(error)) from None

    return send


async def _there_and_back(broker: Broker, where: str, payload: bytes) -> None:
    password = None if broker.password is None else read_secret(broker.password)
    async with client(broker, password, f"tries-{secrets.token_hex(8)}") as connected:
        # Not around the connecting, which has a limit of its own and would be left half made.
        async with asyncio.timeout(WITHIN):
            await subscribe(connected, where, ALERTS.qos)
            await connected.publish(where, payload, ALERTS.qos)
            async for message in connected.messages:
                if message.payload == payload:
                    return
