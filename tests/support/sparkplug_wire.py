"""The messages of Sparkplug B read from their bytes by hand: fields and wire types of protocol buffers, and nothing of
the program. Field numbers are those of the specification's table (3.0, section 6.4.1)."""

import struct
from typing import Any

__all__ = ["decoded", "encoded_command"]

_PAYLOAD = {1: "timestamp", 2: ("metrics", "metric"), 3: "seq"}
_METRIC = {
    1: "name:text",
    2: "alias",
    3: "timestamp",
    4: "datatype",
    5: "is_historical",
    7: "is_null",
    9: ("properties", "properties"),
    10: "int_value",
    11: "long_value",
    12: "float_value",
    13: "double_value",
    14: "boolean_value",
    15: "string_value:text",
}
_PROPERTIES = {1: ("keys", "text"), 2: ("values", "property")}
_PROPERTY = {
    1: "type",
    2: "is_null",
    3: "int_value",
    4: "long_value",
    5: "float_value",
    6: "double_value",
    7: "boolean_value",
    8: "string_value:text",
}
_TABLES: dict[str, dict[int, Any]] = {
    "payload": _PAYLOAD,
    "metric": _METRIC,
    "properties": _PROPERTIES,
    "property": _PROPERTY,
}
_MANY = ("metrics", "keys", "values")


def decoded(data: bytes, kind: str = "payload") -> dict[str, Any]:
    """Members by their names, lists where a field repeats; an unknown field is an error."""
    found: dict[str, Any] = {}
    position = 0
    while position < len(data):
        key, position = _varint(data, position)
        number, wire = key >> 3, key & 7
        value: Any
        if wire == 0:
            value, position = _varint(data, position)
        elif wire == 1:
            value, position = struct.unpack_from("<d", data, position)[0], position + 8
        elif wire == 2:
            length, position = _varint(data, position)
            value, position = data[position : position + length], position + length
            assert len(value) == length
        elif wire == 5:
            value, position = struct.unpack_from("<f", data, position)[0], position + 4
        else:
            raise AssertionError(f"wire type {wire}")
        _put(found, _TABLES[kind][number], value)
    return found


def _put(found: dict[str, Any], entry: Any, value: Any) -> None:
    name, inner = entry if isinstance(entry, tuple) else (entry, None)
    if inner == "text" or name.endswith(":text"):
        name, value = name.removesuffix(":text"), value.decode("utf-8")
    elif inner is not None:
        value = decoded(value, inner)
    if name in _MANY:
        found.setdefault(name, []).append(value)
    else:
        assert name not in found, name
        found[name] = value


def _varint(data: bytes, position: int) -> tuple[int, int]:
    value = shift = 0
    while True:
        byte = data[position]
        position += 1
        value |= (byte & 0x7F) << shift
        if byte < 0x80:
            return value, position
        shift += 7


def encoded_command(name: str, *, boolean: bool | None = None, text: str | None = None, time_ms: int = 1) -> bytes:
    """An NCMD of one metric."""
    metric = _field(1, name.encode()) + _number(3, time_ms)
    if boolean is not None:
        metric += _number(14, int(boolean))
    if text is not None:
        metric += _field(15, text.encode())
    return _number(1, time_ms) + _field(2, metric)


def _field(number: int, data: bytes) -> bytes:
    return _bytes_of(number << 3 | 2) + _bytes_of(len(data)) + data


def _number(number: int, value: int) -> bytes:
    return _bytes_of(number << 3) + _bytes_of(value)


def _bytes_of(value: int) -> bytes:
    made = bytearray()
    while value > 0x7F:
        made.append(value & 0x7F | 0x80)
        value >>= 7
    made.append(value)
    return bytes(made)
