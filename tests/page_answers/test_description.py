"""The description says what there is, and what there is does as it says: asked with whatever anybody may send."""

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from openapi_spec_validator import validate
from schemathesis.core.result import Ok
from schemathesis.specs.openapi.checks import ignored_auth, positive_data_acceptance
from starlette.routing import Route

from gateway.cautions import NOT_FOR_CUSTODY
from gateway.page_answers.description import description
from gateway.web.access.routes import access_routes
from gateway.web.interface.root_paths import ROOT_PATHS
from gateway.web.interface.table import ENDPOINTS
from gateway.web.stream.routes import LiveView
from tests.page_answers.gate import gate
from tests.page_answers.served import served
from tests.page_answers.test_acts import ADMINISTRATOR

OPERATIONS = [(path, method) for path, item in description()["paths"].items() for method in item]
SERVED_HERE = [(endpoint.path, endpoint.method.lower()) for endpoint in (*ENDPOINTS, *ROOT_PATHS)]


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with served(tmp_path_factory.mktemp("served")) as found:
        yield found


def test_it_is_openapi_3_1() -> None:
    validate(json.loads(json.dumps(description())))
    assert description()["openapi"].startswith("3.1")
    assert NOT_FOR_CUSTODY in description()["info"]["description"]


async def test_every_endpoint_is_answered(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        assert set(yard.daemon._page.answers) == {endpoint.name for endpoint in ENDPOINTS}
        roots = {path for path, _ in OPERATIONS if not path.startswith("/api/")}
        served_roots = {*yard.daemon._accounts.pages, "/inventories", "/readings", "/alarms", "/lines", "/metrics"}
        assert roots == {*served_roots, "/health", "/ready"}


def test_every_route_of_the_page_is_described() -> None:
    nobody: Any = None
    found = [*access_routes(nobody), *LiveView(nobody, nobody).routes]
    routes = {
        (route.path, method.lower())
        for route in found
        if isinstance(route, Route)
        for method in route.methods or ()
        if method != "HEAD"
    }
    described = {(path, method) for path, method in OPERATIONS if path.startswith("/api/")}
    assert described == routes | {(path, method) for path, method in SERVED_HERE if path.startswith("/api/")}


def test_every_reference_leads_somewhere() -> None:
    known = description()["components"]["schemas"]

    def references(told: Any) -> Iterator[str]:
        if isinstance(told, dict):
            for key, value in told.items():
                if key == "$ref":
                    yield value
                yield from references(value)
        elif isinstance(told, list):
            for value in told:
                yield from references(value)

    lost = {each for each in references(description()) if each.removeprefix("#/components/schemas/") not in known}
    assert lost == set()


def test_it_is_served_and_printed_alike(address: str) -> None:
    served_one = httpx.get(f"{address}/api/1/description.json").json()
    ran = subprocess.run(
        [sys.executable, "-m", "gateway", "schema", "http"], capture_output=True, text=True, timeout=60, check=True
    )
    assert json.loads(ran.stdout) == served_one == json.loads(json.dumps(description()))


@pytest.mark.parametrize(("path", "method"), SERVED_HERE)
def test_it_does_as_it_is_described(address: str, path: str, method: str) -> None:
    """By requests that are right and such that are not: never 5xx, each answer of a kind that is described."""
    whole = schemathesis.openapi.from_dict(json.loads(json.dumps(description())))
    found = next(
        each.ok()
        for each in whole.get_all_operations()
        if isinstance(each, Ok) and (each.ok().path, each.ok().method) == (path, method)
    )
    is_slow = "reports/" in path

    @settings(
        max_examples=6 if is_slow else 25,
        deadline=None,
        phases=(Phase.generate,),
        suppress_health_check=list(HealthCheck),
        database=None,
    )
    @given(case=found.as_strategy())
    def ask(case: Any) -> None:
        # What a time may be is more than its form tells; who asks stands in a header of the test, and not in a cookie.
        excluded = [positive_data_acceptance, ignored_auth]
        case.call_and_validate(base_url=address, headers=ADMINISTRATOR, excluded_checks=excluded)

    ask()


@pytest.mark.parametrize(
    "path",
    [
        "/api/1/tanks/..%2f..%2f..%2fetc%2fpasswd",
        "/api/1/tanks/%2e%2e/sheet",
        "/api/1/tanks/TK-1%00",
        "/api/1/tanks/%3Cimg%20src=x%3E/events",
        "/api/1/tanks/" + "x" * 4000,
        "/api/1/tanks/TK-1'%20OR%20'1'='1/trend",
        "/api/1/reports/..%2f..%2fyard.ledger",
        "/api/1/nothing",
    ],
)
def test_names_that_lead_elsewhere_lead_nowhere(address: str, path: str) -> None:
    answer = httpx.get(f"{address}{path}")
    assert answer.status_code == 404, answer.text[:200]
    assert answer.json()["code"] == 2
    assert answer.headers["content-type"] == "application/json"


def test_another_method_is_refused_in_words(address: str) -> None:
    answer = httpx.delete(f"{address}/api/1/entered")
    assert (answer.status_code, set(answer.headers["allow"].split(", "))) == (405, {"GET", "HEAD"})
    assert answer.json()["lines"] == ["DELETE is nothing that can be done here"]
