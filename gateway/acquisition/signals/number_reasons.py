"""Pure: why what an instrument sends is no good value: a reason for each way in which it is not."""

import math

from gateway.acquisition.signals.register_map import Signal
from gateway.records import Reading, Reason, ReasonCode, because

__all__ = [
    "doubtful_fault",
    "fault_reason",
    "loop_failed",
    "not_a_number",
    "not_valid",
    "nothing_there",
    "out_of_range",
    "outside_span",
    "too_little",
]


def nothing_there(signal: Signal, number: float) -> Reason:
    return because(
        ReasonCode.NONE_DETECTED,
        "{signal}: the instrument sends {number}: nothing is there to measure",
        signal=signal.name,
        number=_as_told(number),
    )


def not_valid(signal: Signal, number: float) -> Reason:
    return because(
        ReasonCode.SENTINEL,
        "{signal}: the instrument sends {number}, its sign for a value that is not valid",
        signal=signal.name,
        number=_as_told(number),
    )


def not_a_number(signal: Signal, number: float) -> Reason:
    return because(
        ReasonCode.NOT_A_NUMBER,
        "{signal}: the instrument sends {number}, which is not a number",
        signal=signal.name,
        number=_as_told(number),
    )


def too_little(signal: Signal, number: float) -> Reason:
    return because(
        ReasonCode.IMPOSSIBLE_NUMBER,
        "{signal}: the instrument sends {number:.2g}, which is too little to be measured: see to the byte order",
        signal=signal.name,
        number=number,
    )


def out_of_range(signal: Signal, value: float) -> Reason:
    if signal.minimum is not None and value < signal.minimum:
        return because(
            ReasonCode.OUT_OF_RANGE,
            "{signal}: {value:.7g}{unit:behind} is below {lowest:.7g}{unit:behind}, the lowest that the instrument "
            "can mean",
            signal=signal.name,
            value=value,
            lowest=signal.minimum,
            unit=signal.unit,
        )
    if signal.maximum is not None and value > signal.maximum:
        return because(
            ReasonCode.OUT_OF_RANGE,
            "{signal}: {value:.7g}{unit:behind} is above {highest:.7g}{unit:behind}, the highest that the instrument "
            "can mean",
            signal=signal.name,
            value=value,
            highest=signal.maximum,
            unit=signal.unit,
        )
    return because(
        ReasonCode.OUT_OF_RANGE,
        "{signal}: {value:.7g}{unit:behind} is beyond anything that the instrument can mean",
        signal=signal.name,
        value=value,
        unit=signal.unit,
    )


def loop_failed(signal: Signal, current_ma: float) -> Reason:
    return because(
        ReasonCode.LOOP_FAILED,
        "{signal}: {current:mA .3f} is a failed current loop (NAMUR NE 43: 3.6 mA and less, 21 mA and more)",
        signal=signal.name,
        current=current_ma / 1000.0,
    )


def outside_span(signal: Signal, current_ma: float) -> Reason:
    return because(
        ReasonCode.LOOP_OUTSIDE_SPAN,
        "{signal}: {current:mA .3f} lies outside the span in which a current loop measures (NAMUR NE 43: 3.8 to "
        "20.5 mA)",
        signal=signal.name,
        current=current_ma / 1000.0,
    )


def fault_reason(reading: Reading) -> Reason:
    """`reading`: of a fault signal that is set, or cannot be read."""
    if reading.value is None:
        return because(
            ReasonCode.INSTRUMENT_FAULT,
            "{instrument}: its fault signal {signal} cannot be read, so no value of it is trusted",
            instrument=reading.instrument,
            signal=reading.signal,
        )
    return because(
        ReasonCode.INSTRUMENT_FAULT,
        "{instrument}: the instrument reports a fault of its own ({signal} is set)",
        instrument=reading.instrument,
        signal=reading.signal,
    )


def doubtful_fault(reading: Reading) -> Reason:
    """`reading`: of a fault signal that is not set, as far as can be told."""
    doubt = reading.reason or Reason(ReasonCode.INSTRUMENT_FAULT, "nobody says why")
    return because(
        doubt.code,
        "{instrument}: whether it reports a fault is not certain, as its signal {signal} is in doubt: {doubt}",
        instrument=reading.instrument,
        signal=reading.signal,
        doubt=doubt,
    )


def _as_told(number: float) -> float:
    """Always the same NaN: another would make another reason of the same one, as it does not equal itself."""
    return math.nan if number != number else number
