"""How a site writes its reports, from its file."""

from pathlib import Path

import pytest

from gateway.reports.plan import DecimalMark, PaperSize, ReportPlan, ReportUnits, ThousandsMark
from gateway.settings import load_site

FOLDER = Path(__file__).parent.parent / "invalid_site_files"


def plan_of(tmp_path: Path, *lines: str) -> ReportPlan:
    site = tmp_path / "site.yaml"
    head = f"include_from: {FOLDER}\ninclude: [{FOLDER}/parts/yard.yaml, {FOLDER}/parts/tank.yaml]\n"
    site.write_text(head + "\n".join(lines) + "\n", "utf-8")
    return load_site(site).reports


def test_a_site_that_says_nothing_writes_metric_with_a_point(tmp_path: Path) -> None:
    assert plan_of(tmp_path) == ReportPlan(ReportUnits.METRIC, DecimalMark.POINT, ThousandsMark.COMMA, PaperSize.A4)


@pytest.mark.parametrize(
    ("given", "thousands"),
    [("decimal: comma", ThousandsMark.SPACE), ("decimal: comma, thousands: point", ThousandsMark.POINT)],
)
def test_thousands_never_look_like_decimals(given: str, thousands: ThousandsMark, tmp_path: Path) -> None:
    plan = plan_of(tmp_path, f"reports: {{{given}, units: us, paper: letter}}")
    assert plan == ReportPlan(ReportUnits.US, DecimalMark.COMMA, thousands, PaperSize.LETTER)
