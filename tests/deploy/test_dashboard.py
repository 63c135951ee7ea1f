"""The dashboard: each of its queries is run by a real Prometheus that has scraped a real gateway, and by our rules."""

import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from gateway.keeping import kept_in
from gateway.ledger.plan import LedgerPlan
from tests.deploy.test_deploy import DEPLOY, RULES, known_metrics
from tests.end_to_end.site import running_site
from tests.support.prometheus_server import running_prometheus
from tests.support.wire import WireRecorder

FILE = DEPLOY / "grafana" / "tank-gateway.json"
DASHBOARD: dict[str, Any] = json.loads(FILE.read_bytes())
PANELS: list[dict[str, Any]] = DASHBOARD["panels"]
QUERIES = [(panel["title"], target["expr"]) for panel in PANELS for target in panel.get("targets", ())]
_EMPTY_WHILE_ALL_IS_WELL = {
    "Alerts that fire",
    "Tanks that are not Good, or beyond a limit",
    "What the gateway does not reach",
    "What a person must set right",
    "Entered by hand, and ending",
    "Figures that are not Good",
    "Requests not answered well",
}
"""Panels of what needs someone."""
_NOT_NOW = {
    # Of live records none waits for long.
    "tank_gateway_destination_oldest_waiting_seconds",
    # What is kept arrives at once.
    "tank_gateway_destination_history_oldest_seconds",
    "tank_gateway_destination_history_buffer_left_seconds",
    # No standard volume is Uncertain.
    'figure="gsv"',
}
_TANK = "D-1"
"""With two gauges, a water probe, limits, and elements above the surface."""


def _concrete(expression: str) -> str:
    for name, value in (("$site", "demo"), ("$tank", _TANK), ("$__rate_interval", "30s"), ("$__range", "10m")):
        expression = expression.replace(name, value)
    assert "$" not in expression, expression
    return expression


def _must_have_series(title: str, expression: str) -> bool:
    return title not in _EMPTY_WHILE_ALL_IS_WELL and not any(name in expression for name in _NOT_NOW)


class TestFile:
    def test_it_asks_for_metrics_and_recorded_series_that_exist(self) -> None:
        recorded = set(re.findall(r"record: (\S+)", RULES.read_text("utf-8")))
        known = known_metrics()
        for _, expression in QUERIES:
            for name in re.findall(r"[\w:]*\btank_[\w:]+", expression):
                plain = re.sub(r"_(total|bucket|sum|count)$", "", name)
                assert name in recorded or plain in known, name

    def test_panels_have_their_own_numbers_and_places(self) -> None:
        numbers = [panel["id"] for panel in PANELS]
        assert len(set(numbers)) == len(numbers)
        taken: set[tuple[int, int]] = set()
        for panel in PANELS:
            place = panel["gridPos"]
            cells = {(place["x"] + x, place["y"] + y) for x in range(place["w"]) for y in range(place["h"])}
            assert max(x for x, _ in cells) < 24
            assert not cells & taken, panel["title"]
            taken |= cells

    def test_every_panel_asks_the_source_that_is_chosen_and_is_titled(self) -> None:
        for panel in PANELS:
            if panel["type"] not in ("row", "text"):
                assert panel["datasource"] == {"type": "prometheus", "uid": "${source}"}
                assert panel["title"]
                assert all(target["datasource"] == panel["datasource"] for target in panel["targets"])

    def test_it_says_what_it_is_not(self) -> None:
        (words,) = [panel["options"]["content"] for panel in PANELS if panel["type"] == "text"]
        for part in ("Monitoring only", "Not an overfill prevention system (API 2350)", "IEC 61511"):
            assert part in words

    def test_what_is_normal_has_no_colour_and_what_is_not_has_a_word_too(self) -> None:
        """Never green, and never colour alone."""
        assert "green" not in FILE.read_text("utf-8")
        for mapping in _mappings(PANELS):
            for told in mapping["options"].values():
                assert told["text"]
        assert sum(1 for _ in _mappings(PANELS)) > 5

    def test_no_gap_is_drawn_over(self) -> None:
        """A Bad figure has no series: a line across would be a number that nobody had."""
        lines = [panel for panel in PANELS if panel["type"] in ("timeseries", "state-timeline")]
        assert len(lines) > 10
        assert all(panel["fieldConfig"]["defaults"]["custom"]["spanNulls"] is False for panel in lines)


def _mappings(value: Any) -> Iterator[dict[str, Any]]:
    if isinstance(value, dict):
        if value.get("type") == "value" and "options" in value:
            yield value
        for each in value.values():
            yield from _mappings(each)
    elif isinstance(value, list):
        for each in value:
            yield from _mappings(each)


@pytest.mark.timeout(240)
async def test_every_query_is_answered(tmp_path: Path, wire_recorder: Callable[[int], WireRecorder]) -> None:
    keep = kept_in(tmp_path, "demo", LedgerPlan(every_s=1.0, commit_s=0.2))
    async with running_site("printed_state", tmp_path, wire_recorder, patient=True, keep=keep) as site:
        await site.all_inventories(lambda _: True)
        port = site.gateway.http_port
        assert port is not None
        async with running_prometheus(tmp_path, {"tank-gateway": port}, [RULES]) as prometheus:
            for title, expression in QUERIES:
                if _must_have_series(title, expression):
                    await prometheus.has(_concrete(expression))
            for title, expression in QUERIES:
                # Raises where it is no expression, or joins what cannot be joined.
                found = await prometheus.query(_concrete(expression))
                assert found or not _must_have_series(title, expression), (title, expression)
            assert sum(_must_have_series(*each) for each in QUERIES) > 50
            levels = await prometheus.query(_concrete('tank_level_metres{site="$site"}'))
            assert len(levels) == 10
            rows = next(panel for panel in PANELS if panel["title"] == "Every tank")["targets"]
            assert len(await prometheus.query(_concrete(rows[0]["expr"]))) == 10
            for variable in DASHBOARD["templating"]["list"]:
                if variable["type"] == "query":
                    told = re.fullmatch(r"label_values\((.+), (\w+)\)", variable["query"]["query"])
                    assert told is not None
                    values = await prometheus.label_values(_concrete(told[1]), told[2])
                    assert {"site": "demo", "tank": _TANK}[variable["name"]] in values
