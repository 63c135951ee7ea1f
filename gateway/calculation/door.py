"""The door of the calculation: what is no number, or nothing that a tank could show, goes no further.

Readings and entries have been checked where they came in, each against its own range. What is handed to `calculate` all
the same is looked at once more here, in one place, so that no figure can rest on it. The bounds are common practice,
drawn as wide as can be: they tell a slip from a value, and nothing finer.
"""

import math
from operator import itemgetter
from typing import Any, NamedTuple

from gateway.records import Input, Quality, Reason, ReasonCode, TankInput, because

__all__ = ["AMBIENT_C", "DENSITY_KG_M3", "GAUGE_PRESSURE_PA", "LIQUID_C", "admitted", "hand_refusal"]

LIQUID_C = (-200.0, 400.0)
"""Liquids in tanks, from liquefied natural gas to molten salt."""
AMBIENT_C = (-90.0, 70.0)
"""The air: the coldest ever measured was -89.2 degC, the hottest 56.7 degC (WMO), and a shaded sensor adds a little."""
GAUGE_PRESSURE_PA = (-110e3, 10.5e6)
"""From a vacuum, with the error of a transmitter, to where no method here reaches (API MPMS 11.1 ends at 10.34 MPa)."""
DENSITY_KG_M3 = (100.0, 3000.0)
_LENGTH_M = (-1000.0, 1000.0)
_FLOW_M3_S = (-1000.0, 1000.0)
_SHARE = (0.0, 1.0)
_OLDEST_S = 1e12
"""Ages are worked out from clocks. An infinite one says that there never was a reading: of that nothing can be made."""


class _Range(NamedTuple):
    what: str
    lowest: float
    highest: float
    unit: str
    phrase: str
    """What is said of a reading that is not within."""


_LENGTH = _Range(
    "no length in a tank",
    *_LENGTH_M,
    "m",
    phrase="{source}: {value:m .7g} is no length in a tank: {lowest:bare m g} to {highest:m g} can be",
)
_PRESSURE = _Range(
    "no pressure of a tank",
    *GAUGE_PRESSURE_PA,
    "Pa",
    phrase="{source}: {value:Pa .7g} is no pressure of a tank: {lowest:bare Pa g} to {highest:Pa g} can be",
)
_LIQUID = _Range(
    "no temperature of a liquid in a tank",
    *LIQUID_C,
    "degC",
    phrase="{source}: {value:degC .7g} is no temperature of a liquid in a tank: {lowest:bare degC g} to "
    "{highest:degC g} can be",
)
_AMBIENT = _Range(
    "no temperature of the air",
    *AMBIENT_C,
    "degC",
    phrase="{source}: {value:degC .7g} is no temperature of the air: {lowest:bare degC g} to {highest:degC g} can be",
)
_DENSITY = _Range(
    "no density of a liquid",
    *DENSITY_KG_M3,
    "kg/m3",
    phrase="{source}: {value:kg/m3 .7g} is no density of a liquid: {lowest:bare kg/m3 g} to {highest:kg/m3 g} can be",
)
_SEDIMENT = _Range(
    "no share", *_SHARE, "", phrase="{source}: {value:.7g} is no share: {lowest:g} to {highest:g} can be"
)
_FLOW = _Range(
    "no flow of a tank",
    *_FLOW_M3_S,
    "m3/s",
    phrase="{source}: {value:m3/s .7g} is no flow of a tank: {lowest:bare m3/s g} to {highest:m3/s g} can be",
)

_RANGES = {
    "level": _LENGTH,
    "second_level": _LENGTH,
    "dip_level": _LENGTH,
    "bottom_pressure": _PRESSURE,
    "vapour_pressure": _PRESSURE,
    "water": _LENGTH,
    "dip_water": _LENGTH,
    "manual_temperature": _LIQUID,
    "ambient": _AMBIENT,
    "reference_density": _DENSITY,
    "observed_density": _DENSITY,
    "sediment_water": _SEDIMENT,
}
_TAPED = ("level", "dip_level", "dip_water", "water")
_SEVERAL = {"elements": _LIQUID, "flows": _FLOW}
_single = itemgetter(*(TankInput._fields.index(name) for name in _RANGES))
_SINGLE_SPANS = tuple((span.lowest, span.highest) for span in _RANGES.values())


def admitted(given: TankInput) -> TankInput:
    """`given` itself where every value can be; else with each that cannot be made Bad, with its reason.

    NaN and infinity are `not_a_number`; a finite value that no tank could show is `out_of_range`; a value that is
    missing without a word is `input_bad`. Bad stays Bad.
    """
    # Nearly every sheet is made of sound readings, so that they are told at one glance; every tank pays for this loop.
    each: Input | None
    for each, (lowest, highest) in zip(_single(given), _SINGLE_SPANS, strict=True):
        if each is None:
            continue
        value = each.value
        if value is None or not (lowest <= value <= highest and -_OLDEST_S < each.age_s < _OLDEST_S):
            return _sifted(given)
    for several, (lowest, highest) in ((given.elements, LIQUID_C), (given.flows, _FLOW_M3_S)):
        for each in several:
            value = each.value
            if value is None or not (lowest <= value <= highest and -_OLDEST_S < each.age_s < _OLDEST_S):
                return _sifted(given)
    return given


def hand_refusal(name: str, value: float, reference_height_m: float) -> str | None:
    """What is said of a value entered by hand (SI) for the field `name` of a `TankInput`; None where it can be.

    Narrower than for an instrument, whose zero may be off: a tape reads from 0 to the reference height.
    """
    if name in _TAPED and not 0.0 <= value <= reference_height_m:
        return f"is no level in this tank; give 0 m to {reference_height_m:.3f} m"
    if name == "sediment_water" and not _SHARE[0] <= value <= _SHARE[1]:
        return "is no share; give 0 % to 100 %"
    span = _RANGES[name]
    if span.lowest <= value <= span.highest:
        return None
    return f"is {span.what}; give {span.lowest:g} {span.unit} to {span.highest:g} {span.unit}"


def _sifted(given: TankInput) -> TankInput:
    fields: list[Any] = list(given)
    for name, span in _RANGES.items():
        index = TankInput._fields.index(name)
        each: Input | None = fields[index]
        if each is not None and not _passes(each, span):
            fields[index] = _refused(each, span)
    for name, span in _SEVERAL.items():
        index = TankInput._fields.index(name)
        fields[index] = tuple([each if _passes(each, span) else _refused(each, span) for each in fields[index]])
    return TankInput._make(fields)


def _passes(given: Input, span: _Range) -> bool:
    value, quality, reason, age_s, _, _ = given
    if not -_OLDEST_S < age_s < _OLDEST_S:
        return False
    if value is None:
        return quality is Quality.BAD or reason is not None
    return span.lowest <= value <= span.highest


def _refused(given: Input, span: _Range) -> Input:
    value = given.value
    age_s = given.age_s if -_OLDEST_S < given.age_s < _OLDEST_S else math.inf
    if given.quality is Quality.BAD:
        # It has a reason of its own, which says more.
        return given._replace(value=None, age_s=age_s)
    reason = _refusal(given, value, span, is_dated=age_s == given.age_s)
    return given._replace(value=None, quality=Quality.BAD, reason=reason, age_s=age_s)


def _refusal(given: Input, value: float | None, span: _Range, *, is_dated: bool) -> Reason:
    source = given.source
    if value is None:
        return because(ReasonCode.INPUT_BAD, "{source} gives no value", source=source)
    if not math.isfinite(value):
        # One NaN for all, so that a reason is equal to itself when it comes back from a record.
        told = math.nan if math.isnan(value) else value
        return because(ReasonCode.NOT_A_NUMBER, "{source}: {value} is not a number", source=source, value=told)
    if is_dated:
        lowest, highest = span.lowest, span.highest
        return because(ReasonCode.OUT_OF_RANGE, span.phrase, source=source, value=value, lowest=lowest, highest=highest)
    age_s = math.nan if math.isnan(given.age_s) else given.age_s
    if not span.unit:
        return because(
            ReasonCode.NOT_A_NUMBER,
            "{source}: {value:.7g}, of an age of {age} s, is not a number",
            source=source,
            value=value,
            age=age_s,
        )
    return because(
        ReasonCode.NOT_A_NUMBER,
        "{source}: {value:.7g} {unit}, of an age of {age} s, is not a number",
        source=source,
        value=value,
        unit=span.unit,
        age=age_s,
    )
