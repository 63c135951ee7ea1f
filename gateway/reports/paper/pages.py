"""Pure: a whole report as pages."""

from gateway.reports.paper.flow import Flow
from gateway.reports.paper.marks import Line, Measure, Page, Words
from gateway.reports.paper.table_pages import lay_table
from gateway.reports.plan import ReportPlan
from gateway.reports.report import Report

__all__ = ["pages_of"]

_SIGNATURE = 28.0


def pages_of(report: Report, plan: ReportPlan, measure: Measure) -> tuple[Page, ...]:
    flow = Flow(report, plan.paper.points, measure)
    for table in report.tables:
        lay_table(table, report, plan, flow)
    if report.signatures:
        _sign(report, flow)
    return flow.pages()


def _sign(report: Report, flow: Flow) -> None:
    if not flow.fits(_SIGNATURE + 14.0):
        flow.next_page()
    flow.y += _SIGNATURE
    width = (flow.room - 20.0 * (len(report.signatures) - 1)) / len(report.signatures)
    for number, who in enumerate(report.signatures):
        x = flow.left + number * (width + 20.0)
        flow.add(Line(x, flow.y, x + width, flow.y, 0.5), Words(x, flow.y + 9.0, who, 7.0, grey=True))
    flow.y += 12.0
