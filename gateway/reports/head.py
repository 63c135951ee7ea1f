"""Pure: the lines above a table of a workbook and at the begin of a CSV: what it is, of where, of when."""

from gateway.reports.report import Fact, Report
from gateway.reports.words import both_times

__all__ = ["SIMULATED", "head_facts"]

SIMULATED = "SIMULATED: no real tanks"
_AS_OF = "As of"


def head_facts(report: Report) -> tuple[Fact, ...]:
    """With the instant that it is about, where its own facts do not say that, and what it was made of."""
    as_of = Fact(_AS_OF, both_times(report.as_of, report.zone))
    first = () if any(fact.name == _AS_OF for fact in report.facts) else (as_of,)
    return (*first, *report.facts, Fact("Record", report.identity))
