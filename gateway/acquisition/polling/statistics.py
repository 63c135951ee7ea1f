"""Counters of lines and instruments that grow as they are polled, and are handed out as frozen records."""

from collections import Counter

from gateway.acquisition.links.link import LinkCounters
from gateway.process.durations import DurationCounts
from gateway.records import ReasonCode
from gateway.status import InstrumentStatus, LineStatus

__all__ = ["LATENESS_BOUNDS_S", "RESPONSE_BOUNDS_S", "InstrumentStatistics", "LineStatistics"]

RESPONSE_BOUNDS_S = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0)
LATENESS_BOUNDS_S = (0.001, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)
_NS = 1e-9


class InstrumentStatistics:
    """How one instrument has answered."""

    __slots__ = ("_instrument", "_line", "errors", "last_answer_ns", "requests", "response_time", "up")

    def __init__(self, instrument: str, line: str) -> None:
        self._instrument = instrument
        self._line = line
        self.up = False
        self.requests = 0
        self.errors: Counter[str] = Counter()
        self.last_answer_ns: int | None = None
        self.response_time = DurationCounts(RESPONSE_BOUNDS_S)

    def answered(self, duration_ns: int, utc_ns: int) -> None:
        self.requests += 1
        self.last_answer_ns = utc_ns
        self.response_time.add(duration_ns)

    def failed(self, code: ReasonCode) -> None:
        self.requests += 1
        self.errors[code.value] += 1

    def record(self, timeout_s: float, duplicate_address_suspicions: int) -> InstrumentStatus:
        return InstrumentStatus(
            instrument=self._instrument,
            line=self._line,
            up=self.up,
            requests=self.requests,
            errors=dict(self.errors),
            last_answer_ns=self.last_answer_ns,
            response_time=self.response_time.record(),
            timeout_s=timeout_s,
            duplicate_address_suspicions=duplicate_address_suspicions,
        )


class LineStatistics:
    """How one line has done."""

    __slots__ = ("_line", "_since_ns", "busy_ns", "lateness")

    def __init__(self, line: str, since_ns: int) -> None:
        self._line = line
        self._since_ns = since_ns
        self.busy_ns = 0
        self.lateness = DurationCounts(LATENESS_BOUNDS_S)

    def record(
        self,
        counters: LinkCounters,
        second_master_suspicions: int,
        path: str,
        *,
        on_standby: bool,
        connections_wanted: int,
        connections_open: int,
        second_master_suspected: bool = False,
    ) -> LineStatus:
        return LineStatus(
            line=self._line,
            connected=connections_open > 0,
            busy_s=self.busy_ns * _NS,
            lateness=self.lateness.record(),
            late_answers=counters.late_answers,
            unsolicited_frames=counters.unsolicited_frames,
            path=path,
            on_standby=on_standby,
            connections_wanted=connections_wanted,
            connections_open=connections_open,
            second_master_suspicions=second_master_suspicions,
            second_master_suspected=second_master_suspected,
            second_answers=counters.second_answers,
            shifts=counters.shifts,
            since_ns=self._since_ns,
            functions_sent=dict(counters.sent),
        )
