"""Breaks of the registers: a number where there is none, of yesterday, of another place; a server that lets through."""

from tests.mutants.a_break import Break

__all__ = ["REGISTER_BREAKS"]

ENCODE = "gateway/delivery/registers/encode.py"
IMAGE = "gateway/delivery/registers/image.py"
LAYOUT = "gateway/delivery/registers/layout.py"
SERVER = "gateway/delivery/registers/server.py"
ROOM = "gateway/delivery/registers/room.py"
DELIVERY = "gateway/delivery/registers/delivery.py"
OF_MAP = ("tests/delivery/test_registers_map.py",)
OF_SERVER = ("tests/delivery/test_registers_server.py",)

REGISTER_BREAKS: tuple[Break, ...] = (
    Break(
        "a Bad value told in a register",
        ENCODE,
        "    if quality is Quality.BAD or not abs(value) <= _LARGEST_FLOAT:\n",
        "    if not abs(value) <= _LARGEST_FLOAT:\n",
        OF_MAP,
    ),
    Break(
        "a Bad whole number is zero",
        ENCODE,
        "        return nan, least, QUALITY_CODES[Quality.BAD], age\n",
        "        return nan, 0, QUALITY_CODES[Quality.BAD], age\n",
        OF_MAP,
    ),
    Break(
        "a whole number that does not fit is clamped",
        ENCODE,
        "    return number if least < number <= most else least\n",
        "    return max(least + 1, min(number, most))\n",
        OF_MAP,
    ),
    Break(
        "room rounded up",
        LAYOUT,
        "_DOWN = Scaled(0.001, Form.INT32, rounds_down=True)\n",
        "_DOWN = Scaled(0.001, Form.INT32)\n",
        OF_MAP,
    ),
    Break(
        "what is overdue is told as Good",
        ENCODE,
        "    live = record is not None and validity is Validity.LIVE\n",
        "    live = record is not None and validity in (Validity.LIVE, Validity.OVERDUE)\n",
        OF_MAP,
    ),
    Break(
        "a sheet holds for ever",
        IMAGE,
        "        late = record.valid_for_s is None or elapsed_s > record.valid_for_s\n",
        "        late = False\n",
        OF_MAP,
    ),
    Break(
        "the time of a simulated site passes like the clock's",
        IMAGE,
        "        elapsed_s = max(now_ns - block.since_ns, 0) / _NS_PER_S * self._factor\n",
        "        elapsed_s = max(now_ns - block.since_ns, 0) / _NS_PER_S\n",
        OF_MAP,
    ),
    Break(
        "a simulated tank told as measured",
        ENCODE,
        '"simulated" if record.inventory.simulated else "measured"',
        '"measured"',
        OF_MAP,
    ),
    Break(
        "an alarm that is not set up told as normal",
        ENCODE,
        "ALARM_CODES[AlarmPhase.NORMAL] if kind in kinds else ALARM_NOT_SET_UP",
        "ALARM_CODES[AlarmPhase.NORMAL]",
        OF_MAP,
    ),
    Break(
        "the words of a float swapped",
        LAYOUT,
        '    "CDAB": (2, 3, 0, 1),\n',
        '    "CDAB": (0, 1, 2, 3),\n',
        OF_MAP,
    ),
    Break(
        "a heartbeat that beats without sheets",
        IMAGE,
        '            "heartbeat": self._heartbeat % 65_536,\n',
        '            "heartbeat": now_ns // _NS_PER_S % 65_536,\n',
        OF_MAP,
    ),
    Break(
        "registers of a block that is not there",
        IMAGE,
        "            if whole is None or 2 * offset >= len(whole):\n                return None\n",
        "            if whole is None or 2 * offset >= len(whole):\n                whole, offset = bytes(640), 0\n",
        OF_MAP,
    ),
    Break(
        "the first of several requests answered",
        SERVER,
        "        while answered < at_most and self._may_write and self._wire is not None:\n",
        "        while answered < 1 and self._may_write and self._wire is not None:\n",
        OF_SERVER,
    ),
    Break(
        "bytes that are no Modbus waited upon",
        SERVER,
        "        if protocol != 0 or not _LEAST <= length <= _LARGEST:\n",
        "        if not _LEAST <= length <= _LARGEST:\n",
        OF_SERVER,
    ),
    Break(
        "another unit answered as ours",
        SERVER,
        "        if unit not in UNITS:\n",
        "        if False:\n",
        OF_SERVER,
    ),
    Break(
        "answers made for one who does not read",
        SERVER,
        "        self._may_write, self._blocked_s = False, self.loop.time()\n",
        "        self._blocked_s = self.loop.time()\n",
        OF_SERVER,
    ),
    Break(
        "one address takes all the room",
        ROOM,
        "    most_of_one = max(most // 2, min(most, 2))\n",
        "    most_of_one = most\n",
        OF_SERVER,
    ),
    Break(
        "who is in no network let in",
        ROOM,
        "    return any(address in network for network in networks if network.version == address.version)\n",
        "    return True\n",
        OF_SERVER,
    ),
    Break(
        "what nobody could read counted as delivered",
        DELIVERY,
        "        elif tank in self._waiting:\n            self._lost += 1\n",
        "        elif tank in self._waiting:\n            self._delivered += 1\n",
        OF_SERVER,
    ),
    Break(
        "alarms stand as they were heard first",
        IMAGE,
        "        if self._alarms is None or site.alarms != self._alarms:\n",
        "        if self._alarms is None:\n",
        OF_MAP,
    ),
)
