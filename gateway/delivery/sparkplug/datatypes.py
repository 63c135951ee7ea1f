"""Pure: the data types and quality codes of Sparkplug B that are used here, by the numbers of its tables (3.0, 6.4)."""

from enum import IntEnum

__all__ = ["BDSEQ_MODULO", "QUALITY_BAD", "QUALITY_GOOD", "QUALITY_STALE", "DataType"]

QUALITY_BAD, QUALITY_GOOD, QUALITY_STALE = 0, 192, 500
BDSEQ_MODULO = 256
"""The number of a connection, by which a death belongs to its birth, goes round."""


class DataType(IntEnum):
    INT32 = 3
    INT64 = 4
    UINT64 = 8
    DOUBLE = 10
    BOOLEAN = 11
    STRING = 12
    DATE_TIME = 13
    """Milliseconds since 1970, UTC."""
