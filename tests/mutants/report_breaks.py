"""Breaks between what is kept and what somebody signs."""

from tests.mutants.a_break import Break

__all__ = ["REPORT_BREAKS"]

DIGITS = "gateway/reports/digits.py"
TOTALS = "gateway/reports/totals.py"
STOCK = "gateway/reports/tables/stock.py"
TANK = "gateway/reports/tables/tank_words.py"
AMOUNTS = "gateway/reports/tables/ticket_amounts.py"
LIST = "gateway/reports/tables/ticket_list.py"
MONTH = "gateway/reports/tables/reconciliation.py"
ROWS = "gateway/reports/tables/balance_rows.py"
CSV = "gateway/reports/csv_form.py"
XLSX = "gateway/reports/xlsx_form.py"
FLOW = "gateway/reports/paper/flow.py"
PDF = "gateway/reports/paper/pdf_form.py"
OF_STOCK = ("tests/reports/test_stock.py",)
OF_TICKETS = ("tests/reports/test_tickets.py",)
OF_MONTHS = ("tests/reports/test_reconciliation.py",)
OF_FORMS = ("tests/reports/test_forms.py",)
OF_DIGITS = ("tests/reports/test_digits.py",)
OF_PAGES = ("tests/reports/test_pages.py",)

REPORT_BREAKS: tuple[Break, ...] = (
    Break(
        "room of a report rounded up",
        DIGITS,
        "ROUND_FLOOR if name in _ROUNDED_DOWN",
        "ROUND_HALF_UP if name in ()",
        OF_DIGITS,
    ),
    Break(
        "a digit more than is known", DIGITS, 'Form("m3", "m³", 1, 0, 1000)', 'Form("m3", "m³", 1, 1, 1000)', OF_STOCK
    ),
    Break(
        "degrees API of any density", DIGITS, 'reference_words(reference_temperature_c) != "60 °F" or ', "", OF_DIGITS
    ),
    Break("Bad tank counted as there", TOTALS, "len(numbers) + empty, of", "of, of", OF_STOCK),
    Break("Uncertain total not called estimated", TOTALS, "key in row.uncertain", "False", OF_STOCK),
    Break(
        "simulated tank in a real total",
        STOCK,
        "return at.simulated or tank.gauging is None or not tank.gauging.simulated",
        "return True",
        OF_STOCK,
    ),
    Break(
        "Bad volume as zero",
        STOCK,
        "            absent[name] = absent_words(figure)\n            continue",
        "            figure = figure._replace(value=figure.value or 0.0)",
        OF_STOCK,
    ),
    Break("tank that moves at the close is Good", TANK, "frozenset({ReasonCode.MOVING, ", "frozenset({", OF_STOCK),
    Break(
        "opening with fewer digits than what was moved",
        AMOUNTS,
        "before, plan.units, like=kept)",
        "before, plan.units)",
        OF_TICKETS,
    ),
    Break(
        "what left added to what came in",
        AMOUNTS,
        "return kind is not TransferKind.TANK_TO_TANK or side.direction is Direction.INTO",
        "return True",
        OF_TICKETS,
    ),
    Break(
        "reversal counted once more", LIST, "amount if ticket.reverses is None else 0 - amount", "amount", OF_TICKETS
    ),
    Break(
        "an old revision in the month",
        MONTH,
        "key=lambda each: (each.day, each.revision)",
        "key=lambda each: each.day",
        OF_MONTHS,
    ),
    Break(
        "a hair beyond the tolerance passes", ROWS, "abs(gain) <= tolerance", "abs(gain) <= tolerance * 1.01", OF_MONTHS
    ),
    Break("a name becomes a formula", CSV, 'return f"\'{text}"', "return text", OF_FORMS),
    Break(
        "numbers as text in a workbook",
        XLSX,
        "write_number(self._next, index, float(cell), form)",
        "write_string(self._next, index, str(cell), form)",
        OF_STOCK,
    ),
    Break(
        "the day of the writing in a workbook",
        XLSX,
        '"created": report.as_of.astimezone(UTC).replace(tzinfo=None),',
        "",
        OF_FORMS,
    ),
    Break(
        "pages without the caution",
        FLOW,
        "for caution in report.cautions",
        "for caution in report.cautions[1:]",
        OF_FORMS,
    ),
    Break(
        "rows printed over the foot",
        FLOW,
        "return self.y + height <= self.bottom",
        "return self.y + height <= self.height",
        OF_PAGES,
    ),
    Break("the day of the writing on paper", PDF, "invariant=1, ", "", OF_FORMS),
)
