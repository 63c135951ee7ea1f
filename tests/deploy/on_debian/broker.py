"""The broker of the box, and a reader of it."""

import json
from typing import Any

from tests.deploy.on_debian.machine import HOME, Machine

__all__ = ["PASSWORDS", "READER", "heard"]

PASSWORDS = {"gateway-north": "write-only", "reader": "read-only"}

READER = f"mosquitto_sub -h localhost -p 8883 --cafile {HOME}/ca.pem -u reader -P {PASSWORDS['reader']}"


def heard(box: Machine, topic: str) -> dict[str, Any]:
    """What is retained there."""
    found: dict[str, Any] = json.loads(box.run(f"{READER} -C 1 -W 20 -t tanks/north/{topic}").output)
    return found
