"""A capacity table that somebody has: checked as `table check` does, and beside what a tank goes by now."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from gateway.calculation.contracts import Capacity
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.errors import LimitError, SettingsError
from gateway.settings import TankSetup
from gateway.settings.capacity.table_file import LARGEST_TABLE, read_capacity_text
from gateway.site_desk.checking import Findings, Looks
from gateway.site_desk.page import mistake_documents

__all__ = ["proposed_tables", "table_document"]

_LEVELS = 41
_FEW_LEVELS = 10


def table_document(file: Path, name: str, text: str, setup: TankSetup, looks: Looks) -> dict[str, Any]:
    """Plain values. `file`: the site file, beside which it is to lie."""
    path = file.parent / name
    before = setup.plan.capacity
    told: dict[str, Any] = {"schema": "tank-gateway/page-table-check/1", "before": before.clause}
    nothing: dict[str, Any] = {"words": "", "volumes": [], "largest": None}
    try:
        if len(text.encode()) > LARGEST_TABLE:
            raise SettingsError((f"{path} is larger than {LARGEST_TABLE / 1e6:g} MB, and no table needs to be",))
        table = read_capacity_text(text, path)
    except SettingsError as error:
        return {**told, **nothing, **_found(Findings(error.mistakes, (), ()), path)}
    found = looks.table(table, setup)
    return {
        **told,
        **_found(found, path),
        "words": _words(table),
        "volumes": [_beside(level, before, table) for level in _levels(before, table, _LEVELS)],
        "largest": _largest(before, table),
    }


def proposed_tables(
    file: Path, tables: Mapping[str, str], new: Sequence[TankSetup], present: Mapping[str, Capacity]
) -> list[dict[str, Any]]:
    """What is in tables that are to lie beside the site file, and what a tank would hold by them: for whoever approves
    it. Plain values. `new`: the tanks as they would be; `present`: what each tank goes by now."""
    found: list[dict[str, Any]] = []
    for name, text in tables.items():
        try:
            table = read_capacity_text(text, file.parent / name)
        except SettingsError as error:
            found.append({"name": name, "words": "; ".join(error.mistakes), "rows": [], "tanks": []})
            continue
        # In a plan it may count from another zero, and not hold other volumes.
        users = [
            (setup.plan.tank, setup.plan.capacity)
            for setup in new
            if isinstance(setup.plan.capacity, CapacityTable) and setup.plan.capacity.volumes_m3 == table.volumes_m3
        ]
        rows = [list(row) for row in zip(table.levels_m, table.volumes_m3, strict=True)]
        tanks = [_for_tank(tag, present.get(tag), after) for tag, after in users]
        found.append({"name": name, "words": _words(table), "rows": rows, "tanks": tanks})
    return found


def _for_tank(tag: str, before: Capacity | None, after: CapacityTable) -> dict[str, Any]:
    if before is None:
        volumes = [
            {"level": level, "before": None, "after": _volume(after, level)}
            for level in _levels(after, after, _FEW_LEVELS)
        ]
        return {"tank": tag, "before": "", "volumes": volumes, "largest": None}
    volumes = [_beside(level, before, after) for level in _levels(before, after, _FEW_LEVELS)]
    return {"tank": tag, "before": before.clause, "volumes": volumes, "largest": _largest(before, after)}


def _words(table: CapacityTable) -> str:
    return f"{table.clause}: {len(table.levels_m)} rows, {table.bottom_m:.3f} m to {table.top_m:.3f} m"


def _found(found: Findings, path: Path) -> dict[str, Any]:
    return {
        "well": not found.mistakes,
        "mistakes": mistake_documents(found.mistakes, str(path)),
        "warnings": list(found.warnings),
        "remarks": list(found.remarks),
    }


def _levels(before: Capacity, after: Capacity, count: int) -> Sequence[float]:
    """Evenly from the lowest to the highest that either knows."""
    lowest, highest = min(before.bottom_m, after.bottom_m), max(before.top_m, after.top_m)
    step = (highest - lowest) / (count - 1)
    return [*(lowest + number * step for number in range(count - 1)), highest]


def _largest(before: Capacity, after: CapacityTable) -> dict[str, float | None] | None:
    rows = [_beside(level, before, after) for level in after.levels_m]
    apart = [(abs(row["after"] - row["before"]), row) for row in rows if None not in (row["before"], row["after"])]
    return max(apart, key=lambda each: each[0])[1] if apart else None


def _beside(level_m: float, before: Capacity, after: Capacity) -> dict[str, Any]:
    return {"level": level_m, "before": _volume(before, level_m), "after": _volume(after, level_m)}


def _volume(capacity: Capacity, level_m: float) -> float | None:
    try:
        return capacity.volume(level_m)
    except LimitError:
        return None
