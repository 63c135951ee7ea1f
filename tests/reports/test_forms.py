"""All reports in all forms: same input same bytes, cautions on each, every figure there, nothing starts a formula."""

import csv
import io
import os
import re
import subprocess
import sys
from decimal import Decimal
from pathlib import Path

import openpyxl
import pypdf
import pytest

from gateway.reports.csv_form import harmless
from gateway.reports.paper.cells import cell_words, total_words
from gateway.reports.plan import DecimalMark, ReportPlan, ReportUnits, ThousandsMark
from gateway.reports.report import CAUTIONS, Report
from gateway.reports.tables.stock import stock_report
from gateway.reports.tables.ticket_page import ticket_report
from tests.reports.every import as_bytes, digests, every_report
from tests.reports.kept import LONDON, PLAN, TK_101, at_close, gauging, side, stock, ticket

ROOT = Path(__file__).resolve().parent.parent.parent
KINDS = sorted(every_report())
COMMA = ReportPlan(ReportUnits.METRIC, DecimalMark.COMMA, ThousandsMark.POINT)


def pages(data: bytes) -> list[str]:
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(data)).pages]


def squeezed(text: str) -> str:
    return re.sub(r"\s+", "", text)


def texts_of_workbook(data: bytes) -> list[list[object]]:
    return [
        [cell for row in sheet.iter_rows(values_only=True) for cell in row if cell is not None]
        for sheet in openpyxl.load_workbook(io.BytesIO(data))
    ]


@pytest.mark.parametrize("kind", KINDS)
def test_same_report_same_bytes(kind: str) -> None:
    first = as_bytes(every_report()[kind])
    assert as_bytes(every_report()[kind]) == first


def test_same_bytes_in_another_process_with_another_seed_in_another_zone() -> None:
    program = "from tests.reports.every import digests; print(digests())"
    found = set()
    for seed, zone in (("1", "Pacific/Kiritimati"), ("4242", "America/St_Johns")):
        environment = {**os.environ, "PYTHONHASHSEED": seed, "TZ": zone, "LC_ALL": "C"}
        done = subprocess.run(
            [sys.executable, "-c", program], cwd=ROOT, env=environment, capture_output=True, text=True, timeout=60
        )
        assert done.returncode == 0, done.stderr
        found.add(done.stdout.strip())
    assert found == {digests()}


@pytest.mark.parametrize("kind", KINDS)
def test_every_page_sheet_and_file_bears_the_cautions(kind: str) -> None:
    report = every_report()[kind]
    forms = as_bytes(report)
    found = pages(forms["pdf"])
    for number, text in enumerate(found, start=1):
        for caution in report.cautions:
            assert squeezed(caution) in squeezed(text)
        assert f"page {number} of {len(found)}" in text
        assert report.identity in text
    for sheet in texts_of_workbook(forms["xlsx"]):
        assert set(report.cautions) <= {str(cell) for cell in sheet}
    lines = list(csv.DictReader(io.StringIO(forms["csv"].decode("utf-8"), newline="")))
    assert [line["text"] for line in lines if line["line"] == "caution"] == list(report.cautions)
    assert CAUTIONS[0] in report.cautions


@pytest.mark.parametrize("plan", [PLAN, COMMA, ReportPlan(ReportUnits.US)], ids=["point", "comma", "us"])
@pytest.mark.parametrize("kind", KINDS)
def test_every_figure_is_on_paper(kind: str, plan: ReportPlan) -> None:
    report = every_report(plan)[kind]
    text = squeezed("".join(pages(as_bytes(report, plan)["pdf"])))
    for table in report.tables:
        for column in (each for each in table.columns if each.on_paper):
            for row in table.rows:
                assert squeezed(cell_words(row, column, report, plan)) in text, column.key
        for total in (each for each in (*(group.total for group in table.groups), table.total) if each is not None):
            for column in table.columns:
                if column.on_paper and column.key in total.cells:
                    cell = total.cells[column.key]
                    assert squeezed(total_words(cell, column, plan)) in text
                    assert squeezed(cell.words) in text


@pytest.mark.parametrize("kind", KINDS)
def test_every_figure_is_in_csv_and_workbook(kind: str) -> None:
    report = every_report()[kind]
    forms = as_bytes(report)
    in_sheets = texts_of_workbook(forms["xlsx"])
    in_csv = [line for line in csv.DictReader(io.StringIO(forms["csv"].decode("utf-8"))) if line["line"] == "row"]
    assert len(in_sheets) == len(report.tables)
    assert len(in_csv) == sum(len(table.rows) for table in report.tables)
    for table, sheet in zip(report.tables, in_sheets, strict=True):
        for row in table.rows:
            for key, cell in row.cells.items():
                if isinstance(cell, Decimal) and key in {column.key for column in table.columns}:
                    assert float(cell) in sheet
                    assert f"{cell:f}" in {text for line in in_csv for text in line.values()}


def named(name: str) -> Report:
    return stock_report(stock(at_close(gauging(name, "diesel", TK_101))), PLAN)


@pytest.mark.parametrize(
    "name",
    ["=cmd|' /C calc'!A0", "+1+1", "-1+1", "@SUM(A1)", "\t=1+1", " =1+1", "＝1+1", '=HYPERLINK("http://x")'],
)
def test_no_name_starts_a_formula(name: str) -> None:
    # OWASP, CSV injection: cells that begin with = + - @, a tab or a carriage return.
    forms = as_bytes(named(name))
    line = next(
        line for line in csv.DictReader(io.StringIO(forms["csv"].decode("utf-8"), newline="")) if line["line"] == "row"
    )
    assert not re.match(r"\s*[=+\-@＝]", line["tank"])
    (sheet,) = openpyxl.load_workbook(io.BytesIO(forms["xlsx"]))
    cells = [cell for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert not any(cell.data_type == "f" or cell.hyperlink for cell in cells)
    # A tab is shown as `?`; whatever else a name has is there.
    assert name.replace("\t", "?") in [cell.value for cell in cells]


def test_a_quantity_stays_what_it_is() -> None:
    assert [harmless(text) for text in ("-5 mm", "+1.5 degC", "-12", "TK-1", "")] == [
        "-5 mm",
        "+1.5 degC",
        "-12",
        "TK-1",
        "",
    ]
    assert harmless("-5 mm+cmd") == "'-5 mm+cmd"


def test_markup_in_a_name_is_only_a_name() -> None:
    name = "<img src=x onerror=alert(1)>&amp;<b>"
    forms = as_bytes(named(name))
    assert squeezed(name) in squeezed("".join(pages(forms["pdf"])))
    assert name in texts_of_workbook(forms["xlsx"])[0]


def test_a_very_long_name_is_there_to_its_end() -> None:
    name = "".join(f"{number:04d}" for number in range(150))
    found = pages(as_bytes(named(name))["pdf"])
    assert squeezed(name) in squeezed("".join(found))


@pytest.mark.parametrize(
    "name",
    [
        "Zażółć gęślą jaźń",
        "Ζώνη Δεξαμενών Άγιος",
        "İğdır Çöşüğ",
        "Склад Ёлки Ђурђевац Її",
        "Žluťoučký kůň",
        "Ðæø Þórður",
        "Հայ ქართ",
    ],
)
def test_letters_of_europe_are_on_paper(name: str) -> None:
    data = as_bytes(ticket_report("brackenmoor", ticket(partner=name), LONDON, PLAN))["pdf"]
    assert squeezed(name) in squeezed(pages(data)[0])


def test_a_ticket_is_one_page() -> None:
    for plan in (PLAN, ReportPlan(ReportUnits.US), ReportPlan(ReportUnits.IMPERIAL)):
        assert len(pages(as_bytes(every_report(plan)["ticket"], plan)["pdf"])) == 1


def test_what_is_simulated_says_so_on_every_page_and_sheet() -> None:
    tanks = [at_close(gauging(f"TK-{number}", "diesel", TK_101, simulated=True)) for number in range(60)]
    forms = as_bytes(stock_report(stock(*tanks, simulated=True), PLAN))
    found = pages(forms["pdf"])
    assert len(found) > 2
    assert all("SIMULATED: no real tanks" in text for text in found)
    assert "SIMULATED: no real tanks" in texts_of_workbook(forms["xlsx"])[0]
    assert "SIMULATED: no real tanks" in forms["csv"].decode()


def test_sixty_tanks_stand_once_each_over_pages_with_their_head() -> None:
    tanks = [at_close(gauging(f"TK-{number:03d}", "diesel", TK_101)) for number in range(60)]
    found = pages(as_bytes(stock_report(stock(*tanks), PLAN))["pdf"])
    text = "".join(found)
    assert all(text.count(f"TK-{number:03d}") == 1 for number in range(60))
    assert all("Temperature" in page and "kg/m³" in page for page in found)
    # 60 x 2,387 m3, as shown.
    assert "143,220" in found[-1]


def test_a_report_without_rows_says_so() -> None:
    forms = as_bytes(stock_report(stock()._replace(tanks=()), PLAN))
    assert "there are no tanks" in pages(forms["pdf"])[0]


def test_the_daemon_does_not_carry_what_writes_reports() -> None:
    program = (
        "import sys, gateway.daemon, gateway.settings; print(sorted({name.split('.')[0] for name in sys.modules}))"
    )
    done = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    assert not re.search(r"'(?:reportlab|xlsxwriter|PIL)'", done.stdout)
    assert "'pydantic'" in done.stdout


def test_tanks_with_one_long_beginning_have_sheets_of_their_own() -> None:
    name = "TK-[north/*?:]" + "x" * 60
    sides = [side(gauging(name + end, "diesel", TK_101), gauging(name + end, "diesel", TK_101)) for end in "ab"]
    report = ticket_report("brackenmoor", ticket(1, *sides), LONDON, PLAN)
    names = openpyxl.load_workbook(io.BytesIO(as_bytes(report)["xlsx"])).sheetnames
    assert len(names) == 4
    assert all(len(each) <= 31 and not set(each) & set("[]:*?/\\'") for each in names)


def test_a_name_of_letters_that_workbooks_count_twice_has_a_sheet_too() -> None:
    """31 units of UTF-16 are fifteen of these."""
    name = "\U0001f6e2" * 20
    sides = [side(gauging(name + end, "diesel", TK_101), gauging(name + end, "diesel", TK_101)) for end in "ab"]
    report = ticket_report("brackenmoor", ticket(1, *sides), LONDON, PLAN)
    names = openpyxl.load_workbook(io.BytesIO(as_bytes(report)["xlsx"])).sheetnames
    assert len(names) == 4
    assert all(len(each.encode("utf-16-le")) <= 2 * 31 for each in names)
