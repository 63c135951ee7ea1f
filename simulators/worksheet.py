"""What stands in which register of a scenario's instruments, as a table that a register map is written from."""

import csv
import io

from simulators.fleet import describe
from simulators.scenario import LinePart, Scenario

__all__ = ["worksheet"]

_TABLES = {"coil": "coils", "discrete": "discrete_inputs", "holding": "holding_registers", "input": "input_registers"}
_COLUMNS = (
    "line",
    "reached by",
    "unit",
    "instrument",
    "tank",
    "quantity",
    "signal",
    "table",
    "address from zero",
    "bit",
    "type",
    "order",
    "value of one count",
    "4-20 mA over",
    "value when invalid",
    "value when nothing there",
    "height of element m",
)


def worksheet(scenario: Scenario) -> str:
    """CSV with a row for each signal."""
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(_COLUMNS)
    for row in describe(scenario):
        table.writerow(
            (
                row.line,
                _reached_by(scenario.lines[row.line]),
                row.unit,
                row.instrument,
                row.tank,
                row.quantity,
                row.signal,
                _TABLES[row.table],
                row.address,
                "" if row.bit is None else row.bit,
                row.type,
                row.order if row.registers > 1 or row.order != "ABCD" else "",
                "1 uA" if row.loop else row.step,
                row.loop,
                " ".join(map(str, row.invalid)),
                "" if row.nothing is None else row.nothing,
                f"{row.height_m:.10g}" if row.element else "",
            )
        )
    return text.getvalue()


def _reached_by(line: LinePart) -> str:
    if line.serial is not None:
        return (
            f"{line.serial.port or line.serial.pair} {line.frames} {line.serial.baud} baud parity {line.serial.parity}"
        )
    return f"{line.frames} at port {line.port or 'any'}"
