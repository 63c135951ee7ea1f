"""A number that is a physical quantity has its unit behind it, in every message to people: in the source of the whole
program, whether a test provokes the message or not, and in what it prints of every mistake in a site file."""

import re
from pathlib import Path

import pytest

from tests.support.units_in_messages import Bare, bare_in_source, bare_in_text

ROOT = Path(__file__).resolve().parent.parent

CELLS = "a cell of a table whose heading carries the unit"
RATIO = "a ratio"
RAW = "a number as it stands on the wire or in a file, before any unit"
DRAWING = "a coordinate of a drawing, in no unit of the world"
ALLOWED: dict[str, tuple[str, str]] = {
    "gateway.acquisition.signals.decode": (RAW, r"signal\.scale|signal\.si_factor"),
    "gateway.acquisition.signals.number_reasons": (RAW, r"number:\.2g"),
    "gateway.calculation.door": (RATIO, r"value:\.7g|lowest:g|highest:g"),
    "gateway.calculation.doubts.rates": (RATIO, r"allowance:g"),
    "gateway.calculation.methods.solution": (RATIO, r"before"),
    "gateway.calculation.shapes.heads": (RATIO, r"crown_ratio|knuckle_ratio"),
    "gateway.calculation.shapes.tilted": (RATIO, r"self\.slope"),
    "gateway.calculation.sheet": (RATIO, r"vapour\.compressibility_factor"),
    "gateway.calculation.tables.making": ("a count", r"rows"),
    "gateway.commands.technician.dip_check": (CELLS, r"dip:\.4f|now\.reading\.level"),
    "gateway.commands.technician.dip_match_page": (CELLS, r"match\.innage|match\.difference \* 1000"),
    "gateway.commands.technician.loop_check": (CELLS, r"each\.point\.|reading\."),
    "gateway.commands.accountant.recalculate": ("a list with one unit at its end", r"height"),
    "gateway.commands.surveyor.table_plot": (DRAWING, r"at\[|_WIDTH|_HEIGHT|[xy]:|value"),
    "gateway.commands.surveyor.table_preview": (CELLS, r"volume_m3|after - before|(?:100\.0 \* )?each\.|level:"),
    "gateway.commissioning.decodings": (RAW, r"value"),
    "gateway.errors": (RATIO, r"value:\.7g"),
    "gateway.delivery.metrics": ("a sample, whose unit is in its name", r"limit_m"),
    "gateway.delivery.registers.document": ("a cell whose column has the unit", r"field\.step"),
    "gateway.delivery.registers.layout": (RATIO, r"TEST_FLOAT"),
    "gateway.delivery.watch_metrics": ("a sample, whose unit is in its name", r"time\.in_s"),
    "gateway.commands.service.ledger_alarms": ("a count", r"figures\.per_hour|TARGET_PER_HOUR"),
    "gateway.account.uncertainty": ("the name of an input, told to nobody", r"level|density"),
    "gateway.commands.operator.transfer_list": ("words with their unit behind them", r"per_hour|round\(per_hour"),
    "gateway.page_answers.trends": ("a number cut to its digits, told to nobody", r"value:\.7g"),
    "gateway.reports.numbers": ("a cell whose column has the unit", r"value|abs\(value"),
    "gateway.reports.tables.alarm_list": ("a count", r"len\(raised"),
    "gateway.watch.watch": ("a number cut to its digits, told to nobody", r"rate\.value"),
    "gateway.settings.capacity.text": (RAW, r"value|abs\(inches"),
    "gateway.settings.lines.register_maps": (RAW, r"number|largest"),
    "gateway.commands.demonstration.processes": (RATIO, r"time_factor"),
    "gateway.commands.demonstration.screen": (RATIO, r"snapshot\.time_factor"),
    "gateway.commands.operator.show": (RATIO, r"float\(factor\)"),
    "gateway.commands.service.time_factor": (RATIO, r"factor|FASTEST"),
    "simulators.command": (RATIO, r"scenario\.time_factor|factor"),
    "simulators.worksheet": ("a cell of a file whose column is named", r"row\.height_m"),
}
"""By module: why, and which expressions."""

RATIOS_AND_FILES = re.compile(
    r"\.scale: |\.sentinels\b|mass fraction |: slope |compressibility factor |mark of thousands|Sparkplug 3\.0, "
)
"""Messages of which the number is a ratio, stands in a file as a bare number, or is the edition of a standard."""


def test_every_number_for_people_has_a_unit_behind_it_in_the_source() -> None:
    bare = [each for each in _bare_numbers() if not _allowed(each.module, each.text)]
    assert not bare, "\n".join(f"{module}:{line}: {text} has no unit behind it" for module, line, text in bare)


def test_each_exception_is_still_needed() -> None:
    found = {each.module for each in _bare_numbers()}
    assert ALLOWED.keys() <= found


def _bare_numbers() -> list[Bare]:
    return [each for package in ("gateway", "simulators") for each in bare_in_source(ROOT / package)]


def _allowed(module: str, text: str) -> bool:
    reason_and_text = ALLOWED.get(module)
    return reason_and_text is not None and re.search(rf"^{{(?:{reason_and_text[1]})", text) is not None


@pytest.mark.parametrize(
    ("line", "bare"),
    [
        ('f"{level_m:.3f}"', 1),
        ('f"{level_m:.3f} m"', 0),
        ('f"{level_m:.3f} metres"', 1),
        ('f"{low:g} to {high:g} degC"', 0),
        ('f"{low:g} to {high:g}"', 2),
        ('f"{value:.7g}{unit_text}"', 0),
        ('f"{value:.7g} {span.unit}"', 0),
        ('f"{step_m} and so on"', 1),
        ('f"{share:.2%}"', 0),
        ('f"{tank} {count} {when:%H:%M}"', 0),
        ('"{level:.3f}"', 1),
        ('"{level:.3f} m"', 0),
        ('"{level:.3f} metres"', 1),
        ('"{level:mm .0f} of liquid"', 0),
        ('"{low:g} to {high:g} degC"', 0),
        ('"{low:g} to {high:g}"', 2),
        ('"{value:.7g} {unit}"', 0),
        ('"{value:.7g}{unit:behind}"', 0),
        ('"{value:.7g}{unit}"', 1),
        ('"{value:.7g} is {limit}"', 1),
        ('"{step_m} and so on"', 1),
        ('"{tank} {count} {age:duration} {when:utc}"', 0),
    ],
)
def test_the_rule_can_fail(tmp_path: Path, line: str, bare: int) -> None:
    (tmp_path / "gateway").mkdir()
    (tmp_path / "gateway" / "a.py").write_text(f"x = {line}\n")
    assert len(list(bare_in_source(tmp_path / "gateway"))) == bare


@pytest.mark.parametrize(
    ("text", "bare"),
    [
        ("level 15.2 is above the table", 1),
        ("level 15.2 m is above 14.6 m", 0),
        ("give 0.5 to 2.0 m", 0),
        ("'15.2' has no unit; give 15.2 m", 0),
        ("below 611.2 kg/m3 (API MPMS 11.1 (2004))", 0),
        ("192.0.2.10:502 answers", 0),
    ],
)
def test_the_rule_of_printed_text_can_fail(text: str, bare: int) -> None:
    assert len(bare_in_text(text)) == bare


def test_every_mistake_in_a_site_file_is_told_with_units() -> None:
    """Each message of messages.txt, which holds one of every kind."""
    lines = (ROOT / "tests" / "invalid_site_files" / "messages.txt").read_text("utf-8").splitlines()
    bare = [(line, found) for line in lines if not RATIOS_AND_FILES.search(line) for found in bare_in_text(line)]
    assert len(lines) > 300
    assert not bare, "\n".join(f"{found!r} in {line}" for line, found in bare)
