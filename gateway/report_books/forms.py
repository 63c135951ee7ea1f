"""A report as a file: in which forms, and by which name."""

from io import BytesIO

from gateway.process.memory_file import file_name
from gateway.report_books.kinds import Wanted
from gateway.reports.plan import ReportPlan
from gateway.reports.report import Report

__all__ = ["MEDIA_TYPES", "report_bytes", "report_file_name"]

MEDIA_TYPES = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "pdf": "application/pdf",
}
"""By form."""


def report_bytes(report: Report, plan: ReportPlan, form: str) -> bytes:
    """`form`: one of `MEDIA_TYPES`. The same report gives the same bytes."""
    # What a form takes to be loaded only it is to wait for.
    stream = BytesIO()
    match form:
        case "csv":
            from gateway.reports.csv_form import write_csv

            write_csv(report, stream)
        case "xlsx":
            from gateway.reports.xlsx_form import write_xlsx

            write_xlsx(report, stream)
        case _:
            from gateway.reports.paper.pdf_form import write_pdf

            write_pdf(report, plan, stream)
    return stream.getvalue()


def report_file_name(report: Report, wanted: Wanted, form: str) -> str:
    """Such as `depot-reconciliation-2026-11-27.pdf`."""
    if wanted.ticket is not None:
        of = str(wanted.ticket)
    else:
        of = wanted.month or wanted.day or f"{report.as_of.astimezone(report.zone):%Y-%m-%d}"
    return f"{file_name(report.site)}-{report.kind}-{of}.{form}"
