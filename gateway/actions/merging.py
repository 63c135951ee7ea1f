"""Pure: two masters of one fact. Where the site file and an entry both give a value, the newer `entered` is used."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, NamedTuple

from gateway.binding import Maintenance, ManualValue, TankBinding

__all__ = ["Merged", "merged"]

_DENSITIES = ("reference_density", "observed_density")
"""A tank has one of the two."""
_UNITS = {"manual_level": "m", "manual_water": "m", "manual_temperature": "degC", "sediment_water": "%"}


class Merged(NamedTuple):
    """The binding to be used, and for each field that an entry gives whether it is the one used, and the other."""

    binding: TankBinding
    used: frozenset[str]
    """Of the fields given: those of which the entry counts."""
    others: Mapping[str, str]
    """By field: what the site file says of the same, in words."""


def merged(binding: TankBinding, entered: Mapping[str, ManualValue], maintenance: Sequence[Maintenance] = ()) -> Merged:
    """`binding` as the site file has it, `entered` by the name of its field; `maintenance` of any instruments.

    A value of the site file without a date is older than any entry.
    """
    changes: dict[str, Any] = {}
    used, others = set(), {}
    for field, value in entered.items():
        rivals = _DENSITIES if field in _DENSITIES else (field,)
        given = next((each for rival in rivals if (each := getattr(binding, rival)) is not None), None)
        wins = given is None or given.entered is None or (value.entered is not None and value.entered >= given.entered)
        if wins:
            used.add(field)
            changes |= dict.fromkeys(rivals)
            changes[field] = value
        if given is not None:
            others[field] = _words(field, given, wins=wins)
    feeding = {source.instrument for source in binding.sources}
    works = tuple([each for each in maintenance if each.instrument in feeding])
    if works:
        changes["maintenance"] = works
    return Merged(replace(binding, **changes) if changes else binding, frozenset(used), others)


def _words(field: str, given: ManualValue, *, wins: bool) -> str:
    unit = _UNITS.get(field, "kg/m3")
    value = 100.0 * given.value if unit == "%" else given.value
    dated = "without a date" if given.entered is None else f"entered {_utc(given.entered)}"
    if wins:
        return f"the site file gives {value:.7g} {unit}, {dated}: it is older, and not used"
    return f"the site file gives {value:.7g} {unit}, {dated}: it is newer, and used"


def _utc(instant: datetime) -> str:
    return f"{instant.astimezone(UTC):%Y-%m-%d %H:%M} UTC"
