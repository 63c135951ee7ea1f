"""Pure: what a request that brought no values says about the instrument, and under which reason."""

from enum import Enum

from gateway.errors import (
    AnswersShiftedError,
    BadFrameError,
    DeviceExceptionError,
    EarlierAnswerError,
    LinkError,
    NoAnswerError,
    NoConnectionError,
)
from gateway.records import ReasonCode

__all__ = ["Failure", "failure_of", "reason_code_of"]

_CODES: dict[type[LinkError], ReasonCode] = {
    NoConnectionError: ReasonCode.NO_CONNECTION,
    NoAnswerError: ReasonCode.NO_ANSWER,
    BadFrameError: ReasonCode.BAD_FRAME,
    EarlierAnswerError: ReasonCode.BAD_FRAME,
    AnswersShiftedError: ReasonCode.ANSWERS_SHIFTED,
    DeviceExceptionError: ReasonCode.DEVICE_EXCEPTION,
}
_OF_EXCEPTIONS = {
    5: ReasonCode.DEVICE_STILL_WORKING,
    6: ReasonCode.DEVICE_BUSY,
    10: ReasonCode.PATH_UNAVAILABLE,
    11: ReasonCode.TARGET_SILENT,
}
"""Those that say nothing about the value: MODBUS Application Protocol V1.1b3, section 7."""


class Failure(Enum):
    SILENT = "nobody answered, or a gateway for an instrument that did not"
    REFUSED = "the device refuses the request, as it will the next time"
    REFUSED_PART = "the device refuses an address of it, or so many"
    SPOILED = "something came that says nothing of the next time"
    BROKEN = "something came that is no whole frame, or that of another"


_SILENCE_BY_EXCEPTION = frozenset({10, 11})
_REFUSALS = {1: Failure.REFUSED, 2: Failure.REFUSED_PART, 3: Failure.REFUSED_PART}


def failure_of(exc: LinkError) -> Failure:
    """While the connection stands."""
    if isinstance(exc, NoAnswerError):
        return Failure.SILENT
    if isinstance(exc, DeviceExceptionError):
        return Failure.SILENT if exc.code in _SILENCE_BY_EXCEPTION else _REFUSALS.get(exc.code, Failure.SPOILED)
    return Failure.BROKEN if type(exc) is BadFrameError else Failure.SPOILED


def reason_code_of(exc: LinkError) -> ReasonCode:
    if isinstance(exc, DeviceExceptionError):
        return _OF_EXCEPTIONS.get(exc.code, ReasonCode.DEVICE_EXCEPTION)
    return next(_CODES[kind] for kind in type(exc).__mro__ if kind in _CODES)
