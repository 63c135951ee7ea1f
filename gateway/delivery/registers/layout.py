"""Pure: where everything stands in the register map, and what the numbers mean. One table for encoding and document.

Everything that is not told by a number of its own is a code, and 0 is never the code of something that is well: a
control system that has cleared its memory, or read nothing yet, must not find Good there.
"""

from collections.abc import Iterable, Mapping
from enum import Enum
from typing import Any, NamedTuple

from gateway.figures import FIGURE_DEFINITIONS
from gateway.records import Quality
from gateway.states import LimitState, RoofZone
from gateway.tank_state import AlarmKind, AlarmPhase, Motion, Priority

__all__ = [
    "ALARM_CODES",
    "ALARM_NOT_SET_UP",
    "BLOCK",
    "BLOCK_FIELDS",
    "DETAIL_FIGURES",
    "HEADER",
    "HEADER_FIELDS",
    "LAST_BLOCK",
    "LIMITS",
    "LIMIT_CODES",
    "MAIN_FIGURES",
    "MAP_VERSION",
    "MOST_TRANSFERS",
    "MOTION_CODES",
    "NOTHING_APPLIES",
    "ORDERS",
    "ORIGIN_CODES",
    "PARTS",
    "PHASE_CODES",
    "PRIORITY_CODES",
    "QUALITY_CODES",
    "RATES",
    "ROOF_CODES",
    "TANK_ALARMS",
    "TEST_FLOAT",
    "TEST_INTEGER",
    "TRANSFER_KINDS",
    "Field",
    "Form",
    "Part",
    "Scaled",
    "Validity",
    "base_of",
    "level_number",
]

MAP_VERSION = 1
"""Another number for a map in which something that was there stands elsewhere or means something else."""
BLOCK = 320
"""Registers of a tank. Block n begins at n times this; block 0 is the site's."""
HEADER = 40
"""Registers of the site, from address 0."""
LAST_BLOCK = 65_536 // BLOCK - 1
MOST_TRANSFERS = 2
"""Told of a tank; how many there are is told too."""
TEST_FLOAT, TEST_INTEGER = 1234.5, -123_456
ORDERS: Mapping[str, tuple[int, int, int, int]] = {
    "ABCD": (0, 1, 2, 3),
    "CDAB": (2, 3, 0, 1),
    "BADC": (1, 0, 3, 2),
    "DCBA": (3, 2, 1, 0),
}
"""Of two registers, the first of them first: which byte of the number stands where. A single register is never swapped:
the protocol itself says high byte first."""


class Form(Enum):
    """How a number stands in registers: its name, their count, its code of the struct module, what stands for none."""

    UINT16 = "uint16", 1, "H", "65535"
    INT16 = "int16", 1, "h", "-32768 (0x8000)"
    UINT32 = "uint32", 2, "I", "4294967295"
    INT32 = "int32", 2, "i", "-2147483648 (0x80000000)"
    FLOAT32 = "float32", 2, "f", "NaN"

    def __init__(self, word: str, registers: int, code: str, none: str) -> None:
        self.word = word
        self.registers = registers
        self.code = code
        self.none = none


class Validity(Enum):
    """Whether a block tells of the present."""

    NO_SHEET = 0
    """None has been made since the gateway's start."""
    LIVE = 1
    OVERDUE = 2
    """The next sheet should have come: everything in the block is Bad or unknown."""
    NOT_WATCHED = 3
    """The tank is no longer in the site file, or the gateway ends."""


QUALITY_CODES = {Quality.BAD: 0, Quality.UNCERTAIN: 1, Quality.GOOD: 2}
NOTHING_APPLIES = 3
"""Good, and there is no number: the tank has nothing of the kind, or none was found, as no water at the bottom."""
ORIGIN_CODES = {"unknown": 0, "measured": 1, "simulated": 2}
LIMIT_CODES = {state: number for number, state in enumerate(LimitState)}
ROOF_CODES = {None: 0} | {zone: number for number, zone in enumerate(RoofZone, start=1)}
MOTION_CODES = {motion: number for number, motion in enumerate(Motion)}
ALARM_CODES = {phase: number for number, phase in enumerate(AlarmPhase, start=1)}
ALARM_NOT_SET_UP = 8
PRIORITY_CODES = {Priority.LOOK: 2, Priority.SOON: 3, Priority.NOW: 4}
"""Of the most pressing alarm; 1: none stands, 0: not known."""
TRANSFER_KINDS = ("", "receipt", "dispatch", "tank_to_tank", "circulation", "water_draw")
PHASE_CODES = ("", "proposed", "planned", "running", "paused", "settling")
TANK_ALARMS = (
    AlarmKind.CRITICAL_HIGH,
    AlarmKind.HIGH_HIGH,
    AlarmKind.MAXIMUM_WORKING,
    AlarmKind.MINIMUM,
    AlarmKind.FILL_HIGH,
    AlarmKind.HIGH_HIGH_SOON,
    AlarmKind.FILLING_TOO_FAST,
    AlarmKind.EMPTYING_TOO_FAST,
    AlarmKind.TEMPERATURE_HIGH,
    AlarmKind.TEMPERATURE_LOW,
    AlarmKind.PRESSURE_HIGH,
    AlarmKind.PRESSURE_LOW,
    AlarmKind.WATER_HIGH,
    AlarmKind.DENSITY_DOUBTFUL,
    AlarmKind.LEVEL_LOST,
    AlarmKind.INSTRUMENT_FAILED,
    AlarmKind.DATA_STALE,
    AlarmKind.GAUGES_DISAGREE,
    AlarmKind.LEVEL_FROZEN,
    AlarmKind.ROOF_LANDED,
    AlarmKind.ROOF_CRITICAL,
    AlarmKind.UNSCHEDULED_MOVEMENT,
    AlarmKind.WRONG_WAY,
    AlarmKind.SLOW_LOSS,
)
"""Their registers never change places: a new one comes behind the last field of the block."""
LIMITS = ("minimum", "maximum_working", "high_high", "critical_high")


class Scaled(NamedTuple):
    """A figure as a whole number: how many SI units a step is."""

    step: float
    form: Form
    rounds_down: bool = False


_LENGTH = Scaled(0.0001, Form.INT32)
_TEMPERATURE = Scaled(0.01, Form.INT16)
_VOLUME = Scaled(0.001, Form.INT32)
_MASS = Scaled(1.0, Form.INT32)
_DENSITY = Scaled(0.01, Form.INT32)
_FACTOR = Scaled(0.000_001, Form.INT32)
_PERCENT = Scaled(0.0001, Form.INT16)
_PRESSURE = Scaled(1.0, Form.INT32)
_DOWN = Scaled(0.001, Form.INT32, rounds_down=True)
"""Room and what can be pumped: rounded up they would promise what is not there."""

MAIN_FIGURES: Mapping[str, Scaled] = {
    "level": _LENGTH,
    "ullage": _LENGTH,
    "water_level": _LENGTH,
    "liquid_temperature": _TEMPERATURE,
    "vapour_pressure": _PRESSURE,
    "tov": _VOLUME,
    "free_water": _VOLUME,
    "gov": _VOLUME,
    "gsv": _VOLUME,
    "nsv": _VOLUME,
    "mass": _MASS,
    "total_mass": _MASS,
    "reference_density": _DENSITY,
    "observed_density": _DENSITY,
    "pumpable": _DOWN,
    "room": _DOWN,
    "fill": _PERCENT,
}
RATES: Mapping[str, Scaled] = {"rate": _FACTOR, "level_rate": _FACTOR}
"""Of the watch: m3/s into the tank and m/s upwards."""
DETAIL_FIGURES: Mapping[str, Scaled] = {
    "second_level": _LENGTH,
    "level_difference": _LENGTH,
    "temperature_spread": _TEMPERATURE,
    "vapour_temperature": _TEMPERATURE,
    "ambient_temperature": _TEMPERATURE,
    "bottom_pressure": _PRESSURE,
    "measured_density": _DENSITY,
    "density_difference": _DENSITY,
    "shell_temperature": _TEMPERATURE,
    "ctsh": _FACTOR,
    "ctl": _FACTOR,
    "cpl": _FACTOR,
    "head_adjustment": _VOLUME,
    "roof_displacement": _VOLUME,
    "sediment_water": _PERCENT,
    "weight_in_air": _MASS,
    "net_mass": _MASS,
    "net_weight_in_air": _MASS,
    "solute_mass": _MASS,
    "vapour_density": _DENSITY,
    "vapour_mass": _MASS,
}


class Field(NamedTuple):
    """One number of the map."""

    key: str
    """`gsv.float`, `gsv.integer`, `gsv.quality`, `gsv.age`, `limit_state`, `alarm.high_high`: unique in its table."""
    offset: int
    """Registers from the beginning of the block, or of the header."""
    form: Form
    title: str
    unit: str = ""
    """SI, of what the number tells; empty for a code or a count."""
    step: float = 1.0
    """What is told is the number times this."""
    codes: Mapping[str, int] | None = None


class Part(NamedTuple):
    """A run of registers that one request can read, with all that belongs to its values."""

    title: str
    first: int
    size: int


_QUALITIES = {"Bad, no number": 0, "Uncertain": 1, "Good": 2, "Good, nothing applies, no number": NOTHING_APPLIES}
_SHEET_QUALITIES = {"Bad": 0, "Uncertain": 1, "Good": 2}
_VALIDITIES = {"no sheet yet": 0, "live": 1, "overdue": 2, "not watched": 3}
_ALARM_WORDS = {"unknown": 0, **{str(phase): code for phase, code in ALARM_CODES.items()}}
_ALARM_WORDS["not set up"] = ALARM_NOT_SET_UP
_TRANSFER_WORDS = {word or "none": code for code, word in enumerate(TRANSFER_KINDS)}
_PHASE_WORDS = {word or "none": code for code, word in enumerate(PHASE_CODES)}
_PRIORITY_WORDS = {"unknown": 0, "none": 1, **{str(each): code for each, code in PRIORITY_CODES.items()}}
_TITLES = {definition.name: (definition.title, definition.unit) for definition in FIGURE_DEFINITIONS} | {
    "rate": ("Net rate into the tank", "m3/s"),
    "level_rate": ("Rate of the level, upwards", "m/s"),
}
_Row = tuple[str, Form, str, str, float, Mapping[str, int] | None]


def _plain(key: str, form: Form, title: str, unit: str = "", codes: Mapping[str, int] | None = None) -> _Row:
    return key, form, title, unit, 1.0, codes


def _sheet(name: str) -> list[_Row]:
    """What begins every part: it says whether what follows is of the present, and of which sheet."""
    return [
        _plain(f"{name}.validity", Form.UINT16, "Whether this tells of the present", codes=_VALIDITIES),
        _plain(f"{name}.sheet", Form.UINT32, "Number of the sheet: alike in all parts of one sheet"),
        _plain(f"{name}.quality", Form.UINT16, "Quality of the tank", codes=_SHEET_QUALITIES),
    ]


def _figures(scaled: Mapping[str, Scaled]) -> list[_Row]:
    rows: list[_Row] = []
    for name, (step, form, _) in scaled.items():
        title, unit = _TITLES[name]
        rows += [
            (f"{name}.float", Form.FLOAT32, title, unit, 1.0, None),
            (f"{name}.integer", form, title, unit, step, None),
            _plain(f"{name}.quality", Form.UINT16, f"{title}: quality", codes=_QUALITIES),
            _plain(f"{name}.age", Form.UINT16, f"{title}: age of the oldest input", "s"),
        ]
    return rows


def _main() -> list[_Row]:
    return [
        *_sheet("main"),
        _plain("sheet_time", Form.UINT32, "When the sheet was made, UTC, seconds since 1970", "s"),
        _plain("sheet_age", Form.UINT16, "Age of the sheet", "s"),
        _plain("origin", Form.UINT16, "Where the values come from", codes=ORIGIN_CODES),
        _plain("limit_state", Form.UINT16, "Level against its limits", codes=_by_word(LIMIT_CODES)),
        _plain("roof", Form.UINT16, "Floating roof", codes={"none, or unknown": 0, **_by_word(ROOF_CODES)}),
        _plain("motion", Form.UINT16, "Whether the contents move", codes=_by_word(MOTION_CODES)),
        _plain("alarms", Form.UINT16, "Alarms that wait for somebody"),
        _plain("priority", Form.UINT16, "Priority of the most pressing of them", codes=_PRIORITY_WORDS),
        *_figures({**MAIN_FIGURES, **RATES}),
    ]


def _states() -> list[_Row]:
    rows = _sheet("states")
    for limit in LIMITS:
        words = f"Limit, {limit.replace('_', ' ')}"
        rows.append((f"limit.{limit}.float", Form.FLOAT32, words, "m", 1.0, None))
        rows.append((f"limit.{limit}.integer", Form.INT32, words, "m", _LENGTH.step, None))
    rows += [
        _plain(f"time.{limit}", Form.UINT32, f"Until {limit.replace('_', ' ')}, at the rate of now", "s")
        for limit in LIMITS
    ]
    rows += [
        _plain(f"alarm.{kind}", Form.UINT16, f"Alarm {kind.replace('_', ' ')}", codes=_ALARM_WORDS)
        for kind in TANK_ALARMS
    ]
    rows += [_plain(f"alarms.{each}", Form.UINT16, f"Alarms that wait, {each}") for each in Priority]
    rows.append(_plain("alarms.hidden", Form.UINT16, "Alarms shelved, suppressed or out of service"))
    rows.append(_plain("transfers", Form.UINT16, "Transfers that are not over and in which the tank takes part"))
    for number in range(1, MOST_TRANSFERS + 1):
        rows += [
            _plain(f"transfer.{number}.number", Form.UINT32, f"Transfer {number}: its number"),
            _plain(f"transfer.{number}.kind", Form.UINT16, f"Transfer {number}: kind", codes=_TRANSFER_WORDS),
            _plain(f"transfer.{number}.phase", Form.UINT16, f"Transfer {number}: phase", codes=_PHASE_WORDS),
        ]
    return rows


def _site() -> list[_Row]:
    return [
        _plain("map_version", Form.UINT16, "Version of this map"),
        _plain("block_size", Form.UINT16, "Registers of a tank's block"),
        _plain("heartbeat", Form.UINT16, "Counts the sheets made, of all tanks: it stands still when none is made"),
        _plain("heartbeat_age", Form.UINT16, "Since a sheet was last made, of whichever tank", "s"),
        _plain("time", Form.UINT32, "Time of the gateway, UTC, seconds since 1970", "s"),
        _plain("origin", Form.UINT16, "Where the values come from", codes=ORIGIN_CODES),
        _plain("test.float", Form.FLOAT32, f"Always {TEST_FLOAT:g}: to try the order of bytes"),
        _plain("test.integer", Form.INT32, f"Always {TEST_INTEGER}: likewise"),
        _plain("tanks", Form.UINT16, "Tanks that have a block"),
        _plain("tanks.good", Form.UINT16, "Of them Good"),
        _plain("tanks.uncertain", Form.UINT16, "Of them Uncertain"),
        _plain("tanks.bad", Form.UINT16, "Of them Bad, overdue or without a sheet"),
        *(
            _plain(f"alarms.{each}", Form.UINT16, f"Alarms of the site that wait for somebody, {each}")
            for each in Priority
        ),
        _plain("alarms.unacknowledged", Form.UINT16, "Alarms of the site that nobody has acknowledged"),
        _plain("alarms.hidden", Form.UINT16, "Alarms of the site shelved, suppressed or out of service"),
        _plain("alarms.gateway", Form.UINT16, "Those of the first three that are of the gateway itself"),
        _plain("lines", Form.UINT16, "Lines to instruments"),
        _plain("lines.lost", Form.UINT16, "Of them not connected"),
        _plain("transfers", Form.UINT16, "Transfers of the site that are not over"),
        _plain("last_block", Form.UINT16, "The greatest number of a block"),
        _plain(
            "started", Form.UINT32, "When the gateway was started, UTC, seconds since 1970: sheets count from 1", "s"
        ),
    ]


def _by_word(codes: Mapping[Any, int]) -> dict[str, int]:
    return {str(state).replace("_", " "): code for state, code in codes.items() if state is not None}


def _placed(rows: Iterable[_Row], first: int) -> tuple[Field, ...]:
    """One behind the other, without a gap."""
    fields, offset = [], first
    for key, form, title, unit, step, codes in rows:
        fields.append(Field(key, offset, form, title, unit, step, codes))
        offset += form.registers
    return tuple(fields)


_DETAILS_FROM, _STATES_FROM = 125, 250
PARTS = (
    Part("what is read each time", 0, 125),
    Part("details", _DETAILS_FROM, 125),
    Part("limits, alarms and transfers", _STATES_FROM, BLOCK - _STATES_FROM),
)
HEADER_FIELDS = _placed(_site(), 0)
BLOCK_FIELDS = (
    *_placed(_main(), 0),
    *_placed([*_sheet("details"), *_figures(DETAIL_FIGURES)], _DETAILS_FROM),
    *_placed(_states(), _STATES_FROM),
)


def base_of(block: int) -> int:
    """The address of the first register of a block."""
    return block * BLOCK


def level_number(block: int) -> int:
    """Where the level of a block stands as float32, counted from 1 as mbpoll does: the first thing to try."""
    return base_of(block) + next(field.offset for field in BLOCK_FIELDS if field.key == "level.float") + 1
