"""Breaks between the wire and the bound input: what is sent, what is read, how old it is."""

from tests.mutants.a_break import Break

__all__ = ["ACQUISITION_BREAKS"]

DECODE = "gateway/acquisition/decode.py"
LINK = "gateway/acquisition/modbus_tcp.py"
BINDING = "gateway/binding.py"
DECODING = ("tests/acquisition/test_decode.py",)
LINKING = ("tests/acquisition/test_modbus_tcp.py",)
BOUND = ("tests/test_binding.py",)

ACQUISITION_BREAKS: tuple[Break, ...] = (
    Break(
        "Bad reading decoded as zero",
        DECODE,
        "return Decoded(None, Quality.BAD, Reason(code, text))",
        "return Decoded(0.0, Quality.BAD, Reason(code, text))",
        DECODING,
    ),
    Break("words swapped", DECODE, 'ByteOrder.CDAB: ("<", "<"),', 'ByteOrder.CDAB: (">", ">"),', DECODING),
    Break("bytes swapped", DECODE, 'ByteOrder.BADC: ("<", ">"),', 'ByteOrder.BADC: (">", ">"),', DECODING),
    Break("little-endian read as big-endian", DECODE, 'DCBA: (">", "<"),', 'DCBA: (">", ">"),', DECODING),
    Break(
        "sign of a 16-bit value lost",
        DECODE,
        "return word - 0x10000 if word & 0x8000 else word",
        "return word",
        DECODING,
    ),
    Break("NE 43 failure band shifted", DECODE, "_FAILED_LOW_MA = 3.6", "_FAILED_LOW_MA = 3.5", DECODING),
    Break("NE 43 upper failure band shifted", DECODE, "_FAILED_HIGH_MA = 21.0", "_FAILED_HIGH_MA = 21.5", DECODING),
    Break("NE 43 measuring band shifted", DECODE, "_MEASURES_TO_MA = 20.5", "_MEASURES_TO_MA = 20.6", DECODING),
    Break(
        "failed current loop read as a level",
        DECODE,
        "if current <= _FAILED_LOW_MA or current >= _FAILED_HIGH_MA:",
        "if current < 0.0:",
        DECODING,
    ),
    Break("live zero of the current loop forgotten", DECODE, "(current - 4.0) * per_ma", "current * per_ma", DECODING),
    Break(
        "sentinel read as a value", DECODE, "    for number in signal.sentinels:\n", "    for number in ():\n", DECODING
    ),
    Break(
        "value out of the instrument's range taken",
        DECODE,
        "        if low <= value <= high:\n            return Decoded(value, good, None)\n",
        "        if value == value:\n            return Decoded(value, good, None)\n",
        DECODING,
    ),
    Break(
        "fault contact ignored",
        DECODE,
        "    for name in instrument_map.fault_signals:\n",
        "    for name in instrument_map.fault_signals[:0]:\n",
        DECODING,
    ),
    Break(
        "value out of range taken where a block is unpacked at one go",
        "gateway/acquisition/block_reader.py",
        "if low <= value <= high and not",
        "if value == value and not",
        ("tests/acquisition/test_block_reader.py",),
    ),
    Break(
        "sentinel read as a value where a block is unpacked at one go",
        "gateway/acquisition/block_reader.py",
        "not (special and number in special)",
        "not special == {}",
        ("tests/acquisition/test_block_reader.py",),
    ),
    Break(
        "readings of two devices with one address taken",
        "gateway/acquisition/instrument.py",
        "if not self.duplicate.text:",
        "if self.duplicate.text is not None:",
        ("tests/acquisition/test_suspicion.py",),
    ),
    Break(
        "time-out learned beyond the configured one",
        "gateway/acquisition/response_time.py",
        "self._learned_s = min(wanted, self._longest_s)",
        "self._learned_s = wanted",
        ("tests/acquisition/test_response_time.py",),
    ),
    Break(
        "a dead instrument waited for block after block",
        "gateway/acquisition/round.py",
        "if not self.heard or len(self._silent) >= _SILENCES:",
        "if len(self._silent) >= 99:",
        ("tests/acquisition/test_parts.py",),
    ),
    Break("another unit's answer accepted", LINK, "if unit != waiter.unit:", "if unit < 0:", LINKING),
    Break(
        "late answer accepted for another request",
        LINK,
        "        waiter = self._waiters.pop(transaction, None)\n        if waiter is None:",
        "        waiter = self._waiters.popitem()[1] if self._waiters else None\n        if waiter is None:",
        LINKING,
    ),
    Break(
        "transaction identifiers of late requests used again",
        LINK,
        " and transaction not in self._late:",
        ":",
        ("tests/acquisition/test_transaction_identifiers.py",),
    ),
    Break(
        "answer of another length taken",
        LINK,
        "            elif body[0] != waiter.size:",
        "            elif body[0] < 2:",
        LINKING,
    ),
    Break(
        "answer to another function taken",
        LINK,
        "elif function == waiter.function:",
        "elif function < _EXCEPTION_BIT:",
        LINKING,
    ),
    Break(
        "a register written",
        "gateway/acquisition/register_map.py",
        "Table.HOLDING_REGISTERS: 3,",
        "Table.HOLDING_REGISTERS: 6,",
        ("tests/test_layering.py", "tests/acquisition/test_golden_frames.py"),
    ),
    Break(
        "count of 0.1 mm read as millimetres",
        "config/instruments/level_by_ullage_uint32.yaml",
        "scale: 0.1, unit: mm",
        "scale: 1, unit: mm",
        ("tests/end_to_end/test_printed_state.py",),
    ),
    Break(
        "byte order of a register map wrong",
        "config/instruments/level_uint32_little_endian_and_6_int16.yaml",
        "order: DCBA",
        "order: BADC",
        ("tests/end_to_end/test_printed_state.py",),
    ),
    Break("stale reading used as fresh", BINDING, "if age_s > source.stale_after_s:", "if age_s > 1e12:", BOUND),
    Break(
        "stale reading shown Good",
        BINDING,
        's ago{cause}")\n        return Input(None, Quality.BAD, reason, age_s, source.name)',
        's ago{cause}")\n        return Input(reading.value, Quality.GOOD, None, age_s, source.name)',
        BOUND,
    ),
    Break(
        "instrument not heard, its last value still Good",
        BINDING,
        "quality=max(before.quality, Quality.UNCERTAIN)",
        "quality=before.quality",
        BOUND,
    ),
    Break(
        "what the instrument says outlived by what it said",
        BINDING,
        " or now.reason.code not in _NOT_HEARD:",
        ":",
        BOUND,
    ),
    Break(
        "expired density still Good",
        BINDING,
        "Quality.UNCERTAIN, reason, age_s, manual.origin, manual=True)\n    if manual.substitutes",
        "Quality.GOOD, reason, age_s, manual.origin, manual=True)\n    if manual.substitutes",
        BOUND,
    ),
    Break(
        "manual value in force after its expiry",
        BINDING,
        "    if manual is None or (manual.expires is not None and now >= manual.expires):\n        return None\n",
        "    if manual is None:\n        return None\n",
        BOUND,
    ),
    Break(
        "manual value in place of an instrument Good",
        BINDING,
        'value in place of an instrument")\n        return Input(manual.value, Quality.UNCERTAIN',
        'value in place of an instrument")\n        return Input(manual.value, Quality.GOOD',
        BOUND,
    ),
    Break(
        "inherited addresses are not moved",
        "gateway/settings/map_trees.py",
        "TextNode(node.place, str(address + shift))",
        "TextNode(node.place, str(address))",
        ("tests/settings/test_map_inheritance.py",),
    ),
    Break(
        "repeated values of two registers stand one register apart",
        "gateway/settings/map_trees.py",
        "        return ValueType(kind.text).registers\n",
        "        return 1\n",
        ("tests/settings/test_map_inheritance.py", "tests/settings/test_instrument_maps.py"),
    ),
    Break(
        "a signal that is left out is inherited all the same",
        "gateway/settings/map_trees.py",
        "            whole.items.pop(name, None)\n",
        "",
        ("tests/settings/test_map_inheritance.py",),
    ),
    Break(
        "a request whose connection broke is not asked over another",
        "gateway/acquisition/several.py",
        "            if not self.connected:\n                raise\n        return await",
        "            raise\n        return await",
        ("tests/acquisition/test_several.py",),
    ),
    Break(
        "more requests than the open connections bear",
        "gateway/acquisition/line.py",
        "                if self._plan.connections > 1:\n                    await self._room()\n",
        "",
        ("tests/acquisition/test_several.py",),
    ),
    Break(
        "a forgotten connection is kept",
        "gateway/acquisition/several.py",
        "                await self._doubt(member)\n",
        "                pass\n",
        ("tests/acquisition/test_several.py",),
    ),
    Break(
        "a connection that is refused is tried again at once",
        "gateway/acquisition/several.py",
        "member.retry_at_s = asyncio.get_running_loop().time() + member.backoff.after_failure() / 1e9",
        "member.retry_at_s = asyncio.get_running_loop().time()",
        ("tests/acquisition/test_several.py",),
    ),
)
