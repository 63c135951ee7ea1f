"""The outside judge of the whole-process bench: an MQTT client that sees how old the news is when it comes.

`python -m tests.bench.listener PORT` counts the inventories and notes, for every SAMPLE-th, the time from the read of
the level (as the payload says) to its arrival here, on the clock of the same machine. Reads commands from standard
input: `count` prints how many tanks have had a Good inventory; `forget` makes it forget what came so far;
`begin` does so and from then on looks at samples only; `end` prints what came as JSON and ends.
"""

import json
import sys
import time
from datetime import datetime
from typing import Any

import orjson
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

__all__ = ["main"]

SAMPLE = 10


class Listener:
    """Looks at every message until `begin`, and from then on at samples."""

    def __init__(self) -> None:
        self.sampling = False
        self.all_messages = self.repeats = 0
        self.newest: dict[tuple[str, str], int] = {}
        """The highest sequence of each (tank, boot)."""
        self.forget()

    def begin(self) -> None:
        self.sampling = True
        self.forget()

    def forget(self) -> None:
        self.messages = self.not_good = 0
        self.tanks: set[str] = set()
        self.ages_s: list[float] = []

    def on_message(self, client: paho.Client, data: object, message: paho.MQTTMessage) -> None:
        now = time.time()
        if message.retain:
            return
        self.messages += 1
        self.all_messages += 1
        if self.sampling and self.messages % SAMPLE:
            return
        inventory = orjson.loads(message.payload)
        identity = inventory["identity"]
        key = identity["tank"], identity["boot"]
        if identity["sequence"] <= self.newest.get(key, 0):
            self.repeats += 1
        self.newest[key] = max(identity["sequence"], self.newest.get(key, 0))
        if inventory["quality"] != "Good":
            self.not_good += 1
            return
        self.tanks.add(message.topic)
        self.ages_s.append(now - datetime.fromisoformat(inventory["figures"]["level"]["time"]).timestamp())


def _subscribe(client: paho.Client, *_: Any) -> None:
    """At each connect, for the broker may come and go."""
    client.subscribe("tanks/bench/+/inventory", qos=0)


def main() -> None:
    listener = Listener()
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="bench-listener")
    client.on_message = listener.on_message
    client.on_connect = _subscribe
    client.reconnect_delay_set(1, 2)
    client.connect("127.0.0.1", int(sys.argv[1]))
    client.loop_start()
    for line in sys.stdin:
        if line.strip() == "begin":
            listener.begin()
        elif line.strip() == "forget":
            listener.forget()
        elif line.strip() == "count":
            print(len(listener.tanks), flush=True)
        elif line.strip() == "end":
            break
    found = {
        "messages": listener.messages,
        "not_good": listener.not_good,
        "ages_s": sorted(listener.ages_s),
        "all_messages": listener.all_messages,
        "repeats": listener.repeats,
    }
    print(json.dumps(found), flush=True)
    client.disconnect()
    client.loop_stop()


if __name__ == "__main__":
    main()
