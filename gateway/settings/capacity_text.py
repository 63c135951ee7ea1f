"""A capacity table as the text of the CSV file that `gateway.settings.capacity_file` reads."""

from gateway.calculation.capacity_table import CapacityTable
from gateway.calculation.table_making import rows_in_units

__all__ = ["capacity_csv"]


def capacity_csv(table: CapacityTable, level_unit: str = "m", volume_unit: str = "m3") -> str:
    """The whole file, rows in the given units with every digit a float has. Raises QuantityError: unknown unit."""
    heel = f"{table.heel_m3!r} m3, included" if table.heel_m3 else "none"
    temperature = "not stated" if table.temperature_c is None else f"{table.temperature_c!r} degC"
    entries = [
        ("name", table.name),
        ("level", level_unit),
        ("volume", volume_unit),
        ("datum", table.datum or "not stated"),
        ("date", "not stated" if table.date is None else table.date.isoformat()),
        ("reference temperature", temperature),
        ("liquid head", _included(table.head_included, table.head_density_kg_m3)),
        ("roof", _included(table.roof_included, table.roof_density_kg_m3)),
        ("heel", heel),
    ]
    if table.notes:
        entries.append(("notes", table.notes))
    header = [f"# {key}: {value}" for key, value in entries]
    rows = [f"{level!r},{volume!r}" for level, volume in rows_in_units(table, level_unit, volume_unit)]
    return "\n".join([*header, "level,volume", *rows, ""])


def _included(included: bool | None, density_kg_m3: float | None) -> str:
    if included is None:
        return "not stated"
    return f"included at {density_kg_m3!r} kg/m3" if included else "not included"
