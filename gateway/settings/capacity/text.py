"""A capacity table as the text of the CSV file that `gateway.settings.capacity.table_file` reads."""

from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.calculation.tables.making import rows_in_units
from gateway.settings.capacity.marks import DecimalMark, may_group
from gateway.units.quantity import feet_inches_text

__all__ = ["FEET_AND_INCHES", "capacity_csv"]

FEET_AND_INCHES = "ft-in"
_FOOT_IN = 12.0
_SAME_IN = 1e-9


def capacity_csv(
    table: CapacityTable, level_unit: str = "m", volume_unit: str = "m3", mark: DecimalMark = DecimalMark.DOT
) -> str:
    """The whole file, rows in the given units, m and m3 with every digit a float has, others with 15.

    Levels in `ft-in` are written as feet, inches and sixteenths, and with decimal inches where they are not whole
    sixteenths: no level is moved. With a decimal comma the columns stand apart by semicolons; the header keeps its
    dots. The header states the decimal mark, since three digits behind every mark would be ambiguous. Raises
    QuantityError: unknown unit.
    """
    heel = f"{_of_header(table.heel_m3, mark)} m3, included" if table.heel_m3 else "none"
    temperature = "not stated" if table.temperature_c is None else f"{_of_header(table.temperature_c, mark)} degC"
    entries = [
        ("name", table.name),
        ("level", level_unit),
        ("volume", volume_unit),
        ("datum", table.zero or "not stated"),
        ("date", "not stated" if table.date is None else table.date.isoformat()),
        ("reference temperature", temperature),
        ("liquid head", _included(table.head_included, table.head_density_kg_m3, mark)),
        ("roof", _included(table.roof_included, table.roof_density_kg_m3, mark)),
        ("heel", heel),
        ("decimal mark", mark.value),
    ]
    if table.reference_height_m is not None:
        entries.append(("reference height", f"{_of_header(table.reference_height_m, mark)} m"))
    if table.notes:
        entries.append(("notes", table.notes))
    header = [f"# {key}: {value}" for key, value in entries]
    in_feet = level_unit == FEET_AND_INCHES
    pairs = rows_in_units(table, "in" if in_feet else level_unit, volume_unit)
    levels = [_feet_and_inches(level) if in_feet else _number(level, level_unit) for level, _ in pairs]
    if len(set(levels)) < len(levels):
        # Rows closer than the digits show would come back as one level given twice.
        levels = [_decimal_inches(level) if in_feet else repr(level) for level, _ in pairs]
    separator = "," if mark is DecimalMark.DOT else ";"
    rows = [
        f"{level}{separator}{_number(volume, volume_unit)}".replace(".", mark.sign)
        for level, (_, volume) in zip(levels, pairs, strict=True)
    ]
    return "\n".join([*header, f"level{separator}volume", *rows, ""])


def _number(value: float, unit: str) -> str:
    # SI needs no conversion, so that its digits are the table's own; what a conversion adds behind them is noise.
    return repr(value) if unit in ("m", "m3") else f"{value:.15g}"


def _feet_and_inches(inches: float) -> str:
    if abs(inches * 16.0 - round(inches * 16.0)) < 16.0 * _SAME_IN:
        return feet_inches_text(inches * 0.0254).replace(" ft ", "'").replace(" in", '"')
    return _decimal_inches(inches)


def _decimal_inches(inches: float) -> str:
    sign = "-" if inches < 0.0 else ""
    feet = int(abs(inches) // _FOOT_IN)
    return f"{sign}{feet}'{abs(inches) - feet * _FOOT_IN:.14f}\""


def _included(included: bool | None, density_kg_m3: float | None, mark: DecimalMark) -> str:
    if included is None:
        return "not stated"
    return f"included at {_of_header(density_kg_m3 or 0.0, mark)} kg/m3" if included else "not included"


def _of_header(value: float, mark: DecimalMark) -> str:
    """With a dot. Beside decimal commas one before three digits would be one of thousands: a fourth tells it apart."""
    text = repr(value)
    return f"{text}0" if mark is DecimalMark.COMMA and may_group(text) else text
