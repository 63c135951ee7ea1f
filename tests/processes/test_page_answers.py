"""The interface of a gateway that runs: what is read, what nobody does without having signed in, and that polling goes
on while reports are made."""

import json
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from typing import Any

import psutil
import pytest

from tests.processes.gateway_process import PATIENCE_S, GatewayProcess, Instruments, eventually, gateway
from tests.processes.test_acting import Place


@pytest.fixture
def yard() -> Iterator[list[Instruments]]:
    with Instruments(5000) as first:
        yield [first]


def _answer(running: GatewayProcess, path: str, **fields: str) -> tuple[int, dict[str, Any]]:
    request = urllib.request.Request(f"http://127.0.0.1:{running.port}{path}")
    if fields:
        request.data = json.dumps(fields).encode()
        request.add_header("Content-Type", "application/json")
    try:
        with urllib.request.urlopen(request, timeout=PATIENCE_S) as answer:
            return answer.status, json.loads(answer.read())
    except urllib.error.HTTPError as error:
        return error.code, json.loads(error.read())


def test_what_is_read_and_what_nobody_does(tmp_path: Any, yard: list[Instruments]) -> None:
    (first,) = yard
    place = Place(tmp_path, yard)
    with gateway(place.site, environment=place.environment) as running:
        place.opened(running, first)
        status, tank = _answer(running, "/api/1/tanks/TK-0")
        assert (status, tank["inventory"]["identity"]["tank"]) == (200, "TK-0")
        assert [each["raw"] for each in tank["readings"]] == [[first.value]]
        assert _answer(running, "/api/1/tanks/TK-0/sheet")[0] == 200
        assert _answer(running, "/api/1/tanks/TK-0/trend")[1]["figures"]["level"]["unit"] == "m"
        place.entered("density", "TK-0", "841.5", "kg/m3", "--expires", "31 d", "--why", "sample 7")
        _, events = _answer(running, "/api/1/tanks/TK-0/events")
        assert events["events"][0]["kind"] == "value_entered"
        assert _answer(running, "/api/1/entered")[1]["entries"][0]["block"]["value"] == "841.5 kg/m3"
        assert _answer(running, "/api/1/description.json")[1]["openapi"].startswith("3.1")
        before = len(place.audit())
        dip = {"action": "dip", "tank": "TK-0", "level": "4 m"}
        for path in ("/api/1/act", "/api/1/act?try=yes"):
            status, refusal = _answer(running, path, **dip)
            assert (status, refusal["code"]) == (401, 1), refusal
        assert _answer(running, "/api/1/changes")[0] == 401
        assert len(place.audit()) == before
        assert running.end() == 0


def test_polling_goes_on_while_reports_are_made_and_a_stop_leaves_none_of_them(
    tmp_path: Any, yard: list[Instruments]
) -> None:
    (first,) = yard
    place = Place(tmp_path, yard)
    with gateway(place.site, environment=place.environment) as running:
        place.opened(running, first)
        process = psutil.Process(running.process.pid)
        path = "/api/1/reports/tickets.pdf?month=2026-11"
        asked = [threading.Thread(target=_quietly, args=(running, path)) for _ in range(4)]
        for each in asked:
            each.start()
        eventually(process.children, "a report is made by a process of its own")
        children = process.children()
        first.is_asked_again()
        assert running.end() == 0
        for each in asked:
            each.join(PATIENCE_S)
        eventually(lambda: not any(child.is_running() for child in children), "a stop leaves no report behind")


def _quietly(running: GatewayProcess, path: str) -> None:
    """Whatever becomes of it: the gateway is stopped meanwhile."""
    try:
        _answer(running, path)
    except (OSError, ValueError):
        return
