"""Asks one unit for its identification over Modbus TCP, on a connection of its own."""

import asyncio
import struct

from gateway.commissioning.identity import identity_request_frame, parse_identity
from gateway.errors import BadFrameError, NoAnswerError, NoConnectionError
from gateway.modbus.exceptions import device_exception

__all__ = ["identify"]

_HEADER = struct.Struct(">HHHB")
_EXCEPTION_BIT = 0x80
_LONGEST_PDU = 253
_MOST_PARTS = 16
"""A device may send its identification in parts; one that never comes to an end is cut off."""


async def identify(host: str, port: int, unit: int, timeout_s: float) -> dict[str, str]:
    """Name and text of every object of the basic identification.

    Raises NoConnectionError, NoAnswerError, BadFrameError or DeviceExceptionError (1: it knows no identification).
    """
    try:
        async with asyncio.timeout(timeout_s):
            reader, writer = await asyncio.open_connection(host, port)
    except TimeoutError as error:
        raise NoConnectionError(f"no connection within {timeout_s:g} s") from error
    except OSError as error:
        raise NoConnectionError((error.strerror or str(error)).lower()) from error
    try:
        return await _all_parts(reader, writer, unit, timeout_s)
    finally:
        writer.transport.abort()


async def _all_parts(
    reader: asyncio.StreamReader, writer: asyncio.StreamWriter, unit: int, timeout_s: float
) -> dict[str, str]:
    found: dict[str, str] = {}
    first: int | None = 0
    for transaction in range(1, _MOST_PARTS + 1):
        if first is None:
            break
        writer.write(identity_request_frame(transaction, unit, first))
        try:
            async with asyncio.timeout(timeout_s):
                answer = await _answer(reader, transaction, unit)
        except TimeoutError as error:
            raise NoAnswerError(f"no answer within {timeout_s:g} s") from error
        except (OSError, asyncio.IncompleteReadError) as error:
            raise NoConnectionError("the peer closed the connection") from error
        part = parse_identity(answer)
        found.update(part.objects)
        first = part.next_object
    return found


async def _answer(reader: asyncio.StreamReader, transaction: int, unit: int) -> bytes:
    got_transaction, protocol, length, got_unit = _HEADER.unpack(await reader.readexactly(_HEADER.size))
    if protocol != 0 or not 2 <= length <= _LONGEST_PDU + 1:
        raise BadFrameError("what came is no Modbus TCP frame")
    pdu = await reader.readexactly(length - 1)
    if got_transaction != transaction or got_unit != unit:
        raise BadFrameError(f"unit {got_unit} answered a request to unit {unit}")
    if pdu[0] & _EXCEPTION_BIT:
        raise device_exception(pdu[1] if len(pdu) > 1 else 0)
    return pdu
