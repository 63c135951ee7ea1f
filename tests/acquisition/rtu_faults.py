"""Ways in which an instrument on an RTU line goes wrong, as handlers of the tests' own peer; what each is taken
for, with deadlines of 0.05 s.
"""

import asyncio

from gateway.errors import BadFrameError, LinkError, NoAnswerError
from tests.acquisition.wire_peer import Asked, Handler, Wire, answer, rtu


async def trickle(asked: Asked, wire: Wire) -> None:
    for byte in answer(asked):
        wire.send(bytes([byte]))
        await asyncio.sleep(0.001)


async def echo_and_answer(asked: Asked, wire: Wire) -> None:
    request = rtu(bytes([asked.unit, asked.function]) + asked.address.to_bytes(2) + asked.size.to_bytes(2))
    wire.send(request[:3])
    await asyncio.sleep(0.001)
    wire.send(request[3:] + answer(asked))


async def silence(asked: Asked, wire: Wire) -> None:
    pass


async def other_unit(asked: Asked, wire: Wire) -> None:
    wire.send(answer(asked._replace(unit=asked.unit + 1)))


async def other_function(asked: Asked, wire: Wire) -> None:
    wire.send(answer(asked._replace(function=7 - asked.function)))


async def other_count(asked: Asked, wire: Wire) -> None:
    wire.send(answer(asked._replace(size=asked.size - 1)))


async def wrong_sum(asked: Asked, wire: Wire) -> None:
    frame = answer(asked)
    wire.send(frame[:-1] + bytes([frame[-1] ^ 1]))


async def truncated(asked: Asked, wire: Wire) -> None:
    wire.send(answer(asked)[:-3])


async def glued(asked: Asked, wire: Wire) -> None:
    wire.send(answer(asked) + answer(asked._replace(address=0)))


async def garbage(asked: Asked, wire: Wire) -> None:
    wire.send(b"\xff\x00\xff\x00")


async def another_master(asked: Asked, wire: Wire) -> None:
    wire.send(rtu(bytes.fromhex("05 03 0000 0002")))


async def wrong_sum_in_two_pieces(asked: Asked, wire: Wire) -> None:
    frame = answer(asked._replace(unit=asked.unit + 1))
    wire.send(frame[:2])
    await asyncio.sleep(0.002)
    wire.send(frame[2:])


# The handler, which error and its words.
FAULTS: list[tuple[Handler, type[LinkError], str]] = [
    (silence, NoAnswerError, "no answer within 0.05 s"),
    (other_unit, BadFrameError, "unit 2 answered a request to unit 1"),
    (other_function, BadFrameError, "function 4 answered a request for function 3"),
    (other_count, BadFrameError, "2 bytes of data where 4 were asked for"),
    (wrong_sum, BadFrameError, "wrong check sum"),
    (truncated, BadFrameError, "the answer broke off after 6 of 9 bytes"),
    (glued, BadFrameError, "18 bytes came where an answer of 9 was awaited"),
    (garbage, BadFrameError, "unit 255 answered"),
    (another_master, BadFrameError, "a request to unit 5 was heard: another master is on the line|unit 5 answered"),
    (wrong_sum_in_two_pieces, BadFrameError, "unit 2 answered a request to unit 1"),
]
