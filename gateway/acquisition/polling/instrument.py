"""What a line keeps about each of its instruments: its parts ready to decode, its statistics, its last failure."""

import random
from collections.abc import Sequence

from gateway.acquisition.plan import FrameKind, InstrumentPlan, LinePlan
from gateway.acquisition.polling.blocks import plan_blocks
from gateway.acquisition.polling.parts import BlockParts
from gateway.acquisition.polling.response_time import ResponseTime
from gateway.acquisition.polling.round import Round
from gateway.acquisition.polling.statistics import InstrumentStatistics
from gateway.acquisition.signals.decode import judge_faults
from gateway.acquisition.signals.freshness import Freshness
from gateway.acquisition.signals.suspicion import DuplicateAddressWatch
from gateway.backoff import Backoff
from gateway.records import Quality, Reading, Reason, ReasonCode, because
from gateway.status import InstrumentStatus

__all__ = ["Instrument"]


class Instrument:
    """One instrument of a line."""

    __slots__ = (
        "announced",
        "blocks",
        "duplicate",
        "failed_polls",
        "failure",
        "freshness",
        "late_answers",
        "name",
        "plan",
        "refused_said",
        "rest_until_ns",
        "round",
        "statistics",
        "suspicion",
        "tag",
        "wait",
    )

    def __init__(self, plan: InstrumentPlan, line: LinePlan, source: random.Random) -> None:
        """Raises ValueError when a signal of the map cannot be read or decoded."""
        self.plan = plan
        self.tag = plan.tag
        self.name = f"{plan.tag} (unit {plan.unit})"
        self.blocks = tuple(
            BlockParts(plan.tag, block, lambda: Backoff(line.backoff_first_s, line.backoff_longest_s, source))
            for block in plan_blocks(plan.map)
        )
        # Without transaction identifiers a late answer is a danger: there an instrument always has its whole time.
        self.wait = ResponseTime(plan.timeout_s, learns=line.primary.framing is FrameKind.TCP)
        self.statistics = InstrumentStatistics(plan.tag, line.name)
        self.late_answers = 0
        """How many had come late on the line when this one was last waited for in vain."""
        self.round: Round | None = None
        """Its poll that is under way."""
        self.duplicate = DuplicateAddressWatch(plan.map)
        self.freshness = Freshness(plan)
        self.suspicion: Reason | None = None
        """Why it seems that two devices answer; None while it does not."""
        self.rest_until_ns = 0
        """No request before that, for the pause that the device needs between two."""
        self.failure: Reason | None = None
        """Why the last poll was not answered in full; None when it was, or before the first."""
        self.failed_polls = 0
        """In a row, those left out for want of a connection or during a back-off among them."""
        self.announced = ""
        """What the log last said of it; empty when nothing yet."""
        self.refused_said: set[str] = set()
        """The addresses of which the log has said that the device refuses them."""

    def status(self) -> InstrumentStatus:
        return self.statistics.record(self.wait.learned_s, self.duplicate.suspicions)

    def reason(self, doubt: Reason) -> Reason:
        """That reason, with this instrument's name."""
        return because(doubt.code, "{instrument}: {doubt}", instrument=self.name, doubt=doubt)

    def ended(self, failure: Reason | None) -> None:
        """A poll is over: answered in full, or not for this reason."""
        self.failure = failure
        if failure is not None:
            self.left_out()
        else:
            self.statistics.up = True
            self.failed_polls = 0

    def left_out(self) -> None:
        """The instrument was due and was not read."""
        self.statistics.up = False
        self.failed_polls += 1

    def try_all_again(self) -> None:
        """It may not be what it was: its device or its way was lost and found."""
        for block in self.blocks:
            block.try_again()

    def doubted(self, readings: list[Reading]) -> list[Reading]:
        """The readings of one poll, none usable while it seems that two devices have this one's address."""
        self.suspicion = None
        if self.duplicate.seen is None:
            return readings
        self.suspicion = reason = because(
            ReasonCode.DUPLICATE_ADDRESS,
            "{instrument}: possible duplicate address: {seen}",
            instrument=self.name,
            seen=self.duplicate.seen,
        )
        return [
            reading
            if reading.quality is Quality.BAD
            else reading._replace(value=None, quality=Quality.BAD, reason=reason)
            for reading in readings
        ]

    def judged(self, readings: Sequence[Reading]) -> Sequence[Reading]:
        """The readings of one poll, in the light of what the instrument says of itself: their age, its faults."""
        if self.freshness.watching:
            readings = self.freshness.aged(readings)
        return judge_faults(self.plan.map, readings) if self.plan.map.fault_signals else readings

    def readings_without(self, reason: Reason | None, time_ns: int, monotonic_ns: int) -> list[Reading]:
        """A Bad reading of every signal: for `reason`, else for the last failure."""
        reason = (
            reason
            or self.failure
            or because(ReasonCode.NOT_YET_READ, "{instrument} has not been read yet", instrument=self.name)
        )
        parts = (part for block in self.blocks for part in block.parts)
        return [reading for part in parts for reading in part.reader.failed(reason, time_ns, monotonic_ns)]
