"""Pure: what a request that brought no values says about the instrument, and the reasons of that and of a connection
that is not there."""

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
from gateway.records import Reason, ReasonCode, because

__all__ = [
    "CLOSED",
    "Failure",
    "connection_lost",
    "failure_of",
    "never_connected",
    "not_connected",
    "nothing_answered",
    "request_failed",
]

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


def request_failed(exc: LinkError, instrument: str, registers: str) -> Reason:
    """The reason of the readings that the request for `registers` was to bring."""
    return because(
        _code_of(exc),
        "{instrument}: {cause} (reading {registers})",
        instrument=instrument,
        cause=str(exc),
        registers=registers,
    )


def _code_of(exc: LinkError) -> ReasonCode:
    if isinstance(exc, DeviceExceptionError):
        return _OF_EXCEPTIONS.get(exc.code, ReasonCode.DEVICE_EXCEPTION)
    return next(_CODES[kind] for kind in type(exc).__mro__ if kind in _CODES)


CLOSED = because(ReasonCode.NO_CONNECTION, "the peer closed the connection")


def never_connected(line: str) -> Reason:
    return because(ReasonCode.NO_CONNECTION, "line {line} has not been connected yet", line=line)


def not_connected(line: str, peer: str, exc: LinkError) -> Reason:
    return because(
        ReasonCode.NO_CONNECTION,
        "line {line} ({peer}) is not connected: {cause}",
        line=line,
        peer=peer,
        cause=str(exc),
    )


def connection_lost(line: str, peer: str, cause: Reason) -> Reason:
    return because(
        ReasonCode.NO_CONNECTION,
        "line {line} ({peer}) lost its connection: {cause}",
        line=line,
        peer=peer,
        cause=cause,
    )


def nothing_answered(polls: int) -> Reason:
    """Why a connection is given up: as many polls in a row brought nothing."""
    return because(ReasonCode.NO_ANSWER, "nothing answered {polls} polls in a row", polls=polls)
