"""Breaks of what leaves the gateway: payloads, metrics, the broker's copies and the count of what is lost."""

from tests.mutants.a_break import Break

__all__ = ["DELIVERY_BREAKS"]

PAYLOAD = "gateway/payload/writer.py"
LIVE = "gateway/delivery/live.py"
MQTT = "gateway/delivery/mqtt/delivery.py"
METRICS = "gateway/delivery/metrics.py"
OWN_METRICS = "gateway/delivery/own_metrics.py"
PAYLOADS = ("tests/delivery/test_payload.py",)
QUEUE = ("tests/delivery/test_live.py",)
BROKER = ("tests/delivery/test_mqtt.py",)
SCRAPED = ("tests/delivery/test_metrics.py",)
WINDOW = "gateway/delivery/mqtt/window.py"
HISTORY = "gateway/delivery/mqtt/history.py"
ANSWERS = ("tests/delivery/test_mqtt_window.py",)
KEPT = ("tests/delivery/test_mqtt_history.py",)
LEAVING = ("tests/delivery/test_opcua_leaving.py",)
JOINED = ("tests/test_pipeline.py",)

DELIVERY_BREAKS: tuple[Break, ...] = (
    Break(
        "a record is sent the message of one that has gone",
        "gateway/delivery/mqtt/made_once.py",
        "        self._made[id(record)] = record, message\n",
        "        self._made[id(record)] = None, message\n",
        ("tests/delivery/test_made_once.py",),
    ),
    Break(
        "Bad value sent as zero",
        PAYLOAD,
        "        if quality == 2:\n            value = None\n        # ",
        "        if quality == 2:\n            value = 0.0\n        # ",
        PAYLOADS,
    ),
    Break(
        "uncertain figure sent as Good",
        PAYLOAD,
        'figure["quality"] = _WORDS[quality]',
        'figure["quality"] = _WORDS[quality if quality == 2 else 0]',
        PAYLOADS,
    ),
    Break(
        "uncertain tank sent as Good",
        PAYLOAD,
        '        "quality": _WORDS[inventory.quality],\n',
        '        "quality": _WORDS[inventory.quality if inventory.quality == 2 else 0],\n',
        ("tests/delivery/test_tank_quality.py",),
    ),
    Break(
        "SIMULATED left out of the payload",
        PAYLOAD,
        '        payload["notice"] = "SIMULATED"\n    payload["sources"]',
        '    payload["sources"]',
        PAYLOADS,
    ),
    Break("manual mark left out", PAYLOAD, '            figure["manual"] = True\n', "            pass\n", PAYLOADS),
    Break(
        "figure dated by the sheet instead of its oldest input",
        "gateway/payload/plain.py",
        "return iso_time(instant - timedelta(0, age_s))",
        "return iso_time(instant)",
        PAYLOADS,
    ),
    Break(
        "last Good value beside a value",
        PAYLOAD,
        "if quality == 2 and name in last_good:",
        "if name in last_good:",
        PAYLOADS,
    ),
    Break(
        "Bad figure shown to Prometheus",
        METRICS,
        "if value is not None and figure.quality is not _BAD and isfinite(value):",
        "if True:",
        SCRAPED,
    ),
    Break("quality in metrics always Good", METRICS, "ends[figure.quality]", "ends[0]", SCRAPED),
    Break(
        "SIMULATED left out of metrics",
        METRICS,
        " if inventory.simulated else labels",
        " if False else labels",
        SCRAPED,
    ),
    Break(
        "lost records not counted in metrics",
        OWN_METRICS,
        '"Records never known to have arrived.", lambda status: status.lost)',
        '"Records never known to have arrived.", lambda status: 0)',
        SCRAPED,
    ),
    Break(
        "lost history not counted in metrics",
        OWN_METRICS,
        "lambda backlog: backlog.lost",
        "lambda backlog: 0",
        SCRAPED,
    ),
    Break(
        "superseded record not counted as lost",
        LIVE,
        "        if superseded is not None and not superseded.repeat:\n            self.lost += 1\n",
        "",
        QUEUE,
    ),
    Break(
        "record lost with the connection not counted",
        LIVE,
        "            elif not entry.repeat:\n                self.lost += 1\n",
        "",
        QUEUE,
    ),
    Break(
        "repeat counted as delivered",
        LIVE,
        "        if not entry.repeat:\n            self.delivered += 1\n",
        "        self.delivered += 1\n",
        QUEUE,
    ),
    Break(
        "history delivered up to the last answer instead of the first that lacks",
        WINDOW,
        "while self._slots and self._slots[0].fate in (_Fate.ARRIVED, _Fate.LOST):",
        "while self._slots and self._slots[0].fate is not _Fate.HELD:",
        ANSWERS,
    ),
    Break(
        "history refused for now passed over at once",
        WINDOW,
        "now_s - slot.held_since_s >= PATIENCE_S",
        "True",
        ANSWERS,
    ),
    Break(
        "history given up where the server takes none of it",
        WINDOW,
        "            if self._arrived_in_round - {slot.stream}:\n",
        "            if True:\n",
        ANSWERS,
    ),
    Break(
        "history that is refused for good not counted",
        WINDOW,
        "            if slot.fate is _Fate.LOST:\n",
        "            if False:\n",
        ANSWERS,
    ),
    Break(
        "history not taken again after a break",
        HISTORY,
        "                self._outbox.rewind()\n",
        "                pass\n",
        KEPT,
    ),
    Break("history retained", HISTORY, "            retain=False,\n", "            retain=True,\n", KEPT),
    Break("newest not sent again after a connect", MQTT, "        self._queue.repeat_newest()\n", "", BROKER),
    Break("sequence stands still", "gateway/pipeline.py", "tank.sequence += 1", "tank.sequence = 1", JOINED),
    Break(
        "sheet that failed passes as the one before",
        "gateway/pipeline.py",
        '            inventory = failed(tank.plan, tank_input, before, f"{type(error).__name__}: {error}")\n',
        "            return\n",
        JOINED,
    ),
    Break(
        "whoever is cut off over OPC UA keeps its place while it stays on the line",
        "gateway/delivery/opcua/server/transport.py",
        "        self._is_cut_off = True\n        self._give_up_place()\n",
        "        self._is_cut_off = True\n",
        LEAVING,
    ),
    Break(
        "whoever is cut off over OPC UA while still sending is reset",
        "gateway/delivery/opcua/server/leaving.py",
        "            transport.write_eof()\n",
        "            transport.close()\n",
        LEAVING,
    ),
    Break(
        "all who are turned away over OPC UA stay on the line",
        "gateway/delivery/opcua/server/leaving.py",
        "        if len(self._held) < _MOST:\n",
        "        if True:\n",
        LEAVING,
    ),
    Break(
        "an ended connection takes what is new over OPC UA",
        "gateway/delivery/opcua/server/transport.py",
        "        return None if self._own.is_over else super().get_publish_request(subscription_id)\n",
        "        return super().get_publish_request(subscription_id)\n",
        LEAVING,
    ),
    Break(
        "a subscription that is transferred goes on asking the connection before",
        "gateway/delivery/opcua/server/sessions.py",
        "            self._subscriptions.subscriptions[number].pub_request_callback = taking\n",
        "            pass\n",
        LEAVING,
    ),
    Break(
        "a session ends with a connection over which it is used no more",
        "gateway/delivery/opcua/server/transport.py",
        "        return not has_gone_on and bool(",
        "        return bool(",
        LEAVING,
    ),
)
