"""A primary host of Sparkplug beside a bench, in a process of its own: it is there, and counts what it is told.

`python -m tests.bench.primary_host PORT NAME GROUP` says that it is online, and that it is not when its input ends. On
the line `begin` it forgets what came so far, and on `end` it prints as JSON how many messages of each kind came.
"""

import json
import sys
import time
from collections import Counter
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

__all__ = ["main"]


def main() -> None:
    port, name, group = int(sys.argv[1]), sys.argv[2], sys.argv[3]
    counts: Counter[str] = Counter()
    since = round(time.time() * 1000)

    def on_message(client: paho.Client, data: object, message: paho.MQTTMessage) -> None:
        counts[message.topic.split("/")[2]] += 1

    def say(client: paho.Client, *_: Any, online: bool = True) -> None:
        told = json.dumps({"online": online, "timestamp": since})
        client.publish(f"spBv1.0/STATE/{name}", told, qos=1, retain=True)

    def on_connect(client: paho.Client, *_: Any) -> None:
        client.subscribe(f"spBv1.0/{group}/#", qos=0)
        say(client)

    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"bench-{name}")
    client.on_message, client.on_connect = on_message, on_connect
    client.connect("127.0.0.1", port)
    client.loop_start()
    for line in sys.stdin:
        if line.strip() == "begin":
            counts.clear()
        elif line.strip() == "end":
            print(json.dumps(counts), flush=True)
    say(client, online=False)
    client.disconnect()
    client.loop_stop()


if __name__ == "__main__":
    main()
