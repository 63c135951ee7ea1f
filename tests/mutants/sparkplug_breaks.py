"""Breaks of the edge node: what a host takes for Good, for alive, for new, and what counts as arrived."""

from tests.mutants.a_break import Break

__all__ = ["SPARKPLUG_BREAKS"]

METRICS = "gateway/delivery/sparkplug/metrics.py"
OF_TANKS = "gateway/delivery/sparkplug/tank_metrics.py"
ENCODING = "gateway/delivery/sparkplug/encoding.py"
SESSION = "gateway/delivery/sparkplug/session.py"
REACH = "gateway/delivery/sparkplug/reach.py"
HOST = "gateway/delivery/sparkplug/host.py"
COMMANDS = "gateway/delivery/sparkplug/commands.py"
TALK = "gateway/delivery/sparkplug/talk.py"
DELIVERY = "gateway/delivery/sparkplug/delivery.py"
SAID = ("tests/delivery/test_sparkplug_session.py",)
HEARD = ("tests/delivery/test_sparkplug.py",)

SPARKPLUG_BREAKS: tuple[Break, ...] = (
    Break(
        "uncertain value told as 192",
        METRICS,
        "_CODES = QUALITY_GOOD, QUALITY_STALE,",
        "_CODES = QUALITY_GOOD, QUALITY_GOOD,",
        SAID,
    ),
    Break(
        "Bad value told to a host",
        METRICS,
        "    if quality is Quality.BAD:\n        value = None\n    elif value is not None and value - value",
        "    if value is not None and value - value",
        SAID,
    ),
    Break(
        "number that is none told to a host", METRICS, "and value - value != 0.0:", "and value - value == 1.0:", SAID
    ),
    Break(
        "alarm that nobody watches for is normal",
        OF_TANKS,
        "        if name in phases or name in watched\n",
        "        if name in ALARMS\n",
        SAID,
    ),
    Break(
        "quality left out of data",
        ENCODING,
        "        if metric.quality != QUALITY_GOOD or metric.reasons or name in now_good:",
        "        if False:",
        SAID,
    ),
    Break("history told as of now", ENCODING, "            told.is_historical = True\n", "            pass\n", HEARD),
    Break("a change is not told", SESSION, "            told |= news", "            told |= {}", HEARD),
    Break("numbers go on beyond 255", SESSION, "_SEQ_MODULO = 256\n", "_SEQ_MODULO = 512\n", SAID),
    Break(
        "a message that was not sent leaves a gap", SESSION, "self._seq = (self._seq - 1) % _SEQ_MODULO", "pass", SAID
    ),
    Break(
        "what no ping has proved counts as arrived", REACH, "self._entries[0][1] <= self.covered", "self._entries", SAID
    ),
    Break("what no host reads counts as arrived", REACH, "        if counts:\n", "        if True:\n", SAID),
    Break(
        "what a host had no time to read counts as read",
        REACH,
        "self._arrived and (now_s - self._arrived[0].at_s >= self._silence_s or held > _MOST_HELD)",
        "self._arrived",
        SAID,
    ),
    Break("any late death of the host has it told all again", HOST, " and timestamp in self._before:", ":", SAID),
    Break("an old death of the host is believed", HOST, "timestamp < self._timestamp", "timestamp > 1e99", SAID),
    Break(
        "a host that was away for a moment has read all",
        HOST,
        "self.online and not self.has_left",
        "self.online",
        HEARD,
    ),
    Break("any command is one for a birth", COMMANDS, "metric.name == REBIRTH and", "", SAID),
    Break(
        "a tank that is lost lives on", OF_TANKS, "    return bool(inputs) and all(", "    return False and all(", HEARD
    ),
    Break(
        "history is sent before the host is there",
        DELIVERY,
        "self._topics.state is None or self._host.reads:",
        "True:",
        HEARD,
    ),
    Break(
        "a host that goes is not followed",
        DELIVERY,
        "        if talk.session.is_born:\n            raise _Host",
        "        if False:\n            raise _Host",
        HEARD,
    ),
    Break(
        "what was told when it was new is told again",
        TALK,
        "        told = self.session.told_by(entry)\n",
        "        told = None\n",
        HEARD,
    ),
    Break(
        "what a tank is watched for stands as it was looked at first",
        TALK,
        "        if self._alarms is None or self._seen.alarms != self._alarms:\n",
        "        if self._alarms is None:\n",
        HEARD,
    ),
)
