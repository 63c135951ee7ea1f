"""A gateway as it stands at a site that is reached from elsewhere: TLS, people, a token, a restart, polls all along."""

import json
import os
import signal
import ssl
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
import trustme

from tests.processes.gateway_process import PATIENCE_S, Instruments, eventually, gateway, write_site

NAME, PASSWORD, TOKEN = "Anna B", "four quiet herons wade", "a-token-for-a-scraper-0815"


class Place:
    """The site, its files, and who trusts its authority."""

    def __init__(self, folder: Path, instruments: Instruments) -> None:
        authority = trustme.CA()
        made = authority.issue_cert("127.0.0.1")
        made.private_key_pem.write_to_path(folder / "key.pem")
        for number, blob in enumerate(made.cert_chain_pems):
            blob.write_to_path(folder / "web.pem", append=number > 0)
        self.trusting = ssl.create_default_context()
        authority.configure_trust(self.trusting)
        self.state = folder / "state"
        self.state.mkdir()
        (folder / "token").write_text(TOKEN, "ascii")
        self.site = write_site(folder, [instruments])
        text = self.site.read_text("utf-8").replace(
            "web: {",
            "web: {view_without_sign_in: no, tls: {certificate: web.pem, key: key.pem}, "
            "tokens: [{name: prometheus, secret_file: token}], ",
        )
        self.site.write_text(text, "utf-8")
        self.port = int(text.partition('address: "127.0.0.1:')[2].partition('"')[0])
        self.environment = {"TANK_GATEWAY_STATE": str(self.state)}

    def client(self, **headers: str) -> httpx.Client:
        return httpx.Client(
            base_url=f"https://127.0.0.1:{self.port}", verify=self.trusting, timeout=PATIENCE_S, headers=headers
        )

    def answers(self, client: httpx.Client) -> bool:
        try:
            return client.get("/health").status_code == 200
        except httpx.TransportError:
            return False

    def typed(self, *words: str) -> "subprocess.CompletedProcess[str]":
        command = [sys.executable, "-m", "gateway", *words]
        return subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, env={**os.environ})


@pytest.fixture
def place(tmp_path: Path) -> Iterator[tuple[Place, Instruments]]:
    with Instruments() as instruments:
        yield Place(tmp_path, instruments), instruments


def test_people_come_and_stay_over_a_kill_and_the_tanks_are_watched(place: tuple[Place, Instruments]) -> None:
    site, instruments = place
    with site.client() as client:
        with gateway(site.site, environment=site.environment) as running:
            eventually(lambda: site.answers(client), "it answers over TLS")
            assert client.get("/inventories").status_code == 401
            invited = site.typed("people", "invite", "--role", "operator", "--json")
            assert invited.returncode == 0, invited.stderr
            code = json.loads(invited.stdout)["one_time_code"]
            joined = client.post("/api/1/join", json={"code": code, "name": NAME, "password": PASSWORD})
            assert joined.status_code == 200, joined.text
            assert client.get("/inventories").status_code == 200
            with site.client(Authorization=f"Bearer {TOKEN}") as scraper:
                text = scraper.get("/metrics").text
            assert 'tank_gateway_sessions{site="harbour"} 1' in text
            assert "tank_gateway_certificate_end_time_seconds{" in text
            # Tools of this machine come by what the gateway leaves for those who may act on it.
            shown = site.typed("show")
            assert (shown.returncode, "TK-0" in shown.stdout) == (0, True), shown.stderr
            trail = site.typed("ledger", "audit", str(site.state / "harbour.ledger"))
            assert trail.returncode == 0, trail.stderr
            rows = [line.split() for line in trail.stdout.splitlines()[1:]]
            assert [row[2:6] for row in rows] == [
                [rows[0][2], "people-invite", "-", "operator"],
                ["Anna", "B@page", "join", "Anna"],
            ]
            assert "maintenance" not in trail.stdout
            assert code not in trail.stdout
            # Another site file: the server goes, and who is signed in stays so.
            text = site.site.read_text("utf-8")
            site.site.write_text(text.replace("view_without_sign_in: no", "sessions: {unused: 1 h}"), "utf-8")
            reloaded = site.typed("reload")
            assert "web changed: view without sign in, session unused" in reloaded.stdout, reloaded.stderr
            eventually(lambda: site.answers(client), "it answers after a reload")
            assert client.get("/api/1/session").json()["person"]["name"] == NAME
            kept = site.state / "harbour.people.json"
            eventually(lambda: '"session"' in kept.read_text("utf-8"), "the session is kept")
            running.process.send_signal(signal.SIGKILL)
            running.process.wait()
        with gateway(site.site, environment=site.environment) as running:
            eventually(lambda: site.answers(client), "it answers again")
            eventually(lambda: client.get("/inventories").status_code == 200, "the session goes on")
            proof = client.get("/api/1/session").json()["proof"]
            assert client.post("/api/1/sign-out", headers={"X-Page-Proof": proof}).status_code == 200
            assert client.get("/api/1/session").json()["person"] is None
            instruments.is_asked_again()
            assert running.end() == 0


def test_who_guesses_passwords_holds_up_no_poll(place: tuple[Place, Instruments]) -> None:
    """Several at once, for as long as polls are looked at: these go on."""
    site, instruments = place
    stop = threading.Event()

    def guess(number: int) -> None:
        with site.client() as thief:
            while not stop.is_set():
                given = {"name": f"name {number} {os.urandom(4).hex()}", "password": PASSWORD}
                try:
                    thief.post("/api/1/sign-in", json=given)
                except httpx.TransportError:
                    continue  # one address has so many connections, and no more

    with gateway(site.site, environment=site.environment) as running, site.client() as client:
        eventually(lambda: site.answers(client), "it answers over TLS")
        thieves = [threading.Thread(target=guess, args=(number,)) for number in range(8)]
        for each in thieves:
            each.start()
        try:
            for _ in range(10):
                instruments.is_asked_again()
            assert running.process.poll() is None
        finally:
            stop.set()
            for each in thieves:
                each.join()
        with site.client(Authorization=f"Bearer {TOKEN}") as scraper:
            eventually(lambda: site.answers(scraper), "it answers others")
            text = scraper.get("/metrics").text
        refused = next(line for line in text.splitlines() if line.startswith("tank_gateway_sign_ins_refused_total{"))
        assert float(refused.rpartition(" ")[2]) >= 5.0
        assert running.end() == 0
