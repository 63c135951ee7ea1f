"""Pure: one sheet as the registers of its tank's block, and the site as its header.

A value and its quality leave here together or not at all. What is Bad, or not of the present, has no number in any
form: NaN, and the most negative whole number.
"""

import struct
from collections.abc import Callable, Mapping, Sequence
from math import floor, inf, isfinite, nan
from typing import NamedTuple

from gateway.delivery.registers.layout import (
    ALARM_CODES,
    ALARM_NOT_SET_UP,
    BLOCK,
    BLOCK_FIELDS,
    DETAIL_FIGURES,
    HEADER,
    HEADER_FIELDS,
    LIMIT_CODES,
    LIMITS,
    MAIN_FIGURES,
    MOST_TRANSFERS,
    MOTION_CODES,
    NOTHING_APPLIES,
    ORDERS,
    ORIGIN_CODES,
    PHASE_CODES,
    PRIORITY_CODES,
    QUALITY_CODES,
    RATES,
    ROOF_CODES,
    TANK_ALARMS,
    TRANSFER_KINDS,
    Field,
    Form,
    Scaled,
    Validity,
)
from gateway.reasons import ReasonCode
from gateway.records import Figure, Figures, LevelState, Quality
from gateway.status import OpenTransfer
from gateway.tank_record import TankRecord
from gateway.tank_state import AlarmKind, AlarmPhase, AlarmStanding, Motion, TankState

__all__ = ["HIDDEN", "WAITING", "Moment", "block_bytes", "header_bytes", "is_last_word"]

WAITING = frozenset({AlarmPhase.UNACKNOWLEDGED, AlarmPhase.ACKNOWLEDGED, AlarmPhase.RETURNED})
HIDDEN = frozenset({AlarmPhase.SHELVED, AlarmPhase.SUPPRESSED, AlarmPhase.OUT_OF_SERVICE})
_NO_COUNT = 65_535
_MOST = 65_534
"""Of counts and ages: so many or more."""
_NO_SECONDS = 2**32 - 1
_LONGEST_S = 2**32 - 2
_LARGEST_FLOAT = 3.4028234e38
_RANGES = {Form.INT16: (-(2**15), 2**15 - 1), Form.INT32: (-(2**31), 2**31 - 1)}
_UNKNOWN_FIGURE = Figure(None, Quality.BAD, (), inf)


class Moment(NamedTuple):
    """What is known beside a sheet when it is read."""

    validity: Validity
    elapsed_s: float
    """Since the sheet was made, by the site's time."""
    kinds: frozenset[AlarmKind] | None = None
    """The alarms that the tank has, normal or not; None: not known yet."""
    transfers: Sequence[OpenTransfer] | None = None
    """Not over, in which the tank takes part; None: nobody keeps accounts, or not known yet."""


def is_last_word(record: TankRecord) -> bool:
    """Whether it says that nobody watches the tank any more."""
    level = record.inventory.figures.level
    return level.quality is Quality.BAD and any(reason.code is ReasonCode.NOT_WATCHED for reason in level.reasons)


def block_bytes(record: TankRecord | None, moment: Moment, order: str) -> bytes:
    """All registers of a tank's block, two bytes each."""
    return _in_order(_PACK_BLOCK(*_block(record, moment)), _BLOCK_ORDERS[order])


def header_bytes(numbers: Mapping[str, float], order: str) -> bytes:
    """All registers of the site's header. `numbers`: by `Field.key`, each that there is."""
    return _in_order(_PACK_HEADER(*[numbers[field.key] for field in HEADER_FIELDS]), _HEADER_ORDERS[order])


def _block(record: TankRecord | None, moment: Moment) -> list[float]:
    if record is None:
        return _told(None, Validity.NO_SHEET, moment)
    return _told(record, moment.validity, moment)


def _told(record: TankRecord | None, validity: Validity, moment: Moment) -> list[float]:
    """The numbers of all fields, in their order."""
    live = record is not None and validity is Validity.LIVE
    state = record.state if record is not None and live else None
    level_state = record.inventory.level_state if record is not None and live else LevelState()
    quality = QUALITY_CODES[record.inventory.quality if record is not None and live else Quality.BAD]
    sheet = 0 if record is None else record.identity.sequence % 2**32
    made_s = None if record is None else record.inventory.instant.timestamp()
    begin: list[float] = [validity.value, sheet, quality]
    alarms = None if state is None else state.alarms
    figures: Sequence[Figure] | None = record.inventory.figures if record is not None and live else None
    elapsed_s = moment.elapsed_s
    waiting, priority = _waiting(alarms)
    numbers = [
        *begin,
        _NO_SECONDS if made_s is None else _seconds(made_s),
        _NO_COUNT if record is None else _count(elapsed_s),
        ORIGIN_CODES["unknown" if record is None else "simulated" if record.inventory.simulated else "measured"],
        LIMIT_CODES[level_state.limit],
        ROOF_CODES[level_state.roof],
        MOTION_CODES[Motion.UNKNOWN if state is None else state.motion],
        waiting,
        priority,
    ]
    for place, scaled in _MAIN:
        numbers += _figure(_UNKNOWN_FIGURE if figures is None else figures[place], scaled, elapsed_s)
    for figure, scaled in zip(_rates(state), RATES.values(), strict=True):
        numbers += _figure(figure, scaled, elapsed_s)
    numbers += begin
    for place, scaled in _DETAILS:
        numbers += _figure(_UNKNOWN_FIGURE if figures is None else figures[place], scaled, elapsed_s)
    numbers += begin
    numbers += _limits(level_state, state, elapsed_s)
    numbers += _alarms(alarms, moment.kinds)
    numbers += _transfers(moment.transfers if live else None)
    return numbers


def _figure(figure: Figure, scaled: Scaled, elapsed_s: float) -> tuple[float, float, int, int]:
    """As float32, as a whole number, quality, age."""
    value, quality, _, age_s, _ = figure
    step, form, rounds_down = scaled
    least, most = _RANGES[form]
    age = _count(age_s + elapsed_s)
    if value is None:
        return nan, least, NOTHING_APPLIES if quality is Quality.GOOD else QUALITY_CODES[Quality.BAD], age
    if quality is Quality.BAD or not abs(value) <= _LARGEST_FLOAT:
        return nan, least, QUALITY_CODES[Quality.BAD], age
    return value, _whole(value, step, least, most, rounds_down=rounds_down), QUALITY_CODES[quality], age


def _whole(value: float, step: float, least: int, most: int, *, rounds_down: bool = False) -> int:
    """`least` stands for none: so it does for what does not fit, which is never clamped."""
    # By the count of steps in a unit, which is whole: a step itself is not in binary.
    steps = value * round(1.0 / step)
    number = floor(steps) if rounds_down else round(steps)
    return number if least < number <= most else least


def _count(number: float) -> int:
    """A count, or whole seconds; `_MOST` for that and more."""
    return min(max(int(number), 0), _MOST) if isfinite(number) else _NO_COUNT


def _seconds(number: float) -> int:
    return min(int(number), _LONGEST_S) if isfinite(number) and number >= 0 else _NO_SECONDS


def _rates(state: TankState | None) -> tuple[Figure, Figure]:
    return (_UNKNOWN_FIGURE, _UNKNOWN_FIGURE) if state is None else (state.rate, state.level_rate)


def _limits(level_state: LevelState, state: TankState | None, elapsed_s: float) -> list[float]:
    least, most = _RANGES[Form.INT32]
    step = MAIN_FIGURES["level"].step
    numbers: list[float] = []
    for limit in LIMITS:
        level_m: float | None = getattr(level_state, f"{limit}_m")
        numbers += (nan, least) if level_m is None else (level_m, _whole(level_m, step, least, most))
    ahead = {} if state is None else {time.limit: time.in_s - elapsed_s for time in state.times}
    numbers += [_seconds(max(ahead[limit], 0.0)) if limit in ahead else _NO_SECONDS for limit in LIMITS]
    return numbers


def _waiting(alarms: Sequence[AlarmStanding] | None) -> tuple[int, int]:
    if alarms is None:
        return _NO_COUNT, 0
    priorities = [PRIORITY_CODES[alarm.priority] for alarm in alarms if alarm.phase in WAITING]
    return len(priorities), max(priorities, default=1)


def _alarms(alarms: Sequence[AlarmStanding] | None, kinds: frozenset[AlarmKind] | None) -> list[float]:
    if alarms is None:
        return [*([0] * len(TANK_ALARMS)), *([_NO_COUNT] * (len(PRIORITY_CODES) + 1))]
    standing = {alarm.kind: ALARM_CODES[alarm.phase] for alarm in alarms}
    if kinds is None:
        numbers: list[float] = [standing.get(kind, 0) for kind in TANK_ALARMS]
    else:
        others = {kind: ALARM_CODES[AlarmPhase.NORMAL] if kind in kinds else ALARM_NOT_SET_UP for kind in TANK_ALARMS}
        numbers = [standing.get(kind, others[kind]) for kind in TANK_ALARMS]
    waiting = [alarm.priority for alarm in alarms if alarm.phase in WAITING]
    numbers += [_count(waiting.count(priority)) for priority in _PRIORITIES]
    numbers.append(sum(alarm.phase in HIDDEN for alarm in alarms))
    return numbers


def _transfers(transfers: Sequence[OpenTransfer] | None) -> list[float]:
    if transfers is None:
        return [_NO_COUNT, *([_NO_SECONDS, 0, 0] * MOST_TRANSFERS)]
    numbers: list[float] = [_count(len(transfers))]
    for each in transfers[:MOST_TRANSFERS]:
        numbers += (each.number % 2**32, TRANSFER_KINDS.index(each.kind), PHASE_CODES.index(each.phase))
    return [*numbers, *([_NO_SECONDS, 0, 0] * (MOST_TRANSFERS - len(transfers[:MOST_TRANSFERS])))]


_PRIORITIES = tuple(reversed(PRIORITY_CODES))
_MAIN = [(Figures._fields.index(name), scaled) for name, scaled in MAIN_FIGURES.items()]
_DETAILS = [(Figures._fields.index(name), scaled) for name, scaled in DETAIL_FIGURES.items()]


def _packer(fields: Sequence[Field], size: int) -> Callable[..., bytes]:
    """Of `size` registers: what no field takes is zero. Big-endian."""
    code, end = ">", 0
    for field in fields:
        code += f"{2 * (field.offset - end)}x" if field.offset > end else ""
        code += field.form.code
        end = field.offset + field.form.registers
    return struct.Struct(f"{code}{2 * (size - end)}x").pack


def _orders(fields: Sequence[Field], size: int) -> dict[str, list[int] | None]:
    """By the order of bytes: which byte of the packed registers stands where; None: each where it is."""
    orders: dict[str, list[int] | None] = {}
    for word, order in ORDERS.items():
        places = list(range(2 * size))
        for field in fields:
            if field.form.registers == 2:
                first = 2 * field.offset
                places[first : first + 4] = [first + place for place in order]
        orders[word] = None if word == "ABCD" else places
    return orders


def _in_order(packed: bytes, places: list[int] | None) -> bytes:
    return packed if places is None else bytes(map(packed.__getitem__, places))


_PACK_BLOCK, _BLOCK_ORDERS = _packer(BLOCK_FIELDS, BLOCK), _orders(BLOCK_FIELDS, BLOCK)
_PACK_HEADER, _HEADER_ORDERS = _packer(HEADER_FIELDS, HEADER), _orders(HEADER_FIELDS, HEADER)
