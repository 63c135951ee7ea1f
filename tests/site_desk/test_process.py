"""A gateway as a process of its own, killed while it puts another site file in its place, at moments soon and late."""

import json
import threading
import time
from collections.abc import Callable
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import pytest

from gateway.settings.reading.source_files import sha256_of
from gateway.site_desk.proposal import Step
from gateway.web.access.guard import PROOF_HEADER
from tests.page.signing_in import PASSWORD, invited
from tests.page.site_process import PATIENCE_S, DemoSite, eventually


def _last(site: DemoSite) -> dict[str, Any]:
    found = list(site.state.glob("*.site-file/last-change.json"))
    told: dict[str, Any] = json.loads(found[0].read_bytes()) if found else {}
    return told


def _is_noted(site: DemoSite, wanted: str) -> bool:
    return _last(site).get("after") == sha256_of(wanted.encode())


def _is_replaced(site: DemoSite, wanted: str) -> bool:
    return site.site_file.read_bytes() == wanted.encode()


def _is_done(site: DemoSite, wanted: str) -> bool:
    return _is_noted(site, wanted) and _last(site)["step"] == Step.DONE


MOMENTS: tuple[Callable[[DemoSite, str], bool], ...] = (_is_noted, _is_replaced, _is_done)
"""It is killed as soon as they have come."""


def _signed_in(site: DemoSite, name: str) -> httpx.Client:
    client = httpx.Client(base_url=site.address, timeout=PATIENCE_S)
    told = client.post("/api/1/join", json={"code": invited(site, "administrator"), "name": name, "password": PASSWORD})
    client.headers[PROOF_HEADER] = told.json()["proof"]
    return client


@pytest.mark.timeout(300)
def test_whenever_it_is_killed_the_file_is_right_and_what_is_told_is_true(tmp_path: Path) -> None:
    replaced = 0
    with DemoSite(tmp_path / "site") as site:
        for turn, reached in enumerate(MOMENTS):
            before = site.site_file.read_text("utf-8")
            wanted = f"{before}# turn {turn}\n"
            # A session that began just before a power cut has ended with it.
            with closing(_signed_in(site, f"ada-{turn}")) as ada, closing(_signed_in(site, f"bob-{turn}")) as bob:
                body = {"text": wanted, "why": f"turn {turn}", "based_on": sha256_of(before.encode())}
                told = ada.post("/api/1/site-file/propose", json=body)
                assert told.status_code == 200, told.text
                number = told.json()["proposal"]
                asked = {"proposal": number, "sha256": sha256_of(wanted.encode())}
                approving = threading.Thread(target=_approved, args=(bob, asked))
                approving.start()
                until = time.monotonic() + PATIENCE_S
                while not reached(site, wanted) and approving.is_alive():
                    assert time.monotonic() < until, "it comes so far"
                site.kill()
                approving.join(PATIENCE_S)
            present = site.site_file.read_text("utf-8")
            assert present in (before, wanted)
            assert turn == 0 or present == wanted, "it was there when it was killed"
            site.start()
            with closing(_signed_in(site, f"eve-{turn}")) as eve:
                page = eventually(partial(_settled, eve), "it is known what has come of it")
                assert page is not None
                assert page["in_force"]["text"] == page["on_disk"]["text"] == present
                state = {each["number"]: each["state"] for each in page["proposals"]}[number]
                assert state == ("done" if present == wanted else "waits")
                rows = [row for row in eve.get("/api/1/changes").json()["rows"] if row["action"] == "change-site-file"]
                done = [row["asked"]["change"] for row in rows if row["asked"]["outcome"] == Step.DONE]
                replaced += present == wanted
                assert len(done) == len(set(done)) == replaced
                if present == wanted:
                    names = page["in_force"]["by"], page["in_force"]["approved_by"]
                    assert names == (f"ada-{turn}@page", f"bob-{turn}@page")
                    kept = eve.get(f"/api/1/site-file/versions/{page['versions'][0]['number']}").json()
                    assert kept["text"] == before


def _settled(client: httpx.Client) -> dict[str, Any] | None:
    found: dict[str, Any] = client.get("/api/1/site-file").json()
    return found if found["is_settled"] else None


def _approved(bob: httpx.Client, asked: dict[str, Any]) -> None:
    try:
        bob.post("/api/1/site-file/approve", json=asked)
    except httpx.HTTPError:
        return  # it was killed meanwhile
