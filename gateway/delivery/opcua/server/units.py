"""Pure: units of the gateway as EUInformation of OPC UA: codes of UNECE Recommendation 20, and their UnitId.

OPC 10000-8, 5.6.4: the UnitId is the common code of one to three characters, read as the bytes of a number, the first
the greatest.
"""

from typing import NamedTuple

__all__ = ["UNECE_NAMESPACE", "UNITS", "Unit", "unit_id"]

UNECE_NAMESPACE = "http://www.opcfoundation.org/UA/units/un/cefact"
_LONGEST = 3


class Unit(NamedTuple):
    code: str
    """UNECE Recommendation 20, common code."""
    symbol: str
    name: str


UNITS: dict[str, Unit] = {
    "m": Unit("MTR", "m", "metre"),
    "degC": Unit("CEL", "°C", "degree Celsius"),
    "m3": Unit("MTQ", "m³", "cubic metre"),
    "kg": Unit("KGM", "kg", "kilogram"),
    "kg/m3": Unit("KMQ", "kg/m³", "kilogram per cubic metre"),
    "Pa": Unit("PAL", "Pa", "pascal"),
    "m3/s": Unit("MQS", "m³/s", "cubic metre per second"),
    "m/s": Unit("MTS", "m/s", "metre per second"),
    "1": Unit("C62", "1", "one"),
}
"""By the symbols of the gateway."""


def unit_id(code: str) -> int:
    """The number of a common code. Raises ValueError for what is none."""
    if not 1 <= len(code) <= _LONGEST or not code.isascii():
        raise ValueError(f"'{code}' is no common code of one to three characters")
    return int.from_bytes(code.encode("ascii"))
