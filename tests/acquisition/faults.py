"""Ways in which a Modbus TCP peer goes wrong, as handlers of the tests' own peer, and what each must be taken for."""

import asyncio
import socket

from gateway.errors import BadFrameError, LinkError, NoAnswerError, NoConnectionError
from tests.acquisition.peer import Handler, Request, adu, answer, answer_pdu, exception


async def silence(request: Request, writer: asyncio.StreamWriter) -> None:
    pass


async def wrong_unit(request: Request, writer: asyncio.StreamWriter) -> None:
    writer.write(adu(request.transaction, request.unit + 1, answer_pdu(request, [0] * request.size)))


async def wrong_transaction(request: Request, writer: asyncio.StreamWriter) -> None:
    writer.write(adu(request.transaction ^ 0x5555, request.unit, answer_pdu(request, [0] * request.size)))


async def wrong_protocol(request: Request, writer: asyncio.StreamWriter) -> None:
    writer.write(adu(request.transaction, request.unit, answer_pdu(request, [0] * request.size), protocol=1))


async def wrong_function(request: Request, writer: asyncio.StreamWriter) -> None:
    writer.write(answer(request._replace(function=7 - request.function)))


async def wrong_exception_function(request: Request, writer: asyncio.StreamWriter) -> None:
    writer.write(exception(request._replace(function=7 - request.function), 2))


async def too_few_registers(request: Request, writer: asyncio.StreamWriter) -> None:
    writer.write(answer(request, [7] * (request.size - 1)))


async def too_many_registers(request: Request, writer: asyncio.StreamWriter) -> None:
    writer.write(answer(request, [7] * (request.size + 1)))


async def byte_count_against_length(request: Request, writer: asyncio.StreamWriter) -> None:
    pdu = answer_pdu(request, [7] * request.size)
    writer.write(adu(request.transaction, request.unit, pdu[:1] + bytes([pdu[1] - 1]) + pdu[2:]))


async def long_exception(request: Request, writer: asyncio.StreamWriter) -> None:
    writer.write(adu(request.transaction, request.unit, bytes([request.function | 0x80, 2, 2])))


async def length_of_nothing(request: Request, writer: asyncio.StreamWriter) -> None:
    writer.write(adu(request.transaction, request.unit, answer_pdu(request, [7]), length=2))


async def length_beyond_the_limit(request: Request, writer: asyncio.StreamWriter) -> None:
    writer.write(adu(request.transaction, request.unit, answer_pdu(request, [7]), length=255))


async def truncated(request: Request, writer: asyncio.StreamWriter) -> None:
    writer.write(answer(request)[:-1])


async def header_only(request: Request, writer: asyncio.StreamWriter) -> None:
    writer.write(answer(request)[:7])


async def text(request: Request, writer: asyncio.StreamWriter) -> None:
    writer.write(b"login: \r\npassword: ")


async def closes(request: Request, writer: asyncio.StreamWriter) -> None:
    writer.close()


async def closes_within_the_answer(request: Request, writer: asyncio.StreamWriter) -> None:
    writer.write(answer(request)[:9])
    writer.close()


async def resets(request: Request, writer: asyncio.StreamWriter) -> None:
    connection = writer.get_extra_info("socket")
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
    writer.transport.abort()


async def flood(request: Request, writer: asyncio.StreamWriter) -> None:
    frame = answer(request._replace(transaction=request.transaction ^ 0x5555))
    writer.write(frame * 20_000)


# The handler, which error, its words, and whether the connection is kept. For deadlines of 0.05 s.
FAULTS: list[tuple[Handler, type[LinkError], str, bool]] = [
    (silence, NoAnswerError, "no answer within 0.05 s", True),
    (wrong_transaction, BadFrameError, "which was never sent", False),
    (wrong_unit, BadFrameError, "unit 18 answered a request to unit 17", True),
    (wrong_function, BadFrameError, "function 4 answered a request for function 3", True),
    (wrong_exception_function, BadFrameError, "function 132 answered a request for function 3", True),
    (too_few_registers, BadFrameError, "2 bytes of data where 4 were asked for", True),
    (too_many_registers, BadFrameError, "6 bytes of data where 4 were asked for", True),
    (wrong_protocol, BadFrameError, "protocol identifier 1 instead of 0", False),
    (byte_count_against_length, BadFrameError, "byte count 3 in a frame that carries 4 bytes", False),
    (long_exception, BadFrameError, "exception reply of 2 bytes instead of 1", False),
    (length_of_nothing, BadFrameError, "frame length 2", False),
    (length_beyond_the_limit, BadFrameError, "frame length 255", False),
    (truncated, BadFrameError, "the answer broke off after 12 bytes", False),
    (header_only, BadFrameError, "the answer broke off after 7 bytes", False),
    (text, BadFrameError, "protocol identifier", False),
    (closes, NoConnectionError, "the peer closed the connection", False),
    (closes_within_the_answer, NoConnectionError, "the peer closed the connection", False),
    (resets, NoConnectionError, "the connection broke", False),
    (flood, BadFrameError, "which was never sent", False),
]
# Those that show only when the deadline has passed.
DEADLINE_MUST_PASS = (silence, truncated, header_only)
