"""What people are told of a reading that is not Good: each sentence of acquisition, to the letter."""

import json
import math
from dataclasses import replace

import pytest
from structlog.testing import capture_logs

from gateway.acquisition.plan import InstrumentPlan
from gateway.acquisition.signals.decode import judge_faults, signal_decoder
from gateway.acquisition.signals.freshness import Freshness
from gateway.acquisition.signals.register_map import ByteOrder, CurrentLoop, InstrumentMap, Signal, ValueType
from gateway.acquisition.signals.suspicion import SecondMasterWatch, doubted
from gateway.errors import LinkError, NoAnswerError, NoConnectionError
from gateway.modbus.exceptions import device_exception
from gateway.modbus.tables import Table
from gateway.plain_form import PlainForm
from gateway.records import Quality, Reading, Reason, ReasonCode
from tests.acquisition.test_decode import encode
from tests.acquisition.virtual_line import LEVEL, VirtualLine

S = 1_000_000_000
REASONS = PlainForm(Reason)
PLAIN = Signal("innage", Table.HOLDING_REGISTERS, 0, ValueType.UINT16, unit="m", scale=0.001, minimum=0.5, maximum=14.2)
BARE = replace(PLAIN, name="count", unit="", scale=1.0)
FLOAT = replace(PLAIN, type=ValueType.FLOAT32, scale=1.0, minimum=None, maximum=None)
LOOP = replace(PLAIN, scale=0.001, loop=CurrentLoop(0.0, 8.0), minimum=None, maximum=7.0)
TOLD_BY_NUMBER = replace(PLAIN, sentinels=(65535,), none_detected=(65534,))


def sent(number: float, kind: ValueType = ValueType.FLOAT32) -> tuple[int, ...]:
    return encode(number, kind, ByteOrder.ABCD)


@pytest.mark.parametrize(
    ("signal", "words", "told"),
    [
        (TOLD_BY_NUMBER, (65534,), "innage: the instrument sends 65534: nothing is there to measure"),
        (TOLD_BY_NUMBER, (65535,), "innage: the instrument sends 65535, its sign for a value that is not valid"),
        (
            replace(FLOAT, sentinels=(-999.25,)),
            sent(-999.25),
            "innage: the instrument sends -999.25, its sign for a value that is not valid",
        ),
        (
            replace(FLOAT, sentinels=(math.nan,)),
            sent(math.nan),
            "innage: the instrument sends nan, its sign for a value that is not valid",
        ),
        (FLOAT, sent(math.nan), "innage: the instrument sends nan, which is not a number"),
        (FLOAT, sent(-math.inf), "innage: the instrument sends -inf, which is not a number"),
        (
            replace(FLOAT, loop=CurrentLoop(0.0, 8.0)),
            sent(math.inf),
            "innage: the instrument sends inf, which is not a number",
        ),
        (
            FLOAT,
            sent(1e-40),
            "innage: the instrument sends 1e-40, which is too little to be measured: see to the byte order",
        ),
        (PLAIN, (499,), "innage: 0.499 m is below 0.5 m, the lowest that the instrument can mean"),
        (PLAIN, (14201,), "innage: 14.201 m is above 14.2 m, the highest that the instrument can mean"),
        (BARE, (0,), "count: 0 is below 0.5, the lowest that the instrument can mean"),
        (BARE, (15,), "count: 15 is above 14.2, the highest that the instrument can mean"),
        (
            replace(FLOAT, type=ValueType.FLOAT64, scale=10.0),
            sent(1.7e308, ValueType.FLOAT64),
            "innage: inf m is beyond anything that the instrument can mean",
        ),
        (
            replace(FLOAT, type=ValueType.FLOAT64, scale=10.0, unit=""),
            sent(-1.7e308, ValueType.FLOAT64),
            "innage: -inf is beyond anything that the instrument can mean",
        ),
        (
            LOOP,
            (3456,),
            "innage: 3.456 mA is a failed current loop (NAMUR NE 43: 3.6 mA and less, 21 mA and more)",
        ),
        (
            LOOP,
            (3700,),
            "innage: 3.700 mA lies outside the span in which a current loop measures (NAMUR NE 43: 3.8 to 20.5 mA)",
        ),
        (LOOP, (19000,), "innage: 7.5 m is above 7 m, the highest that the instrument can mean"),
    ],
)
def test_words_without_a_good_value(signal: Signal, words: tuple[int, ...], told: str) -> None:
    decode = signal_decoder(signal)
    reason = decode(words).reason
    assert reason is not None
    assert reason.text == told
    assert decode(words).reason == reason, "the next read of the same words says the same"
    assert REASONS.from_plain(json.loads(json.dumps(REASONS.to_plain(reason)))) == reason


def reading(name: str, value: float | None, reason: Reason | None = None) -> Reading:
    return Reading("LT-1", name, value, Quality.BAD if reason else Quality.GOOD, reason, 0, 1000 * S, (7,))


SENTINEL = Reason(ReasonCode.SENTINEL, "age: the instrument sends 65535")


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        (reading("fault", 1.0), "LT-1: the instrument reports a fault of its own (fault is set)"),
        (
            reading("fault", None, SENTINEL),
            "LT-1: its fault signal fault cannot be read, so no value of it is trusted",
        ),
    ],
)
def test_a_fault_of_the_instrument(fault: Reading, told: str) -> None:
    described = InstrumentMap("gauge", (LEVEL,), fault_signals=("fault",))
    reason = judge_faults(described, [reading("level", 9.4), fault])[0].reason
    assert reason is not None
    assert reason.text == told


@pytest.mark.parametrize(
    ("age", "told"),
    [
        (reading("age", 75.4), "LT-1: the device answers, but passes on a value of 75 s ago"),
        (
            reading("age", None, SENTINEL),
            "LT-1: age does not tell how old its values are: age: the instrument sends 65535",
        ),
        (reading("age", None), "LT-1: age does not tell how old its values are"),
    ],
)
def test_a_copy_that_is_old(age: Reading, told: str) -> None:
    described = InstrumentMap("wireless", (LEVEL,), age_signal="age")
    level, _ = Freshness(InstrumentPlan("LT-1", 1, described, 10.0, 1.0)).aged([reading("level", 9.4), age])
    assert level.reason is not None
    assert level.reason.text == told


def test_nothing_detected_stays_that_where_it_is_doubted() -> None:
    frames = (
        "frames come that answer no request: another master may be on the line, and an answer may be to its request"
    )
    value, nothing = doubted([reading("level", 9.4), reading("water", None)], SecondMasterWatch().reason)
    assert value.reason is not None
    assert value.reason.text == frames
    assert nothing.reason is not None
    assert nothing.reason.text == f"nothing detected; {frames}"


REFUSED = NoConnectionError("the connection was refused")
RESET = NoConnectionError("the peer reset the connection")


@pytest.mark.parametrize(
    ("error", "told", "logged"),
    [
        (
            RESET,
            {
                "LT-1 (unit 1): the peer reset the connection (reading holding register 0)",
                "line yard (127.0.0.1:502) lost its connection: "
                "LT-3 (unit 3): the peer reset the connection (reading holding register 0)",
            },
            "LT-1 (unit 1): the peer reset the connection (reading holding register 0)",
        ),
        (
            NoAnswerError("no answer within 1 s"),
            {"LT-1 (unit 1): no answer within 1 s (reading holding register 0)"},
            "nothing answered 3 polls in a row",
        ),
        (
            device_exception(2),
            {"LT-1 (unit 1): device answered exception 2 (illegal data address) (reading holding register 0)"},
            "LT-1 (unit 1): device answered exception 2 (illegal data address) (reading holding register 0)",
        ),
    ],
)
async def test_a_request_that_brings_nothing(error: LinkError, told: set[str], logged: str) -> None:
    yard = VirtualLine([1, 2, 3], lambda unit, table: (0.01, error) if yard.time.now_s > 30.0 else 0.01)
    with capture_logs() as logs:
        await yard.run_for(300.0)
    assert told <= _sentences(yard, "LT-1")
    assert logged in {log.get("cause") for log in logs}


async def test_a_line_whose_peer_goes_and_cannot_be_reached_again() -> None:
    def goes(unit: int, table: Table) -> float:
        yard.link.connected = yard.time.now_s < 30.0
        return 0.01

    yard = VirtualLine([1], goes)
    yard.link.connect_error = lambda: REFUSED if yard.time.now_s > 30.0 else None
    with capture_logs() as logs:
        await yard.run_for(300.0)
    assert _sentences(yard, "LT-1") == {"line yard (127.0.0.1:502) is not connected: the connection was refused"}
    causes = [log["cause"] for log in logs if "cause" in log]
    assert causes == ["the peer closed the connection", "the connection was refused"]


def _sentences(yard: VirtualLine, instrument: str) -> set[str]:
    return {each.reason.text for _, each in yard.of(instrument) if each.reason is not None}
