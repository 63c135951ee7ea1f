"""Breaks of what lies on the broker: until when it holds, what a stop leaves, who else is there."""

from tests.mutants.a_break import Break

__all__ = ["BROKER_BREAKS"]

VALIDITY = "gateway/validity.py"
PIPELINE = "gateway/pipeline.py"
SHEET = "gateway/calculation/inventory.py"
MQTT = "gateway/delivery/mqtt/delivery.py"
CONNECTION = "gateway/delivery/mqtt_wire/connection.py"
OTHERS = "gateway/delivery/mqtt/others.py"
NEIGHBOURS = "gateway/delivery/mqtt/neighbours.py"
PAYLOAD = "gateway/payload/writer.py"
HOLDS = ("tests/test_validity.py",)
JOINED = ("tests/test_pipeline.py",)
DAEMON = ("tests/test_daemon.py",)
PAYLOADS = ("tests/delivery/test_payload.py",)
BROKER = ("tests/delivery/test_mqtt.py",)
GOODBYE = ("tests/delivery/test_mqtt_goodbye.py",)
HEARD = ("tests/delivery/test_mqtt_others.py",)
COMPANY = ("tests/delivery/test_mqtt_neighbours.py",)
ONE = ("tests/delivery/test_mqtt_connection.py",)
LIVENESS = ("tests/commands/test_liveness.py",)
OUTSIDE = ("tests/end_to_end/test_what_lies_on_the_broker.py",)

BROKER_BREAKS: tuple[Break, ...] = (
    Break(
        "inventories not retained",
        CONNECTION,
        "retain=retain, properties=properties)",
        "retain=False, properties=properties)",
        BROKER,
    ),
    Break(
        "last will not retained", CONNECTION, "will.payload, qos=1, retain=will.retain)", "will.payload, qos=1)", BROKER
    ),
    Break("a dead gateway's numbers hold for a minute", VALIDITY, "_SHORTEST_S = 10.0", "_SHORTEST_S = 60.0", OUTSIDE),
    Break("numbers hold for less than two periods", VALIDITY, "_PERIODS = 2.5", "_PERIODS = 1.5", HOLDS),
    Break(
        "an end of validity by a clock that cannot be right",
        VALIDITY,
        "if for_s is None or is_impossible(round(instant.timestamp() * 1e9)):",
        "if for_s is None:",
        PAYLOADS,
    ),
    Break("record does not say how long it holds", PIPELINE, "valid_for_s=tank.valid_for_s,", "", JOINED),
    Break(
        "offline with an end of validity",
        PAYLOAD,
        "holds_s = context.valid_for_s if cause is None else None",
        "holds_s = context.valid_for_s",
        PAYLOADS,
    ),
    Break(
        "last sheet keeps the numbers",
        SHEET,
        "    return _inventory(plan, tank_input, figures, lost.quality, elements,",
        "    return _inventory(plan, tank_input, newest.figures, lost.quality, elements,",
        JOINED,
    ),
    Break(
        "last sheet forgets what was good",
        SHEET,
        "quality=lost.quality)\n    last = remember_good(memory, figures)\n",
        "quality=lost.quality)\n    last = memory.last_good\n",
        JOINED,
    ),
    Break(
        "last sheet keeps the state against the limits",
        SHEET,
        "_replace(limit=LimitState.UNKNOWN, roof=None, quality=lost.quality)",
        "_replace(quality=lost.quality)",
        JOINED,
    ),
    Break(
        "stop tells no tank's last",
        "gateway/daemon.py",
        "self._deliveries.finish(last)\n",
        "self._deliveries.finish(())\n",
        DAEMON,
    ),
    Break(
        "offline said before the tanks' last records are there",
        MQTT,
        "            if not talk.in_flight:\n                if said:",
        "            if not said or not talk.in_flight:\n                if said:",
        GOODBYE,
    ),
    Break(
        "a stop marks the tanks of another gateway Bad",
        MQTT,
        "other = self._neighbours.other(self._monotonic())\n        if other is not None:",
        "other = self._neighbours.other(self._monotonic())\n        if other == '':",
        COMPANY,
    ),
    Break(
        "what the boot before left is not asked for",
        MQTT,
        "            talk.connection.subscribe(self._status_topic)\n",
        "",
        COMPANY,
    ),
    Break("no sign of life", MQTT, "            self._heartbeat_due = True\n", "", BROKER),
    Break(
        "an old status passes for a gateway that is online",
        OTHERS,
        "        if retained:\n            return False\n",
        "",
        HEARD,
    ),
    Break(
        "a late last will hides a gateway that is online",
        OTHERS,
        "                self._online = None\n            return True\n",
        "                self._online = None\n            return False\n",
        COMPANY,
    ),
    Break(
        "two gateways wait for each other's next period",
        OTHERS,
        "        new = self.online(now_s) != told.boot\n",
        "        new = False\n",
        COMPANY,
    ),
    Break(
        "what a killed boot had waiting passes for known",
        OTHERS,
        '_waiting(told) if cause == "stopped" else None)',
        "_waiting(told))",
        HEARD,
    ),
    Break(
        "one that came later passes for the boot before",
        OTHERS,
        "if retained and self.last is None and not self.heard_ourselves:",
        "if retained and self.last is None:",
        HEARD,
    ),
    Break(
        "a server that is away passes for a shared identifier",
        OTHERS,
        "if lasted_s is None or by in (EndedBy.SILENCE, EndedBy.OTHER) or lasted_s > self._soon_s:",
        "if lasted_s is not None and lasted_s > self._soon_s:",
        HEARD,
    ),
    Break(
        "the server's word that another took the connection is not heard",
        CONNECTION,
        "EndedBy.TAKEOVER if code.value == _TAKEN_OVER else EndedBy.OTHER",
        "EndedBy.OTHER",
        COMPANY,
    ),
    Break(
        "a server's own refusals blamed on another client",
        NEIGHBOURS,
        "        if self._id_is_ours_alone and by is EndedBy.SERVER:\n",
        "        if False:\n",
        COMPANY,
    ),
    Break(
        "a refused record passes for delivered",
        CONNECTION,
        "self._settled(number, Refusal(code.value, str(code)) if code.is_failure else None)",
        "self._settled(number, None)",
        BROKER,
    ),
    Break(
        "the server's receive maximum is not kept to",
        CONNECTION,
        'getattr(properties, "ReceiveMaximum", self.receive_maximum)',
        "self.receive_maximum",
        BROKER,
    ),
    Break(
        "messages left inside TLS",
        CONNECTION,
        "            and opened.pending()\n",
        "            and not opened\n",
        ONE,
    ),
    Break("a silent name server holds up the end", CONNECTION, "daemon=True)", "daemon=False)", ONE),
    Break(
        "a dial that nobody waits for stays open",
        CONNECTION,
        "            if dialled.done():  # given up: close what came too late\n                self.abort()\n",
        "            if dialled.done():\n                pass\n",
        ONE,
    ),
    Break(
        "a session is left behind at the server",
        CONNECTION,
        "clean_session=None if protocol is MQTTProtocolVersion.MQTTv5 else True",
        "clean_session=None if protocol is MQTTProtocolVersion.MQTTv5 else False",
        BROKER,
    ),
    Break(
        "what is past its time keeps its numbers in show",
        "gateway/commands/operator/liveness.py",
        "else figure._replace(value=None, quality=Quality.BAD)",
        "else figure",
        LIVENESS,
    ),
    Break(
        "show takes a sheet past its valid_until for the present",
        "gateway/commands/operator/liveness.py",
        "if now <= datetime.fromisoformat(until):",
        "if True:",
        LIVENESS,
    ),
    Break(
        "a gateway that is offline looks live in show",
        "gateway/commands/operator/show.py",
        "view_of_message(each, now, gone=found.gone)",
        "view_of_message(each, now)",
        LIVENESS,
    ),
    Break(
        "registers shows doubted words as Good",
        "gateway/commands/technician/register_page.py",
        "if not doubt or decoded.quality is not Quality.GOOD:",
        "if True:",
        ("tests/commands/test_doubted_words.py",),
    ),
    Break(
        "a record of a dip rests on doubted words",
        "gateway/commands/technician/word_source.py",
        "if doubt := doubt_of(raw):",
        "if False and (doubt := doubt_of(raw)):",
        ("tests/commands/test_doubted_words.py",),
    ),
)
