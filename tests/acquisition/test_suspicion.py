"""What the pattern of answers lets one suspect, and what it must not."""

import math
import random
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st
from structlog.testing import capture_logs

from gateway.acquisition.plan import FrameKind, TcpPath
from gateway.acquisition.signals.register_map import CurrentLoop, InstrumentMap, Signal, ValueType
from gateway.acquisition.signals.suspicion import DuplicateAddressWatch, SecondMasterWatch, two_places
from gateway.errors import BadFrameError, LinkError, NoAnswerError
from gateway.modbus.exceptions import device_exception
from gateway.modbus.tables import Table
from gateway.records import Quality, Reading, ReasonCode
from tests.acquisition.virtual_line import LEVEL, VirtualLine

NS = 1_000_000_000
FAST = 0.01
BROKEN = BadFrameError("checksum 1234 instead of 5678")
TARGET_SILENT = device_exception(11)


def test_two_gauges_in_turn_stand_at_two_places() -> None:
    dice = random.Random(1)
    values = [dice.choice((4.0, 9.0)) + dice.gauss(0.0, 0.001) for _ in range(24)]
    places = two_places(values)
    assert places is not None
    assert places.low == pytest.approx(4.0, abs=0.01)
    assert places.high == pytest.approx(9.0, abs=0.01)


@pytest.mark.parametrize(
    "values",
    [
        [9.0] * 24,
        [4.0 + 0.1 * step for step in range(24)],
        [4.0] * 12 + [9.0] * 12,
        [4.0] * 23 + [9.0],
        [5.0 + math.sin(step / 3.0) for step in range(24)],
        [4.0, 9.0] * 3,
        [9.412, 9.413] * 12,
    ],
    ids=["still", "filling", "moved once", "one spike", "waves", "too few", "the last digit"],
)
def test_a_tank_that_moves_or_flickers_does_not(values: list[float]) -> None:
    assert two_places(values) is None


@given(st.lists(st.sampled_from((4.0, 4.01, 9.0, 9.01, 6.5)), max_size=24))
def test_what_is_seen_does_not_depend_on_the_direction_of_time(values: list[float]) -> None:
    seen = two_places(values)
    assert (two_places(values[::-1]) is None) is (seen is None)
    if seen is not None:
        assert min(values) <= seen.low < seen.high <= max(values)


def watch(*signals: Signal) -> DuplicateAddressWatch:
    return DuplicateAddressWatch(InstrumentMap("gauge", signals or (LEVEL,)))


def told(duplicate: DuplicateAddressWatch) -> str | None:
    return None if duplicate.seen is None else duplicate.seen.text


def readings(value: float, name: str = "level") -> Sequence[Reading]:
    return [Reading("LT-1", name, value, Quality.GOOD, None, 0, 0, (1,))]


def test_values_that_go_to_and_fro_are_looked_at_closely_and_not_suspect_by_themselves() -> None:
    duplicate = watch()
    looked_at = 0
    for step in range(200):
        duplicate.look(readings(4000.0 if step % 2 else 9000.0))
        if duplicate.is_looked_at(["level"]):
            looked_at += 1
            duplicate.read_in_a_row([readings(4000.0)] * 4)
    assert told(duplicate) is None
    assert looked_at == 16, "eight times, and again after a rest"


def test_values_that_jump_from_one_read_to_the_next_are_suspect_until_they_stand_still() -> None:
    duplicate = watch()
    first = None
    for step in range(100):
        duplicate.look(readings(4000.0 if step % 2 else 9000.0))
        if duplicate.seen:
            first = step if first is None else first
        if duplicate.is_looked_at(["level", "t1"]):
            duplicate.read_in_a_row([readings(4000.0), readings(9000.0), readings(4000.0)])
    assert first is not None
    assert first <= 12
    assert told(duplicate) == "level goes to and fro between 4000 and 9000 from one read to the next"
    for _ in range(22):
        duplicate.look(readings(4000.0))
        assert told(duplicate)
    for _ in range(2):
        duplicate.look(readings(4000.0))
    assert told(duplicate) is None
    assert duplicate.suspicions == 1


def test_requests_that_fail_in_plenty_beside_are_enough_without_reads_in_a_row() -> None:
    """A serial server that hears two at once says that the target is silent, or nothing."""
    duplicate = watch()
    for step in range(60):
        if step % 3 == 0:
            duplicate.request_failed()
            duplicate.look([])
        else:
            duplicate.look(readings(4000.0 if step % 2 else 9000.0))
    assert told(duplicate) == "level goes to and fro between 4000 and 9000, and requests fail"


def test_a_request_that_fails_now_and_then_is_not_enough() -> None:
    duplicate = watch()
    for step in range(200):
        if step % 10 == 0:
            duplicate.request_failed()
        duplicate.look(readings(4000.0 if step % 2 else 9000.0))
    assert told(duplicate) is None


def test_broken_frames_alone_are_not_suspect() -> None:
    duplicate = watch()
    for step in range(100):
        if step % 5 == 0:
            duplicate.frame_broke()
        duplicate.look(readings(4000.0 + step % 3))
    assert told(duplicate) is None


def test_both_together_are_suspect_until_the_values_stand_still_again() -> None:
    duplicate = watch()
    for step in range(40):
        if step % 7 == 0:
            duplicate.frame_broke()
        duplicate.look(readings(4000.0 if step % 2 else 9000.0))
    assert told(duplicate) == "level goes to and fro between 4000 and 9000, and frames break"
    assert duplicate.suspicions == 1
    for _ in range(24):
        duplicate.look(readings(4000.0))
    assert told(duplicate) is None
    for _ in range(24):
        duplicate.look(readings(4000.0))
    assert told(duplicate) is None
    assert duplicate.suspicions == 1


@pytest.mark.parametrize(
    "signal",
    [
        Signal("level", Table.HOLDING_REGISTERS, 0, ValueType.BOOL),
        Signal("level", Table.HOLDING_REGISTERS, 0, ValueType.UINT16, bit=0, bits=2),
        Signal("level", Table.COILS, 0, ValueType.BOOL),
        Signal("level", Table.HOLDING_REGISTERS, 0, ValueType.UINT16, scale=2000.0),
        Signal("level", Table.HOLDING_REGISTERS, 0, ValueType.UINT16, loop=CurrentLoop(0.0, 16000.0), scale=1.0),
    ],
    ids=["contact", "state", "coil", "a few counts", "a few counts of a current loop"],
)
def test_contacts_states_and_steps_of_the_number_itself_are_not_suspect(signal: Signal) -> None:
    duplicate = watch(signal)
    for step in range(40):
        duplicate.frame_broke()
        duplicate.look(readings(1.0 if step % 2 else 4001.0))
    assert told(duplicate) is None


METRES = Signal("level", Table.HOLDING_REGISTERS, 0, ValueType.UINT16, scale=0.001)
GAUGE = InstrumentMap("gauge", (METRES,))


@pytest.mark.parametrize(("low", "high"), [(5000, 5010), (4000, 5000)], ids=["10 mm apart", "1 m apart"])
@pytest.mark.parametrize("answers", ["by turns", "at random", "one of them rarely"])
@pytest.mark.parametrize("noise", [0, 1], ids=["still", "with a digit of noise"])
async def test_two_devices_with_clean_frames_are_found(low: int, high: int, answers: str, noise: int) -> None:
    dice = random.Random(11)
    asked = 0

    def two_devices(unit: int, table: Table) -> float:
        nonlocal asked
        asked += unit == 1
        share = 0.25 if answers == "one of them rarely" else 0.5
        is_high = asked % 2 == 0 if answers == "by turns" else dice.random() < share
        yard.link.value = (high if is_high and unit == 1 else low) + dice.randint(0, noise)
        return FAST

    yard = VirtualLine([1, 2], two_devices, GAUGE)
    await yard.run_for(300.0)
    bad = [when for when, reading in yard.of("LT-1") if reading.quality is Quality.BAD]
    assert bad[0] < 150.0
    assert not [when for when, reading in yard.of("LT-1") if when > bad[0] and reading.value is not None]
    assert {reading.quality for _, reading in yard.of("LT-2")} == {Quality.GOOD}


@pytest.mark.parametrize(
    "fails", [TARGET_SILENT, NoAnswerError("no answer within 1 s")], ids=["exception 11", "silence"]
)
async def test_two_devices_behind_a_serial_server_that_tells_of_neither_are_found(fails: LinkError) -> None:
    asked = 0

    def two_devices(unit: int, table: Table) -> float | tuple[float, LinkError]:
        nonlocal asked
        asked += unit == 1
        yard.link.value = 4000 if asked % 4 == 0 or unit == 2 else 5000
        return (FAST, fails) if unit == 1 and asked % 2 else FAST

    yard = VirtualLine([1, 2], two_devices, GAUGE)
    await yard.run_for(600.0)
    suspect = [
        when
        for when, reading in yard.of("LT-1")
        if reading.reason is not None and reading.reason.code is ReasonCode.DUPLICATE_ADDRESS
    ]
    assert suspect[0] < 200.0
    assert not [when for when, reading in yard.of("LT-1") if when > suspect[0] + 1 and reading.value is not None]
    assert {reading.quality for _, reading in yard.of("LT-2")} == {Quality.GOOD}


async def test_a_gauge_that_jumps_poll_by_poll_is_read_in_a_row_and_trusted() -> None:
    """A deadband on waves of two polls: what it says changes each time, and not within a moment."""

    def waves(unit: int, table: Table) -> float:
        yard.link.value = 5000 if int(yard.time.now_s / 2.0) % 2 else 5040
        return FAST

    yard = VirtualLine([1], waves, GAUGE)
    await yard.run_for(3600.0)
    assert {reading.quality for _, reading in yard.of("LT-1")} == {Quality.GOOD}
    assert len(yard.link.reads) < 1800 * 1.5, "which is not done all the time"


async def test_the_readings_of_two_devices_with_one_address_are_bad_and_say_so() -> None:
    dice = random.Random(5)

    def two_devices(unit: int, table: Table) -> float | tuple[float, LinkError]:
        yard.link.value = 4000 if dice.random() < 0.5 else 9000
        collide = unit == 1 and 60 < yard.time.now_s < 400 and dice.random() < 0.2
        if unit != 1 or not 60 < yard.time.now_s < 400:
            yard.link.value = 4000
        return (FAST, BROKEN) if collide else FAST

    yard = VirtualLine([1, 2], two_devices)
    with capture_logs() as logs:
        await yard.run_for(600.0)
    suspect = [
        (when, reading)
        for when, reading in yard.of("LT-1")
        if reading.reason is not None and reading.reason.code is ReasonCode.DUPLICATE_ADDRESS
    ]
    assert 60 < suspect[0][0] < 120
    assert 400 < suspect[-1][0] < 480
    assert all(reading.value is None and reading.quality is Quality.BAD and reading.raw for _, reading in suspect)
    reason = suspect[0][1].reason
    assert reason is not None
    assert reason.text.startswith("LT-1 (unit 1): possible duplicate address: level goes to and fro between 4000 and 9")
    assert not [reading for when, reading in yard.of("LT-1") if 130 < when < 400 and reading.value is not None]
    assert {reading.quality for _, reading in yard.of("LT-2")} == {Quality.GOOD}
    events = [log["event"] for log in logs if "duplicate" in log["event"]]
    assert events == ["instrument.duplicate_address_suspected", "instrument.duplicate_address_cleared"]
    assert [status.duplicate_address_suspicions for status in yard.line.instrument_statuses()] == [1, 0]


def test_a_stray_frame_now_and_then_is_no_second_master() -> None:
    master = SecondMasterWatch()
    for minute in range(600):
        master.look(minute, minute * 60 * NS)
    assert not master.suspected
    assert master.suspicions == 0


def test_frames_that_keep_coming_are_one_and_it_passes_when_they_do() -> None:
    master = SecondMasterWatch()
    changes = [second for second in range(1, 300) if master.look(min(second, 60), second * NS)]
    assert changes == [6, pytest.approx(180, abs=2)]
    assert master.suspicions == 1


async def test_a_second_master_is_logged_and_counted_and_while_it_is_suspected_no_value_is_good() -> None:
    def other_polls(unit: int, table: Table) -> float:
        yard.link.counters.unsolicited_frames += 100 < yard.time.now_s < 200
        return FAST

    yard = VirtualLine([1, 2], other_polls, path=TcpPath("127.0.0.1", 502, FrameKind.RTU))
    with capture_logs() as logs:
        await yard.run_for(600.0)
    said = [log for log in logs if "second_master" in log["event"]]
    assert [log["event"] for log in said] == ["line.second_master_suspected", "line.second_master_cleared"]
    assert said[0]["reason"] == "second_master"
    assert yard.line.status().second_master_suspicions == 1
    readings = [(when, reading) for when, readings in yard.sunk for reading in readings]
    assert {reading.value is None for _, reading in readings} == {False}
    assert {reading.quality for when, reading in readings if when < 100} == {Quality.GOOD}
    suspect = [reading for when, reading in readings if 110 < when < 200]
    assert {reading.quality for reading in suspect} == {Quality.UNCERTAIN}
    assert {reading.reason.code for reading in suspect if reading.reason} == {ReasonCode.SECOND_MASTER}
    assert {reading.quality for when, reading in readings if when > 330} == {Quality.GOOD}, "no more came for a while"
