"""Pure: the newest readings and the manual values in force become one tank's input. Ages instead of clocks."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from gateway.calculation.doubts.recurrence import REMEMBERED, Recurrence, next_recurrence
from gateway.calculation.limits import limit_reason
from gateway.calculation.temperature.resistance import tank_service_temperature
from gateway.clock_watch import is_impossible
from gateway.errors import LimitError
from gateway.manual_value import ManualValue, density, in_force, observed_density, standing, whole_seconds
from gateway.records import Ending, Input, Quality, Reading, Reason, ReasonCode, TankInput, because

__all__ = [
    "Latest",
    "Maintenance",
    "ManualValue",
    "Source",
    "TankBinding",
    "bind",
    "ends_soon",
    "newest",
    "received",
    "was_heard",
]

Latest = Mapping[tuple[str, str], Reading]
"""The newest reading of each (instrument, signal)."""


@dataclass(frozen=True, slots=True)
class Source:
    """Which signal of which instrument feeds a quantity, from which age on it is doubted, and from which not taken."""

    instrument: str
    signal: str
    stale_after_s: float
    nominal_ohm: float | None = None
    """Resistance at 0 degC where the signal is that of a platinum element in ohm: it is read as degC by IEC 60751."""
    overdue_after_s: float = math.inf
    key: tuple[str, str] = field(init=False, repr=False, compare=False)
    """(instrument, signal). Made once, as is `name`: every sheet asks for them, for every element."""
    name: str = field(init=False, repr=False, compare=False)
    """`INSTRUMENT.signal`."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "key", (self.instrument, self.signal))
        object.__setattr__(self, "name", f"{self.instrument}.{self.signal}")


@dataclass(frozen=True, slots=True)
class Maintenance:
    """Somebody works on an instrument: what it says meanwhile is kept, and vouched for by nobody."""

    instrument: str
    until: datetime
    """UTC: it ends by itself."""
    by: str
    """Who said so."""


@dataclass(frozen=True, slots=True)
class TankBinding:
    """Where each field of a tank's input comes from. None: not fitted, or not given."""

    tank: str
    level: Source | None = None
    second_level: Source | None = None
    bottom_pressure: Source | None = None
    vapour_pressure: Source | None = None
    water: Source | None = None
    elements: tuple[Source, ...] = ()
    ambient: Source | None = None
    flows: tuple[Source, ...] = ()
    manual_level: ManualValue | None = None
    manual_water: ManualValue | None = None
    manual_temperature: ManualValue | None = None
    reference_density: ManualValue | None = None
    observed_density: ManualValue | None = None
    sediment_water: ManualValue | None = None
    simulated: bool = False
    maintenance: tuple[Maintenance, ...] = ()
    """Of the instruments that feed it."""

    @property
    def entries(self) -> tuple[tuple[str, ManualValue], ...]:
        """What people have entered, by its key in `records.ENTRIES`."""
        given = (
            ("level", self.manual_level),
            ("water", self.manual_water),
            ("temperature", self.manual_temperature),
            ("reference_density", self.reference_density),
            ("observed_density", self.observed_density),
            ("sediment_water", self.sediment_water),
        )
        return tuple([(entry, manual) for entry, manual in given if manual is not None])

    @property
    def sources(self) -> tuple[Source, ...]:
        """Every source that is fitted."""
        single = (
            self.level,
            self.second_level,
            self.bottom_pressure,
            self.vapour_pressure,
            self.water,
            self.ambient,
        )
        return tuple(source for source in single if source is not None) + self.elements + self.flows


_NOT_HEARD = frozenset(
    {ReasonCode.NO_CONNECTION, ReasonCode.NO_ANSWER, ReasonCode.BAD_FRAME}
    | {ReasonCode.DEVICE_STILL_WORKING, ReasonCode.DEVICE_BUSY}
    | {ReasonCode.PATH_UNAVAILABLE, ReasonCode.TARGET_SILENT}
)
"""Reasons that say nothing about the value: the instrument was asked and not heard, or had no time to answer."""


def newest(before: Reading | None, now: Reading) -> Reading:
    """The reading that counts after `now` has come in.

    An instrument that was not heard has not said that its value is wrong: the last value stays, Uncertain and with its
    own time, until it is stale. Anything that the instrument did say replaces it at once.
    """
    if now.reason is None or before is None or before.quality is Quality.BAD or now.reason.code not in _NOT_HEARD:
        return now
    return _doubted(before, now.reason)


def received(before: Reading | None, now: Reading, missed: Recurrence, *, late: bool) -> tuple[Reading, Recurrence]:
    """The reading that counts after `now` has come in, and what is remembered of the polls that brought nothing.

    `late`: it came, but later than its source allows. A value whose polls are missed again and again would be Good and
    Uncertain by turns: it stays Uncertain until it has come in time for a while, and says how often it did not.
    """
    is_missed = not was_heard(now)
    if late and not is_missed:
        missed = next_recurrence(missed, True, False)
    missed = next_recurrence(missed, is_missed, True)
    kept = newest(before, now)
    if missed.held and kept.quality is Quality.GOOD:
        reason = because(
            ReasonCode.OVERDUE,
            "{instrument}.{signal} came late or not at all {times} times in its last {polls} polls",
            instrument=kept.instrument,
            signal=kept.signal,
            times=missed.times,
            polls=REMEMBERED,
        )
        kept = _doubted(kept, reason)
    return kept, missed


def was_heard(reading: Reading) -> bool:
    """Whether the instrument said anything, be it that it has no value."""
    return reading.reason is None or reading.reason.code not in _NOT_HEARD


def _doubted(reading: Reading, reason: Reason) -> Reading:
    """A reading that holds no more for sure, since nothing newer was heard."""
    if reading.value is None:
        # Nothing detected stays that: the code tells it from a value that is missing.
        reason = because(ReasonCode.NONE_DETECTED, "nothing detected when last read; {doubt}", doubt=reason)
    return reading._replace(quality=max(reading.quality, Quality.UNCERTAIN), reason=reason)


def bind(binding: TankBinding, latest: Latest, now_ns: int, monotonic_ns: int, ends_ns: int | None = None) -> TankInput:
    """The input of one tank at UTC `now_ns` and monotonic `monotonic_ns` (both nanoseconds).

    A reading that has not come yet or is older than its source allows is Bad, with its reason; one whose polls were
    missed is Uncertain before that. Ages are monotonic, so that a clock set wrong cannot make a reading look fresh; one
    that is impossible is doubted. `ends_ns`: the UTC by which what people entered ends, where it is not `now_ns`.
    """
    now = datetime.fromtimestamp(now_ns / 1e9, UTC)
    by = now if ends_ns is None else datetime.fromtimestamp(ends_ns / 1e9, UTC)

    def read(source: Source | None) -> Input | None:
        return None if source is None else _from_reading(source, latest, monotonic_ns)

    given = TankInput(
        tank=binding.tank,
        instant=now,
        level=read(binding.level),
        second_level=read(binding.second_level),
        dip_level=in_force(binding.manual_level, by, "m"),
        bottom_pressure=read(binding.bottom_pressure),
        vapour_pressure=read(binding.vapour_pressure),
        water=read(binding.water),
        dip_water=standing(binding.manual_water, by, "m"),
        elements=tuple([_from_reading(source, latest, monotonic_ns) for source in binding.elements]),
        manual_temperature=in_force(binding.manual_temperature, by, "degC"),
        ambient=read(binding.ambient),
        flows=tuple([_from_reading(source, latest, monotonic_ns) for source in binding.flows]),
        reference_density=density(binding.reference_density, by),
        observed_density=observed_density(binding.observed_density, by),
        sediment_water=standing(binding.sediment_water, by, ""),
        simulated=binding.simulated,
        steady_s=monotonic_ns / 1e9,
        clock_doubt=_clock_doubt(now) if is_impossible(now_ns) else None,
        endings=_endings(binding, by),
    )
    works = {each.instrument: each for each in binding.maintenance if by < each.until}
    return _in_works(given, binding, works) if works else given


def _clock_doubt(now: datetime) -> Reason:
    return because(
        ReasonCode.CLOCK_UNTRUSTED,
        "the clock of this machine says {now:utc}, which cannot be: set it",
        now=whole_seconds(now),
    )


def ends_soon(entered: datetime | None, expires: datetime, now: datetime) -> bool:
    """Whether a new value is due: two days before the end, or a quarter of the time it holds where that is less."""
    ahead = _AHEAD if entered is None else min(_AHEAD, (expires - entered) / 4)
    return now >= expires - ahead


_AHEAD = timedelta(days=2)


def _endings(binding: TankBinding, now: datetime) -> tuple[Ending, ...]:
    return tuple(
        [
            Ending(entry, manual.expires)
            for entry, manual in binding.entries
            if manual.expires is not None and ends_soon(manual.entered, manual.expires, now)
        ]
    )


def _from_reading(source: Source, latest: Latest, monotonic_ns: int) -> Input:
    reading = latest.get(source.key)
    if reading is None:
        reason = because(ReasonCode.NOT_YET_READ, "{source} has not been read yet", source=source.name)
        return Input(None, Quality.BAD, reason, 0.0, source.name)
    age_s = max(0, monotonic_ns - reading.monotonic_ns) / 1e9
    if age_s > source.stale_after_s:
        return Input(None, Quality.BAD, _stale(source, age_s, reading.reason), age_s, source.name)
    if age_s > source.overdue_after_s and reading.quality is Quality.GOOD:
        reason = because(
            ReasonCode.OVERDUE,
            "{source} is overdue, last read {age:duration} ago: its line or the gateway is held up",
            source=source.name,
            age=age_s,
        )
        reading = _doubted(reading, reason)
    if source.nominal_ohm is not None and reading.value is not None:
        return _from_resistance(source, reading, reading.value, source.nominal_ohm, age_s)
    return Input(reading.value, reading.quality, reading.reason, age_s, source.name)


def _in_works(given: TankInput, binding: TankBinding, works: Mapping[str, Maintenance]) -> TankInput:
    """The input while somebody works on these instruments."""

    def taken(source: Source | None, each: Input | None) -> Any:
        work = None if source is None else works.get(source.instrument)
        return each if work is None or each is None else _serviced(each, work)

    single = {name: taken(getattr(binding, name), getattr(given, name)) for name in _MEASURED}
    elements = [taken(source, each) for source, each in zip(binding.elements, given.elements, strict=True)]
    flows = [taken(source, each) for source, each in zip(binding.flows, given.flows, strict=True)]
    return given._replace(**single, elements=tuple(elements), flows=tuple(flows))


_MEASURED = ("level", "second_level", "bottom_pressure", "vapour_pressure", "water", "ambient")
"""What an instrument gives one value of, as the binding and the input both call it."""


def _serviced(given: Input, work: Maintenance) -> Input:
    """What an instrument says that somebody works on: its value stays, never better than Uncertain."""
    reason = _in_maintenance(work, given.reason)
    if given.value is None and given.quality is not Quality.BAD:
        # Nothing detected stays that: the code tells it from a value that is missing.
        reason = because(ReasonCode.NONE_DETECTED, "nothing detected when last read; {doubt}", doubt=reason)
    return given._replace(quality=max(given.quality, Quality.UNCERTAIN), reason=reason)


def _in_maintenance(work: Maintenance, cause: Reason | None) -> Reason:
    instrument, until, by = work.instrument, whole_seconds(work.until), work.by
    if cause is None:
        return because(
            ReasonCode.IN_MAINTENANCE,
            "{instrument} is in maintenance until {until:utc}, as {by} said",
            instrument=instrument,
            until=until,
            by=by,
        )
    return because(
        ReasonCode.IN_MAINTENANCE,
        "{instrument} is in maintenance until {until:utc}, as {by} said; {cause}",
        instrument=instrument,
        until=until,
        by=by,
        cause=cause,
    )


def _stale(source: Source, age_s: float, cause: Reason | None) -> Reason:
    if cause is None:
        return because(ReasonCode.STALE, "{source} was last read {age:duration} ago", source=source.name, age=age_s)
    return because(
        ReasonCode.STALE,
        "{source} was last read {age:duration} ago: {cause}",
        source=source.name,
        age=age_s,
        cause=cause,
    )


def _from_resistance(source: Source, reading: Reading, ohm: float, nominal_ohm: float, age_s: float) -> Input:
    """Temperature in degC; an open or shorted element is Bad with the words of the limit."""
    try:
        temperature_c = tank_service_temperature(ohm, nominal_ohm)
    except LimitError as error:
        limit = limit_reason(error, ReasonCode.OUT_OF_RANGE)
        reason = because(ReasonCode.OUT_OF_RANGE, "{source}: {limit}", source=source.name, limit=limit)
        return Input(None, Quality.BAD, reason, age_s, source.name)
    return Input(temperature_c, reading.quality, reading.reason, age_s, source.name)
