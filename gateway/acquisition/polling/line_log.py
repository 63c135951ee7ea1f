"""What a line says in the log: changes only, repetitions counted."""

from collections import Counter

import structlog

from gateway.acquisition.plan import LinePlan
from gateway.acquisition.polling.instrument import Instrument
from gateway.acquisition.polling.parts import Part
from gateway.errors import DeviceExceptionError
from gateway.records import Reason, ReasonCode

__all__ = ["LineLog"]

LINE_CONNECTED = "line.connected"
LINE_UNREACHABLE = "line.unreachable"
LINE_LOST = "line.lost"
SECOND_MASTER_SUSPECTED = "line.second_master_suspected"
SECOND_MASTER_CLEARED = "line.second_master_cleared"
INSTRUMENT_FOUND = "instrument.found"
INSTRUMENT_LOST = "instrument.lost"
INSTRUMENT_INCOMPLETE = "instrument.incomplete"
ANSWERS_SHIFTED = "instrument.answers_shifted"
ADDRESS_REFUSED = "instrument.address_refused"
DUPLICATE_ADDRESS_SUSPECTED = "instrument.duplicate_address_suspected"
DUPLICATE_ADDRESS_CLEARED = "instrument.duplicate_address_cleared"


class LineLog:
    """The log of one line."""

    def __init__(self, plan: LinePlan) -> None:
        self._log = structlog.get_logger().bind(line=plan.name, peer=str(plan.primary))
        self._losses = 0
        self._cause = ""
        """Why the line cannot be reached at present."""
        self._causes: Counter[str] = Counter()
        """How often it came to be each of them, since the line was last connected."""

    def connected(self, failed_attempts: int) -> None:
        self._cause = ""
        self._causes.clear()
        if failed_attempts or not self._losses or _is_power_of_two(self._losses):
            self._log.info(LINE_CONNECTED, failed_attempts=failed_attempts, losses=self._losses)

    def unreachable(self, cause: str) -> None:
        """Of the first attempt, and when the cause becomes another: an adapter may be back, and not be permitted."""
        if cause == self._cause:
            return
        self._cause = cause
        self._causes[cause] += 1
        # Two that take turns are said the 1st, 2nd, 4th, 8th ... time.
        if _is_power_of_two(self._causes[cause]):
            self._log.warning(LINE_UNREACHABLE, cause=cause)

    def lost(self, cause: str) -> None:
        self._losses += 1
        # A peer that closes after every answer is served without filling the log: the 1st, 2nd, 4th, 8th ... is said.
        if _is_power_of_two(self._losses):
            self._log.warning(LINE_LOST, cause=cause, losses=self._losses)

    def polled(self, instrument: Instrument, failure: Reason | None, given_up: bool) -> None:
        """How a poll ended, when that has changed. A lost line is not said again by each of its instruments."""
        event = INSTRUMENT_FOUND
        if failure is not None:
            event = INSTRUMENT_LOST if given_up else INSTRUMENT_INCOMPLETE
            if failure.code is ReasonCode.ANSWERS_SHIFTED:
                event = ANSWERS_SHIFTED
        if instrument.announced == event:
            return
        if failure is None:
            self._log.info(event, instrument=instrument.tag, failed_polls=instrument.failed_polls)
        elif failure.code is not ReasonCode.NO_CONNECTION:
            self._log.warning(event, instrument=instrument.tag, reason=failure.code.value, cause=failure.text)
        else:
            return
        instrument.announced = event

    def refused(self, instrument: Instrument, part: Part, exc: DeviceExceptionError) -> None:
        """Once for each address; the reason of the readings says it always."""
        text = part.reader.text
        if text not in instrument.refused_said:
            instrument.refused_said.add(text)
            self._log.warning(
                ADDRESS_REFUSED,
                instrument=instrument.tag,
                refused=text,
                signals=list(part.reader.names),
                code=exc.code,
            )

    def duplicate_address(self, instrument: Instrument, suspicion: Reason | None) -> None:
        if suspicion is None:
            self._log.info(DUPLICATE_ADDRESS_CLEARED, instrument=instrument.tag)
        else:
            self._log.warning(
                DUPLICATE_ADDRESS_SUSPECTED,
                instrument=instrument.tag,
                reason=suspicion.code.value,
                cause=suspicion.text,
            )

    def second_master(self, suspected: bool, frames: int) -> None:
        if suspected:
            cause = (
                "frames come that answer no request: another master may be on the line, or a converter mixes them up"
            )
            code = ReasonCode.SECOND_MASTER.value
            self._log.warning(SECOND_MASTER_SUSPECTED, reason=code, cause=cause, unsolicited_frames=frames)
        else:
            self._log.info(SECOND_MASTER_CLEARED, unsolicited_frames=frames)


def _is_power_of_two(number: int) -> bool:
    return number > 0 and number & (number - 1) == 0
