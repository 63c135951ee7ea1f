"""Metrics to the bytes of a message. Says nothing of who sends it when, and reads no clock.

Aliases: a birth has the name of each metric and a number for it, and data have the number alone, which is a fifth of
the bytes. In data a property that is left out has its usual value: Good, and entered by nobody. The type is told with
data too, which the specification advises against: readers that are in use find no value without it.
"""

from collections.abc import Collection, Iterable
from typing import Any

from gateway.delivery.sparkplug.aliases import Aliases
from gateway.delivery.sparkplug.datatypes import QUALITY_GOOD, DataType
from gateway.delivery.sparkplug.definition import Payload
from gateway.delivery.sparkplug.metrics import Metric
from gateway.delivery.sparkplug.names import BDSEQ, REBIRTH

__all__ = ["birth", "data", "death", "device_death", "node_birth"]

_QUALITY = "Quality"
_FIELDS = {
    DataType.INT32: "int_value",
    DataType.INT64: "long_value",
    DataType.UINT64: "long_value",
    DataType.DOUBLE: "double_value",
    DataType.BOOLEAN: "boolean_value",
    DataType.STRING: "string_value",
    DataType.DATE_TIME: "long_value",
}
_SIGNED = {DataType.INT32: 1 << 32, DataType.INT64: 1 << 64}
"""Negative numbers go as two's complement into fields without a sign (3.0, section 6.4.16)."""


def node_birth(
    metrics: Iterable[Metric], aliases: Aliases, bdseq: int, seq: int, time_ms: int, *, simulated: bool
) -> bytes:
    """NBIRTH, with what every host needs: the number of this connection, and the way to ask for a birth."""
    payload = _payload(time_ms, seq)
    number = payload.metrics.add(name=BDSEQ, alias=aliases.of("", BDSEQ), timestamp=time_ms, datatype=DataType.INT64)
    number.long_value = bdseq
    # No alias: a host must be able to ask before it has seen a birth.
    payload.metrics.add(name=REBIRTH, timestamp=time_ms, datatype=DataType.BOOLEAN).boolean_value = False
    return _born(payload, metrics, aliases, "", simulated)


def birth(
    device: str, metrics: Iterable[Metric], aliases: Aliases, seq: int, time_ms: int, *, simulated: bool
) -> bytes:
    """DBIRTH."""
    return _born(_payload(time_ms, seq), metrics, aliases, device, simulated)


def data(
    device: str,
    metrics: Iterable[Metric],
    aliases: Aliases,
    seq: int,
    time_ms: int,
    *,
    simulated: bool,
    historical: bool = False,
    now_good: Collection[str] = (),
) -> bytes:
    """DDATA, and NDATA where no device is named. `now_good`: metrics that are Good and were not when last told."""
    payload = _payload(time_ms, seq)
    for metric in metrics:
        name, datatype = metric.definition[:2]
        told = payload.metrics.add(alias=aliases.of(device, name), timestamp=metric.time_ms, datatype=datatype)
        if historical:
            told.is_historical = True
        _tell_value(told, metric)
        properties = None
        if metric.quality != QUALITY_GOOD or metric.reasons or name in now_good:
            properties = told.properties
            _tell_quality(properties, metric)
        if metric.manual:
            _property(told.properties, "manual", DataType.BOOLEAN, metric.manual)
        if simulated:
            _property(told.properties, "simulated", DataType.BOOLEAN, simulated)
    return _bytes(payload)


def death(bdseq: int) -> bytes:
    """NDEATH: nothing but the number of the connection. No time, since the server says it long after it was made."""
    payload = Payload()
    payload.metrics.add(name=BDSEQ, datatype=DataType.INT64).long_value = bdseq
    return _bytes(payload)


def device_death(seq: int, time_ms: int) -> bytes:
    """DDEATH."""
    return _bytes(_payload(time_ms, seq))


def _payload(time_ms: int, seq: int) -> Any:
    return Payload(timestamp=time_ms, seq=seq)


def _born(payload: Any, metrics: Iterable[Metric], aliases: Aliases, device: str, simulated: bool) -> bytes:
    for metric in metrics:
        name, datatype, unit, title = metric.definition
        told = payload.metrics.add(
            name=name, alias=aliases.of(device, name), timestamp=metric.time_ms, datatype=datatype
        )
        _tell_value(told, metric)
        _tell_quality(told.properties, metric)
        if unit:
            _property(told.properties, "unit", DataType.STRING, unit)
        if title:
            _property(told.properties, "title", DataType.STRING, title)
        if metric.manual:
            _property(told.properties, "manual", DataType.BOOLEAN, metric.manual)
        if simulated:
            _property(told.properties, "simulated", DataType.BOOLEAN, simulated)
    return _bytes(payload)


def _tell_value(told: Any, metric: Metric) -> None:
    value, datatype = metric.value, metric.definition.datatype
    if value is None:
        told.is_null = True
        return
    if datatype in _SIGNED and value < 0:  # type: ignore[operator]
        value += _SIGNED[datatype]  # type: ignore[operator]
    setattr(told, _FIELDS[datatype], value)


def _tell_quality(properties: Any, metric: Metric) -> None:
    _property(properties, _QUALITY, DataType.INT32, metric.quality)
    if metric.stated != "Good":
        _property(properties, "stated_quality", DataType.STRING, metric.stated)
    if metric.reasons:
        _property(properties, "reason", DataType.STRING, metric.reasons[0].text)
        _property(properties, "reason_code", DataType.STRING, metric.reasons[0].code.value)


def _property(properties: Any, key: str, datatype: DataType, value: Any) -> None:
    properties.keys.append(key)
    told = properties.values.add(type=datatype)
    setattr(told, _FIELDS[datatype], value)


def _bytes(payload: Any) -> bytes:
    made: bytes = payload.SerializeToString()
    return made
