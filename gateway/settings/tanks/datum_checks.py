"""Where a level counts from: the zero of a gauge against that of the capacity table, in the words of the site.

A gauge whose zero is the datum plate beside a table whose zero is the tank floor is wrong by the height of the plate,
and nothing that is measured tells.
"""

from gateway.calculation.contracts import Capacity
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.settings.reading.document import Document, KeyPath, Mistakes
from gateway.settings.tanks.manual import ManualValues
from gateway.settings.tanks.models import LevelModel, NoWater, SecondLevelModel, TankModel

__all__ = ["check_datums", "same_place"]

_UNKNOWN = ("", "not stated")
_ANY = ("table zero", "zero of the gauge")
"""Words for the very place that is to be compared with."""


def check_datums(
    model: TankModel, capacity: Capacity, document: Document, path: KeyPath, mistakes: Mistakes, manual: ManualValues
) -> None:
    """Report gauges whose zero is said to be another than that of the capacity table, or of the first gauge, and is not
    brought to it by an offset; warn where that offset is taken for the difference, and where a gauge does not say.
    """
    table = capacity if isinstance(capacity, CapacityTable) else None
    gauges: list[tuple[str, LevelModel | SecondLevelModel | None]] = [
        ("level", model.level),
        ("second_level", model.second_level),
    ]
    for key, gauge in gauges:
        if gauge is None:
            continue
        here: KeyPath = (*path, key)
        if table is not None and not table.is_shifted and _plain(table.datum) not in _UNKNOWN:
            what, zero, offset_m = "capacity table", table.datum, 0.0
        elif table is None and key == "second_level" and model.level is not None and model.level.datum is not None:
            what, zero, offset_m = "first gauge", model.level.datum, model.level.offset
        else:
            continue
        if gauge.datum is None:
            if isinstance(gauge, SecondLevelModel) or gauge.from_pressure is None:
                manual.warn(here, f"does not say what its zero is; that of the {what} is '{zero}': give datum")
            continue
        if same_place(gauge.datum, zero):
            continue
        written = f"'{document.text((*here, 'datum'))}'"
        if isinstance(gauge, LevelModel) and gauge.from_pressure is not None:
            text = f"is not the zero of the {what}, '{zero}', from which nozzle_height counts; correct both"
            mistakes.add((*here, "datum"), f"{written} {text}")
        elif gauge.offset == offset_m:
            text = f"is not the zero of the {what}, '{zero}'; give its height above that as offset, or correct the word"
            mistakes.add((*here, "datum"), f"{written} {text}")
        else:
            higher = document.text((*here, "offset")) if gauge.offset != 0.0 else "0 m"
            text = f"is taken to bring the zero of the gauge, '{gauge.datum}', to that of the {what}, '{zero}'"
            manual.warn((*here, "offset"), f"{higher} {text}; prove it by a dip")
            if table is not None and key == "level" and not isinstance(model.free_water, NoWater):
                text = f"counts from the zero of the capacity table, '{zero}', and not from that of the level gauge"
                more = "; where the probe or the tape counts from there, add as much to what it says"
                manual.warn((*path, "free_water"), f"{text}, '{gauge.datum}'{more}")


def same_place(one: str, other: str) -> bool:
    """Whether two datums are the same in words: case, spaces, hyphens and what follows a comma do not count."""
    first, second = _plain(one), _plain(other)
    return first == second or first in _ANY or second in _ANY


def _plain(words: str) -> str:
    plain = " ".join(words.partition(",")[0].casefold().replace("-", " ").replace("_", " ").split())
    return plain.removeprefix("the ")
