"""The line on a virtual clock: order, pacing, back-off, and what is said when there is no value."""

import asyncio
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from statistics import fmean

import pytest
from structlog.testing import capture_logs

from gateway.acquisition.line import Line
from gateway.acquisition.signals.register_map import InstrumentMap, Signal, ValueType
from gateway.errors import BadFrameError, LinkError, NoAnswerError, NoConnectionError
from gateway.modbus.exceptions import device_exception
from gateway.modbus.tables import Table
from gateway.process.tasks import EndedError
from gateway.records import Quality, Reading, ReasonCode
from tests.acquisition.virtual_line import EPOCH_NS, LEVEL, NS, ONE_BLOCK, TWO_BLOCKS, VirtualLine, VirtualLink
from tests.support.endings import waits_for_what_was_cancelled

FAST = 0.01
REFUSED = NoConnectionError("the connection was refused")
SILENT = (0.0, NoAnswerError("no answer within 1 s"))


def well(unit: int, table: Table) -> float:
    return FAST


async def test_the_first_poll_of_each_comes_at_once_and_the_next_are_spread() -> None:
    yard = VirtualLine(range(1, 11), well)
    await yard.run_for(20.1)
    first = [when for when, _, _ in yard.link.reads[:10]]
    assert first[-1] < 0.15
    second = [when for when, _, _ in yard.link.reads[10:20]]
    assert max(later - earlier for earlier, later in pairwise(second)) < 0.45
    assert set(yard.link.polls().values()) == {11}  # one at once, then one each 2 s


async def test_each_is_polled_at_its_own_period() -> None:
    yard = VirtualLine([1, 2], well)
    await yard.run_for(201.0)
    for unit in (1, 2):
        times = [when for when, asked, _ in yard.link.reads if asked == unit]
        gaps = [later - earlier for earlier, later in pairwise(times[2:])]
        assert gaps == pytest.approx([2.0] * len(gaps), abs=2 * FAST)


async def test_readings_are_stamped_when_their_answer_came() -> None:
    yard = VirtualLine([1], well, TWO_BLOCKS)
    await yard.run_for(1.0)
    assert len(yard.sunk) >= 1
    level, t1 = yard.sunk[0][1]
    assert (level.value, t1.value) == (1.0, 1.0)
    assert t1.monotonic_ns - level.monotonic_ns == round(FAST * NS)
    assert level.time_ns == EPOCH_NS + level.monotonic_ns
    assert level.raw == (1,)


async def test_a_missed_period_is_skipped_and_never_made_up_for() -> None:
    slow_until = 10.0
    yard = VirtualLine([1], lambda unit, table: 7.0 if yard.time.now_s < slow_until else FAST, timeout_s=60.0)
    await yard.run_for(30.0)
    late = [when for when, _, _ in yard.link.reads if when > slow_until]
    gaps = [later - earlier for earlier, later in pairwise(late)]
    assert gaps[1:] == pytest.approx([2.0] * len(gaps[1:]), abs=2 * FAST)


async def test_an_overloaded_line_serves_all_alike() -> None:
    yard = VirtualLine(range(1, 33), lambda unit, table: 0.2)
    await yard.run_for(640.0)
    polls = yard.link.polls()
    assert sum(polls.values()) > 3190
    assert max(polls.values()) - min(polls.values()) <= 3


@pytest.mark.parametrize(
    ("answer_s", "dead"), [(0.05, {5}), (0.06, {5}), (0.08, {5, 6, 7, 8}), (0.2, {5}), (0.01, {5})]
)
async def test_dead_instruments_of_32_delay_the_others_by_less_than_a_fifth(answer_s: float, dead: set[int]) -> None:
    async def polls(silent: set[int]) -> Counter[int]:
        yard = VirtualLine(range(1, 33), lambda unit, table: SILENT if unit in silent else answer_s)
        await yard.run_for(600.0)
        return yard.link.polls()

    whole, hurt = await polls(set()), await polls(dead)
    for unit in set(range(1, 33)) - dead:
        assert hurt[unit] > whole[unit] * 0.8
    for unit in dead:
        assert hurt[unit] >= 10


async def test_a_dead_instrument_is_said_to_be_dead_once_a_period_and_found_again() -> None:
    yard = VirtualLine([1, 2], lambda unit, table: SILENT if unit == 1 and 10 < yard.time.now_s < 70 else FAST)
    with capture_logs() as logs:
        await yard.run_for(120.0)
    bad = [(when, reading) for when, reading in yard.of("LT-1") if reading.quality is Quality.BAD]
    assert max(later - earlier for (earlier, _), (later, _) in pairwise(bad)) <= 3.1
    assert {reading.reason.code for _, reading in bad if reading.reason} == {ReasonCode.NO_ANSWER}
    assert all(reading.value is None and reading.raw == () for _, reading in bad)
    text = bad[0][1].reason
    assert text is not None
    assert text.text == "LT-1 (unit 1): no answer within 1 s (reading holding register 0)"
    assert yard.of("LT-1")[-1][1].quality is Quality.GOOD
    assert bad[-1][0] < 70 + 30 + 1
    assert {reading.quality for _, reading in yard.of("LT-2")} == {Quality.GOOD}
    said = [(log["event"], log["instrument"]) for log in logs if log["event"].startswith("instrument.")]
    assert said == [
        ("instrument.found", "LT-1"),
        ("instrument.found", "LT-2"),
        ("instrument.lost", "LT-1"),
        ("instrument.found", "LT-1"),
    ]
    assert logs[-1]["failed_polls"] > 20
    statuses = {status.instrument: status for status in yard.line.instrument_statuses()}
    assert statuses["LT-1"].up
    assert statuses["LT-1"].errors.keys() == {"no_answer"}
    assert statuses["LT-2"].errors == {}
    assert statuses["LT-2"].response_time.counts[-1] == statuses["LT-2"].requests


async def test_probes_of_a_dead_instrument_grow_rare_but_never_end() -> None:
    yard = VirtualLine([1, 2], lambda unit, table: SILENT if unit == 1 else FAST)
    await yard.run_for(1000.0)
    probes = [when for when, unit, _ in yard.link.reads if unit == 1]
    gaps = [later - earlier for earlier, later in pairwise(probes)]
    # Each wait is drawn from 0 to 30 s, and a gap between polls is sought for a quarter more; then 1 s in vain.
    assert max(gaps) <= 1.25 * 30 + 2
    assert min(gaps) >= 5 + 1 - 1e-6  # the line is left to the others for five times as long
    assert fmean(gaps[8:]) == pytest.approx(15 + 1, abs=5)
    assert len(set(gaps[8:])) > 5  # jittered


async def test_a_refused_block_leaves_the_others_standing() -> None:
    def refuse(unit: int, table: Table) -> float | tuple[float, LinkError]:
        return (FAST, device_exception(2)) if table is Table.INPUT_REGISTERS else FAST

    yard = VirtualLine([1], refuse, TWO_BLOCKS)
    with capture_logs() as logs:
        await yard.run_for(60.0)
    assert {reading.quality for _, reading in yard.of("LT-1")} == {Quality.GOOD}
    reasons = {reading.reason for _, reading in yard.of("LT-1", "t1")}
    assert len(reasons) == 1
    reason = reasons.pop()
    assert reason is not None
    assert reason.code is ReasonCode.DEVICE_EXCEPTION
    assert "exception 2 (illegal data address)" in reason.text
    assert yard.link.polls()[1] == pytest.approx(30, abs=1)
    assert [log["event"] for log in logs] == [
        "line.connected",
        "instrument.address_refused",
        "instrument.incomplete",
    ]
    assert logs[1]["refused"] == "input register 0"
    assert not yard.line.instrument_statuses()[0].up


async def test_an_instrument_that_does_not_answer_is_given_up_for_the_round() -> None:
    yard = VirtualLine([1, 2], lambda unit, table: SILENT if unit == 1 else FAST, TWO_BLOCKS)
    await yard.run_for(60.0)
    asked = [when for when, unit, _ in yard.link.reads if unit == 1]
    assert min(later - earlier for earlier, later in pairwise(asked)) > 1.2  # one block a probe, and a wait after it
    reason = yard.of("LT-1", "t1")[0][1].reason
    assert reason is not None
    assert reason.code is ReasonCode.NO_ANSWER


@pytest.mark.parametrize("code", [10, 11])
async def test_a_gateway_that_answers_for_a_silent_instrument_counts_as_its_silence(code: int) -> None:
    yard = VirtualLine([1, 2], lambda unit, table: (1.0, device_exception(code)) if unit == 1 else FAST, TWO_BLOCKS)
    await yard.run_for(600.0)
    assert yard.link.polls()[1] + yard.link.polls(Table.INPUT_REGISTERS)[1] < 60
    assert yard.of("LT-1")[0][1].reason is not None
    assert len(yard.link.connects) == 1


async def test_a_line_that_cannot_be_reached_says_so_for_each_instrument_once_a_period() -> None:
    yard = VirtualLine([1, 2, 3], well)
    yard.link.connect_error = lambda: REFUSED
    with capture_logs() as logs:
        await yard.run_for(300.0)
    assert [log["event"] for log in logs] == ["line.unreachable"]
    for unit in (1, 2, 3):
        bad = yard.of(f"LT-{unit}")
        assert len(bad) == pytest.approx(150, abs=3)
        assert bad[0][0] < 0.1
        reason = bad[-1][1].reason
        assert reason is not None
        assert reason.code is ReasonCode.NO_CONNECTION
        assert reason.text == "line yard (127.0.0.1:502) is not connected: the connection was refused"
    gaps = [later - earlier for earlier, later in pairwise(yard.link.connects)]
    assert max(gaps) <= 30.1
    # Drawn from 0 to 0.5, 1, 2, 4, 8, 16 and then 30 s: 16 s on average for the first six, 15 s for each of the others.
    assert len(gaps) == pytest.approx(6 + (300 - 16) / 15, abs=3 * 19**0.5)
    assert fmean(gaps[8:]) > 7
    assert not yard.line.status().connected


async def test_another_cause_of_an_outage_is_said_and_causes_that_take_turns_do_not_fill_the_log() -> None:
    """An adapter that was unplugged, is back under another number, and then may not be opened by this user."""
    gone, forbidden = NoConnectionError("there is no port: is it plugged in?"), NoConnectionError("no permission")
    yard = VirtualLine([1], well)
    yard.link.connect_error = lambda: gone if yard.time.now_s < 100 else forbidden
    with capture_logs() as logs:
        await yard.run_for(300.0)
    assert [(log["event"], log["cause"]) for log in logs] == [
        ("line.unreachable", str(gone)),
        ("line.unreachable", str(forbidden)),
    ]
    yard = VirtualLine([1], well)
    yard.link.connect_error = lambda: (gone, forbidden)[len(yard.link.connects) % 2]
    with capture_logs() as logs:
        await yard.run_for(3600.0)
    attempts = len(yard.link.connects)
    assert attempts > 100
    # Each of the two: the 1st, 2nd, 4th ... of its turns.
    assert len(logs) == sum(2**power <= turns for turns in (attempts // 2, -(-attempts // 2)) for power in range(20))


async def test_a_cause_is_said_anew_after_the_line_was_connected() -> None:
    yard = VirtualLine([1], well)
    yard.link.connect_error = lambda: None if 100 < yard.time.now_s < 200 else REFUSED

    def drop(unit: int, table: Table) -> float | tuple[float, LinkError]:
        if yard.time.now_s > 200:
            yard.link.connected = False
            return 0.01, NoConnectionError("the peer closed the connection")
        return FAST

    yard.link.answer = drop
    with capture_logs() as logs:
        await yard.run_for(400.0)
    assert [log["cause"] for log in logs if log["event"] == "line.unreachable"] == [str(REFUSED)] * 2


async def test_after_an_outage_all_are_read_at_once() -> None:
    yard = VirtualLine([1, 2, 3], well)
    yard.link.connect_error = lambda: REFUSED if yard.time.now_s < 100 else None
    with capture_logs() as logs:
        await yard.run_for(200.0)
    connected = yard.link.connects[-1]
    assert connected < 131
    assert [unit for _, unit, _ in yard.link.reads[:3]] == [1, 2, 3]
    assert yard.link.reads[2][0] < connected + 0.05
    assert [log["event"] for log in logs] == ["line.unreachable", "line.connected"] + ["instrument.found"] * 3
    assert logs[1]["failed_attempts"] == len(yard.link.connects) - 1


async def test_a_dropped_connection_that_comes_back_at_once_costs_one_poll() -> None:
    def drop(unit: int, table: Table) -> float | tuple[float, LinkError]:
        if len(yard.link.reads) == 20:
            return FAST, NoConnectionError("the peer closed the connection")
        return FAST

    yard = VirtualLine([1, 2, 3], drop)
    with capture_logs() as logs:
        await yard.run_for(60.0)
    bad = [reading for _, readings in yard.sunk for reading in readings if reading.quality is Quality.BAD]
    assert len(bad) == 1
    assert bad[0].reason is not None
    assert bad[0].reason.code is ReasonCode.NO_CONNECTION
    assert [log["event"] for log in logs if log["event"].startswith("line.")] == [
        "line.connected",
        "line.lost",
        "line.connected",
    ]


@pytest.mark.parametrize("turns", [1, 2], ids=["at once", "while the line is idle"])
async def test_a_peer_that_closes_after_every_answer_is_served_without_filling_the_log(turns: int) -> None:
    def close_after(turns: int) -> None:
        if turns:
            asyncio.get_running_loop().call_soon(close_after, turns - 1)
        else:
            yard.link.connected = False

    def once(unit: int, table: Table) -> float:
        close_after(turns)
        return FAST

    yard = VirtualLine([1, 2], once)
    with capture_logs() as logs:
        await yard.run_for(600.0)
    assert sum(yard.link.polls().values()) == pytest.approx(600, abs=10)
    assert {reading.quality for _, readings in yard.sunk for reading in readings} == {Quality.GOOD}
    assert len([log for log in logs if log["event"] == "line.lost"]) <= 10


async def test_a_peer_that_closes_at_every_request_is_not_hammered() -> None:
    yard = VirtualLine([1, 2, 3], lambda unit, table: (FAST, NoConnectionError("the peer closed the connection")))
    await yard.run_for(600.0)
    assert len(yard.link.connects) < 60
    assert {reading.quality for _, readings in yard.sunk for reading in readings} == {Quality.BAD}


async def test_one_unit_at_which_the_peer_closes_does_not_starve_the_others() -> None:
    yard = VirtualLine(
        range(1, 9),
        lambda unit, table: (FAST, NoConnectionError("the peer closed the connection")) if unit == 3 else FAST,
    )
    await yard.run_for(600.0)
    polls = yard.link.polls()
    assert polls[3] < 60
    for unit in {1, 2, 4, 5, 6, 7, 8}:
        assert polls[unit] == pytest.approx(300, abs=40)
    assert {reading.quality for _, reading in yard.of("LT-4")} == {Quality.GOOD}


async def test_a_connection_on_which_nothing_answers_is_remade_ever_more_rarely() -> None:
    yard = VirtualLine([1, 2, 3, 4], lambda unit, table: SILENT)
    await yard.run_for(3000.0)
    assert yard.link.connects[1] == pytest.approx(3.0, abs=0.1)
    assert 5 <= len(yard.link.connects) <= 20
    codes = {reading.reason.code for _, readings in yard.sunk for reading in readings if reading.reason}
    assert codes == {ReasonCode.NO_ANSWER}


async def test_a_half_open_connection_is_replaced_and_all_recover() -> None:
    def half_open(unit: int, table: Table) -> float | tuple[float, LinkError]:
        return SILENT if yard.time.now_s > 10 and len(yard.link.connects) == 1 else FAST

    yard = VirtualLine(range(1, 9), half_open)
    await yard.run_for(60.0)
    assert len(yard.link.connects) == 2
    for unit in range(1, 9):
        bad = [when for when, reading in yard.of(f"LT-{unit}") if reading.quality is Quality.BAD]
        assert not bad or bad[-1] < 20


@pytest.mark.parametrize("silent_s", [9.0, 16.5, 200.0])
async def test_after_a_line_was_silent_those_given_up_are_tried_at_once(silent_s: float) -> None:
    """One answer is enough to know that the fault was of all; after 9 s half of them have not been given up yet."""
    back_s = 10.0 + silent_s
    yard = VirtualLine(range(1, 21), lambda unit, table: SILENT if 10.0 < yard.time.now_s < back_s else FAST)
    await yard.run_for(back_s + 30.0)
    good = {
        reading.instrument: when
        for when, readings in reversed(yard.sunk)
        for reading in readings
        if when > back_s and reading.quality is Quality.GOOD
    }
    assert len(good) == 20
    assert max(good.values()) < back_s + 3.5, "the rest of a vain wait and one period"


async def test_a_fault_signal_takes_every_value_of_its_instrument() -> None:
    contact = Signal("fault", Table.DISCRETE_INPUTS, 0, ValueType.BOOL)
    gauge = InstrumentMap("gauge", (LEVEL, contact), fault_signals=("fault",))
    yard = VirtualLine([1], well, gauge)  # unit 1 answers 1 everywhere, also for the contact
    await yard.run_for(3.0)
    reason = yard.of("LT-1")[0][1].reason
    assert reason is not None
    assert reason.code is ReasonCode.INSTRUMENT_FAULT
    assert yard.of("LT-1")[0][1].raw == (1,)


async def test_a_bad_frame_is_bad_and_the_next_poll_comes_in_its_time() -> None:
    yard = VirtualLine([1], lambda unit, table: (FAST, BadFrameError("unit 9 answered a request to unit 1")))
    await yard.run_for(60.0)
    assert yard.link.polls()[1] == pytest.approx(30, abs=1)
    reason = yard.of("LT-1")[-1][1].reason
    assert reason is not None
    assert reason.code is ReasonCode.BAD_FRAME


async def test_while_an_answer_is_judged_the_next_request_is_on_its_way_where_one_is_due() -> None:
    busy = VirtualLine([1, 2, 3], lambda unit, table: 0.1, period_s=0.05)
    asked: list[tuple[int, str]] = []

    def sink(readings: Sequence[Reading]) -> None:
        asked.append((len(busy.link.reads), readings[0].instrument))

    busy.line._sink = sink
    await busy.run_for(20.0)
    assert [number for number, _ in asked] == list(range(2, len(asked) + 2)), "one more than was judged"
    assert len(asked) == pytest.approx(200, abs=3)


async def test_where_none_is_due_the_answer_is_judged_first() -> None:
    quiet = VirtualLine([1, 2, 3], lambda unit, table: FAST)
    asked: list[int] = []
    quiet.line._sink = lambda readings: asked.append(len(quiet.link.reads))
    await quiet.run_for(20.0)
    assert asked[3:] == list(range(4, len(asked) + 1))


@pytest.mark.parametrize("instrument_map", [ONE_BLOCK, TWO_BLOCKS])
async def test_an_instrument_that_is_always_due_is_asked_again_and_again(instrument_map: InstrumentMap) -> None:
    """Its next turn comes while its last answer is judged: it is not lost for that."""
    yard = VirtualLine([1], lambda unit, table: 0.1, instrument_map, period_s=0.05)
    await yard.run_for(60.0)
    assert len(yard.link.reads) == pytest.approx(600, abs=3)
    blocks = len(instrument_map.signals)
    assert len(yard.sunk) == pytest.approx(600 / blocks, abs=3)
    assert all(len(readings) == blocks for _, readings in yard.sunk)


async def test_readings_come_in_the_order_in_which_they_were_asked_for() -> None:
    yard = VirtualLine([1, 2, 3], lambda unit, table: 0.1, TWO_BLOCKS, period_s=0.05)
    await yard.run_for(60.0)
    times = [reading.monotonic_ns for _, readings in yard.sunk for reading in readings]
    assert times == sorted(times)
    assert not [reading for _, readings in yard.sunk for reading in readings if reading.quality is not Quality.GOOD]


async def test_a_device_that_needs_a_pause_has_it_on_a_line_that_is_never_idle_too() -> None:
    paused = VirtualLine([1, 2], lambda unit, table: 0.1, TWO_BLOCKS, period_s=0.05, pause_s=0.25)
    await paused.run_for(60.0)
    for unit in (1, 2):
        times = [when for when, asked, _ in paused.link.reads if asked == unit]
        assert min(later - earlier for earlier, later in pairwise(times)) >= 0.1 + 0.25 - 1e-9
    assert len(paused.link.reads) > 300


async def test_a_mistake_in_the_program_leaves_run() -> None:
    def mistaken(unit: int, table: Table) -> float:
        raise ZeroDivisionError("a bug")

    yard = VirtualLine([1], mistaken)
    with pytest.raises(ZeroDivisionError, match="a bug"):
        await yard.run_for(10.0)
    assert yard.link.closes == 1


async def test_a_worker_that_is_cancelled_though_nobody_asked_for_it_ends_the_line() -> None:
    """What it had under way would never be finished, and that instrument never be read again, without a word."""
    yard = VirtualLine([1, 2], well)

    async def read(unit: int, table: Table, address: int, count: int, timeout_s: float) -> tuple[int, ...]:
        if unit == 2 and yard.time.now_s > 5.0:
            await waits_for_what_was_cancelled()
        return await VirtualLink.read(yard.link, unit, table, address, count, timeout_s)

    yard.link.read = read  # type: ignore[method-assign]
    with pytest.raises(EndedError, match=r"line yard, worker \d was cancelled, and nobody asked for it"):
        await yard.run_for(100.0)
    assert 5.0 < yard.time.now_s < 10.0
    assert yard.link.closes == 1


async def test_cancelling_closes_the_link() -> None:
    yard = VirtualLine([1], well)
    await yard.run_for(10.0)
    assert yard.link.closes == 1
    assert not yard.link.connected


async def test_the_line_counts_its_lateness_and_its_occupancy() -> None:
    yard = VirtualLine([1, 2], lambda unit, table: 0.5)
    await yard.run_for(101.0)
    status = yard.line.status()
    assert status.busy_s == pytest.approx(0.5 * len(yard.link.reads), abs=1.0)
    assert status.lateness.counts[-1] == len(yard.link.reads)
    assert status.lateness.bounds_s[-1] == float("inf")
    assert status.lateness.sum_s < 0.6 * len(yard.link.reads)


async def test_a_line_without_instruments_ends_at_once() -> None:
    yard = VirtualLine([], well)
    await asyncio.wait_for(yard.line.run(), 5.0)
    assert isinstance(yard.line, Line)
    assert yard.link.connects == []


async def test_a_fast_instrument_that_goes_silent_costs_less_than_its_configured_time() -> None:
    yard = VirtualLine([1, 2], lambda unit, table: SILENT if unit == 1 and yard.time.now_s > 60 else FAST)
    await yard.run_for(60.0)
    waits = [status.timeout_s for status in yard.line.instrument_statuses()]
    assert waits == [0.25, 0.25]
    yard = VirtualLine([1, 2], lambda unit, table: SILENT if unit == 1 and yard.time.now_s > 60 else FAST)
    await yard.run_for(600.0)
    polls = yard.link.polls()
    probes = sum(1 for when, unit, _ in yard.link.reads if unit == 1 and when > 60)
    lost_s = yard.line.status().busy_s - FAST * (polls[2] + polls[1] - probes)
    assert probes > 20
    assert lost_s / probes == pytest.approx(0.25 + 0.75 / 8, rel=0.1)  # each eighth is given all the time


async def test_an_instrument_that_has_become_slow_is_not_taken_for_dead() -> None:
    yard = VirtualLine([1, 2], lambda unit, table: 0.6 if unit == 1 and yard.time.now_s > 60 else FAST)
    yard.link.answers_late = True
    await yard.run_for(200.0)
    bad = [when for when, reading in yard.of("LT-1") if reading.quality is Quality.BAD]
    assert len(bad) == 1
    assert yard.line.instrument_statuses()[0].timeout_s == pytest.approx(0.9, abs=0.1)


@pytest.mark.parametrize("answer_s", [0.01, 0.03, 0.05])
async def test_no_live_poll_waits_for_more_than_one_vain_probe(answer_s: float) -> None:
    yard = VirtualLine(range(1, 33), lambda unit, table: SILENT if unit == 5 and yard.time.now_s > 30 else answer_s)
    await yard.run_for(900.0)
    worst = 0.0
    for unit in set(range(1, 33)) - {5}:
        times = [when for when, asked, _ in yard.link.reads if asked == unit and when > 40]
        worst = max([worst, *(later - earlier - 2.0 for earlier, later in pairwise(times))])
    assert worst < 1.0 + answer_s  # the rare probe with all the time that is configured
    late = yard.line.status().lateness
    beyond = late.counts[-1] - late.counts[late.bounds_s.index(0.25)]
    assert beyond < 0.04 * late.counts[-1]


async def test_probes_go_where_the_line_has_nothing_else_to_do() -> None:
    yard = VirtualLine([1, 2, 3], lambda unit, table: SILENT if unit == 3 and yard.time.now_s > 30 else FAST)
    await yard.run_for(600.0)
    late = yard.line.status().lateness
    assert late.counts[late.bounds_s.index(0.025)] > 0.985 * late.counts[-1]  # all but those with all the time


@pytest.mark.parametrize("seed", range(5))
async def test_a_recovery_is_noticed_within_one_probe_period(seed: int) -> None:
    back_s = 300.0 + 7.7 * seed
    yard = VirtualLine(
        range(1, 17), lambda unit, table: SILENT if unit == 3 and 30 < yard.time.now_s < back_s else 0.05
    )
    await yard.run_for(back_s + 40.0)
    found = min(when for when, reading in yard.of("LT-3") if when > back_s and reading.quality is Quality.GOOD)
    assert found - back_s < 30.0 + 1.5
