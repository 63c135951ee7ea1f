"""Pure: what the exception codes of Modbus mean."""

from gateway.errors import DeviceExceptionError

__all__ = ["EXCEPTION_MEANINGS", "device_exception"]

EXCEPTION_MEANINGS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge, still working",
    6: "server device busy",
    7: "negative acknowledge",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}
"""Modbus Application Protocol V1.1b3, section 7; code 7 is from the earlier Modbus serial guide."""


def device_exception(code: int) -> DeviceExceptionError:
    """The error for an exception code, in the words of the specification."""
    return DeviceExceptionError(code, EXCEPTION_MEANINGS.get(code, "not defined by the specification"))
