"""What a host asks of this node, read from any bytes: for a birth, and nothing else is ever obeyed."""

from typing import Any, NamedTuple

from gateway.delivery.sparkplug.datatypes import DataType
from gateway.delivery.sparkplug.definition import DecodeError, Payload
from gateway.delivery.sparkplug.names import BDSEQ, BOOT, REBIRTH

__all__ = ["Asked", "read_birth_boot", "read_command", "read_death"]

_LARGEST = 65_536
"""Bytes: a command and a death are some tens, a birth of a node some thousands. What is more is not read at all: a
second for each ten million would be everybody's."""


class Asked(NamedTuple):
    rebirth: bool
    others: bool
    """Whether anything else is asked for, or nothing that can be read."""


def read_command(payload: bytes) -> Asked:
    """Whatever it is: nothing is raised."""
    if len(payload) > _LARGEST:
        return Asked(False, True)
    try:
        asked = [_is_rebirth(metric) for metric in Payload.FromString(payload).metrics]
    except (DecodeError, ValueError):  # UnicodeDecodeError is one
        return Asked(False, True)
    return Asked(any(asked), not all(asked) or not asked)


def _is_rebirth(metric: Any) -> bool:
    """Whether it is the one thing that is obeyed: a value of another type is not compatible with it."""
    return metric.name == REBIRTH and metric.datatype in (0, DataType.BOOLEAN) and bool(metric.boolean_value)


def read_birth_boot(payload: bytes) -> str | None:
    """Which start of which gateway has been born there, by whatever bytes; None: no gateway of ours."""
    found = _value(payload, BOOT, "string_value")
    return found if isinstance(found, str) else None


def read_death(payload: bytes) -> int | None:
    """Which connection has ended."""
    found = _value(payload, BDSEQ, "long_value")
    return found if isinstance(found, int) else None


def _value(payload: bytes, name: str, field: str) -> object:
    if len(payload) > _LARGEST:
        return None
    try:
        for metric in Payload.FromString(payload).metrics:
            if metric.name == name and metric.HasField(field):
                return getattr(metric, field)
    except (DecodeError, ValueError):
        return None
    return None
