"""Every fault of a simulated instrument, as a client sees it on a real socket."""

import asyncio
import math
import re
import struct

import pytest

from simulators import Running, ScenarioError, load_scenario, make_fault, serve
from simulators.faults import FAULTS, Fault, Offset, OpenElement
from tests.simulators.wire import PATIENCE_S, Wire, eventually, read_request, wire_to

SCENARIO = load_scenario("printed_state")
FREE = dict.fromkeys(SCENARIO.lines, 0)
HEALTHY_ELEMENTS = [141, 143, 148, 156, 192]


async def registers(wire: Wire, unit: int, function: int, start: int, count: int) -> list[int]:
    pdu = await wire.ask(unit, function, start, count)
    assert pdu[:2] == bytes((function, 2 * count))
    return list(struct.unpack(f">{count}H", pdu[2:]))


async def elements(wire: Wire) -> list[int]:
    return await registers(wire, 2, 4, 0, 5)


async def ullage(wire: Wire) -> int:
    high, low = await registers(wire, 1, 3, 0, 2)
    return high << 16 | low


async def test_open_and_short_elements() -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running, wire_to(running.addresses["bus-a"]) as wire:
        running.set_fault("TT-101", OpenElement(element=2))
        assert await elements(wire) == [141, 32767, 148, 156, 192]
        running.set_fault("TT-101", "short_element", element=4)
        assert await elements(wire) == [141, 143, 148, 32768, 192]
        running.clear_fault("TT-101")
        assert await elements(wire) == HEALTHY_ELEMENTS
        running.set_fault("TT-3", "open_element", element=1)
        assert math.isnan(struct.unpack(">f", (await wire.ask(12, 4, 0, 2))[2:])[0])


async def test_open_loop_falls_below_the_failure_limit() -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running, wire_to(running.addresses["yard-2"]) as wire:
        running.set_fault("IO-BO5", "open_element", signal="innage")
        assert (await registers(wire, 7, 4, 0, 1))[0] <= 3600
        running.set_fault("IO-BO5", "short_element", signal="innage")
        assert (await registers(wire, 7, 4, 0, 1))[0] >= 21000
        assert await registers(wire, 7, 4, 8, 3) == [386, 394, 290]


async def test_frozen_keeps_the_value_of_its_beginning() -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running, wire_to(running.addresses["bus-a"]) as wire:
        running.tank("TK-101").set_level(9.0)
        running.set_fault("LT-101", "frozen")
        running.tank("TK-101").set_flow(200.0)
        running.advance(300.0)
        assert await ullage(wire) == 62400
        running.clear_fault("LT-101")
        assert await ullage(wire) == round((15.240 - running.tank("TK-101").level_m) * 10000) != 62400


async def test_offset_of_one_signal() -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running, wire_to(running.addresses["bus-a"]) as wire:
        running.set_fault("LT-101", Offset(signal="ullage", amount=0.050))
        assert await ullage(wire) == 58780
        running.set_fault("TT-101", "offset", signal="t3", amount="-2 K")
        assert await elements(wire) == [141, 143, 128, 156, 192]


async def test_ullage_and_innage_swapped() -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running:
        running.set_fault("LT-101", "swapped_level")
        running.set_fault("XT-P12", "swapped_level")
        async with wire_to(running.addresses["bus-a"]) as wire:
            assert await ullage(wire) == 94120
        async with wire_to(running.addresses["yard-2"]) as wire:
            innage = struct.unpack("<I", struct.pack(">2H", *await registers(wire, 6, 3, 0, 2)))[0]
            assert innage == 14000 - 9310


async def test_words_swapped() -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running, wire_to(running.addresses["power"]) as wire:
        right = await registers(wire, 21, 3, 0, 4)
        running.set_fault("LT-F1", "word_swap")
        assert await registers(wire, 21, 3, 0, 4) == right[::-1] != right


async def test_not_a_number_and_its_like() -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running:
        running.set_fault("LT-3", "not_a_number", signal="innage")
        running.set_fault("LT-101", "not_a_number")
        async with wire_to(running.addresses["bus-a"]) as wire:
            innage, water = struct.unpack(">2f", (await wire.ask(11, 4, 0, 4))[2:])
            assert math.isnan(innage)
            assert water == pytest.approx(0.018)
            assert await ullage(wire) == 0xFFFFFFFF


async def test_exception_reply_of_any_code() -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running, wire_to(running.addresses["bus-a"]) as wire:
        for code in (1, 2, 4, 5, 6, 10, 11):
            running.set_fault("LT-101", "exception", code=code)
            assert await wire.ask(1, 3, 0, 2) == bytes((0x83, code))
        assert await elements(wire) == HEALTHY_ELEMENTS


async def test_silence_leaves_the_neighbours_alone() -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running, wire_to(running.addresses["bus-a"]) as wire:
        running.set_fault("LT-101", "silence")
        wire.send(read_request(1, 1, 3, 0, 2) + read_request(2, 2, 4, 0, 5))
        assert (await wire.frame())[:2] == b"\x00\x02"
        running.clear_fault("LT-101")
        assert await ullage(wire) == 58280


async def test_slow_answers_come_late_and_in_order() -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running, wire_to(running.addresses["bus-a"]) as wire:
        running.set_fault("LT-101", "slow", delay_s=0.05)
        wire.send(read_request(1, 1, 3, 0, 2) + read_request(2, 2, 4, 0, 5) + read_request(3, 1, 3, 0, 2))
        assert [(await wire.frame())[1] for _ in range(3)] == [1, 2, 3]
        async with wire_to(running.addresses["bus-a"]) as other:
            running.set_fault("LT-101", "slow", delay_s=60.0)
            wire.send(read_request(4, 1, 3, 0, 2))
            assert await elements(other) == HEALTHY_ELEMENTS, "another connection does not wait"
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.05):
                await wire.frame()


@pytest.mark.parametrize("how", ["bytes", "length", "count", "transaction", "unit", "function"])
async def test_garbled_frames(how: str) -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running, wire_to(running.addresses["bus-a"]) as wire:
        wire.send(read_request(0x0102, 2, 4, 0, 5))
        right = await wire.frame()
        running.set_fault("TT-101", "garbled", how=how)
        wire.send(read_request(0x0102, 2, 4, 0, 5))
        wrong = await wire.frame()
        header, wrong_header = struct.unpack(">HHHBB", right[:8]), struct.unpack(">HHHBB", wrong[:8])
        changed = [index for index in range(5) if header[index] != wrong_header[index]]
        expected = {"bytes": [], "length": [2], "count": [2], "transaction": [0], "unit": [3], "function": [4]}
        assert changed == expected[how]
        if how == "bytes":
            assert wrong[:9] == right[:9]
            assert all(ours != theirs for ours, theirs in zip(right[9:], wrong[9:], strict=True))
        if how == "count":
            assert wrong[8] == right[8] - 2
            assert wrong[9:] == right[9:-2]
        if how == "length":
            assert await wire.reader.readexactly(1) == right[-1:]


async def test_truncated_frame_ends_the_connection() -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running, wire_to(running.addresses["bus-a"]) as wire:
        running.set_fault("TT-101", "garbled", how="truncated")
        wire.send(read_request(1, 2, 4, 0, 5))
        assert len(await wire.rest()) == 9 + 10 - 3


@pytest.mark.parametrize(("half", "expected"), [(False, 0), (True, (9 + 10) // 2)])
async def test_dropped_connection(half: bool, expected: int) -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running:
        running.set_fault("TT-101", "dropped_connection", half_answered=half)
        async with wire_to(running.addresses["bus-a"]) as wire:
            wire.send(read_request(1, 2, 4, 0, 5))
            assert len(await wire.rest()) == expected
        async with wire_to(running.addresses["bus-a"]) as wire:
            assert await ullage(wire) == 58280


async def test_refused_connection_closes_the_line_and_comes_back() -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running:
        address = running.addresses["bus-a"]
        async with wire_to(address) as wire:
            running.set_fault("TT-101", "refused_connection")
            assert await wire.rest() == b""
        with pytest.raises(ConnectionRefusedError):
            await asyncio.open_connection(*address)
        async with wire_to(running.addresses["power"]) as wire:
            assert (await wire.ask(21, 3, 0, 4))[0] == 3
        running.clear_fault("TT-101")
        await eventually(lambda: running.lines["bus-a"].listening)
        assert running.addresses["bus-a"] == address
        async with wire_to(address) as wire:
            assert await elements(wire) == HEALTHY_ELEMENTS


async def test_refused_line_waits_for_its_port() -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running:
        host, port = running.addresses["bus-a"]
        running.set_fault("LT-101", "refused_connection")
        squatter = await asyncio.start_server(lambda _, writer: writer.close(), host, port)
        running.clear_fault("LT-101")
        await asyncio.sleep(0)
        squatter.close()
        await squatter.wait_closed()
        await eventually(lambda: running.lines["bus-a"].listening)
        async with wire_to((host, port)) as wire:
            assert await ullage(wire) == 58280


async def test_duplicate_address_alternates() -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running, wire_to(running.addresses["bus-a"]) as wire:
        running.set_fault("LT-101", "duplicate_address", factor=0.5)
        assert [await ullage(wire) for _ in range(6)] == [58280, 29140] * 3
        running.clear_fault("LT-101")
        assert [await ullage(wire) for _ in range(3)] == [58280] * 3


async def test_every_named_fault_changes_what_a_client_sees() -> None:
    needed: dict[str, dict[str, object]] = {"offset": {"signal": "innage", "amount": 0.5}, "slow": {"delay_s": 60.0}}
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running:
        healthy = await seen(running)
        for name in FAULTS:
            running.set_fault("XT-204", name, **needed.get(name, {}))
            if name == "frozen":
                running.tank("TK-204").set_level(3.0)
                assert await seen(running) == healthy
                running.tank("TK-204").set_level(8.236)
            else:
                assert await seen(running, 0.1 if name == "slow" else PATIENCE_S) != healthy, name
            running.clear_fault("XT-204")
            await eventually(lambda: running.lines["yard-1"].listening)
            assert await seen(running) == healthy, name


async def seen(running: Running, patience_s: float = PATIENCE_S) -> list[bytes]:
    """What two readings of XT-204 bring, each up to the answer of the neighbour asked behind it."""
    neighbour_ends = bytes.fromhex("03 02 D1 3F")
    replies = []
    for _ in range(2):
        data = b""
        try:
            async with wire_to(running.addresses["yard-1"]) as wire:
                wire.send(read_request(1, 1, 3, 100, 20) + read_request(2, 4, 3, 0, 1))
                async with asyncio.timeout(patience_s):
                    while not data.endswith(neighbour_ends) and (more := await wire.reader.read(4096)):
                        data += more
        except ConnectionRefusedError:
            data = b"refused"
        except TimeoutError:
            data += b" and then nothing"
        replies.append(data)
    return replies


@pytest.mark.parametrize(
    ("name", "options", "message"),
    [
        ("opne_element", {}, "fault: there is no fault 'opne_element'; did you mean 'open_element'?"),
        ("hail", {}, "fault: there is no fault 'hail'; give one of: open_element, short_element, frozen, offset, "),
        ("silence", {"delay": "3 s"}, "options.delay: silence has no such option; it has none, leave it out"),
        ("frozen", {"singal": "t1"}, "options.singal: frozen has no such option; did you mean 'signal'?"),
        ("offset", {}, "options.signal: offset needs it: the signal; give for example t3"),
        (
            "slow",
            {"delay": "fast"},
            "options.delay: 'fast' is not a duration with its unit (s, ms, min, h, d); give for ",
        ),
        ("slow", {"delay": "-1 s"}, "options.delay: '-1 s' is not a duration"),
        (
            "garbled",
            {"how": "badly"},
            "options.how: 'badly' is no way to garble a frame; give one of: bytes, truncated",
        ),
        ("open_element", {"element": "two"}, "options.element: 'two' is not a whole number; give for example 4"),
        ("open_element", {"element": "0"}, "options.element: '0' is out of range; give 1 or more"),
        ("exception", {"code": "256"}, "options.code: '256' is out of range; give 1 to 255"),
        ("duplicate_address", {"factor": "nan"}, "options.factor: 'nan' is not a number; give for example 0.8"),
        (
            "dropped_connection",
            {"half_answered": "maybe"},
            "options.half_answered: 'maybe' is not true or false; give ",
        ),
    ],
)
def test_faults_are_told_apart_from_mistakes(name: str, options: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=re.escape(message)):
        make_fault(name, options)


def test_options_are_read_from_text() -> None:
    assert make_fault("slow", {"delay": "500 ms"}) == FAULTS["slow"](delay_s=0.5)  # type: ignore[call-arg]
    assert make_fault("offset", {"signal": "t1", "amount": "50 mm"}) == Offset("t1", 0.05)
    assert make_fault("dropped_connection", {"half_answered": "true"}) == FAULTS["dropped_connection"](
        half_answered=True  # type: ignore[call-arg]
    )


async def test_unknown_names_are_refused() -> None:
    async with serve(SCENARIO, ports=FREE, by_clock=False) as running:
        with pytest.raises(KeyError, match="there is no instrument"):
            running.set_fault("LT-999", Fault())
        with pytest.raises(KeyError, match="there is no tank"):
            running.tank("TK-999")
    with pytest.raises(ScenarioError, match="there is no such line"):
        async with asyncio.timeout(PATIENCE_S), serve(SCENARIO, ports={"bus-z": 0}):
            pass
