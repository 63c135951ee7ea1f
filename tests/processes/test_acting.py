"""People act on a running gateway: real processes and sockets, and what was entered is there again afterwards."""

import json
import os
import random
import signal
import socket
import sqlite3
import stat
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing, suppress
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from gateway.ledger.audit import audit_rows, first_broken
from gateway.process.memory_file import DIRECTORY_VARIABLE as STATE
from gateway.process.running import DIRECTORY_VARIABLE as RUNTIME
from tests.processes.gateway_process import ROOT, GatewayProcess, Instruments, eventually, gateway, write_site
from tests.support.messages import valid_message

ENTRIES = "SELECT body FROM papers WHERE kind = 'entry' ORDER BY number"


@pytest.fixture
def yard() -> Iterator[list[Instruments]]:
    with Instruments(5000) as first:
        yield [first]


class Place:
    """Where a site runs: its file, its ledger and its runtime directory."""

    def __init__(self, folder: Path, yard: list[Instruments]) -> None:
        self.folder = folder
        self.site = write_site(folder, yard)
        for name in ("state", "runtime"):
            (folder / name).mkdir(mode=0o755)
        self.environment = {STATE: str(folder / "state"), RUNTIME: str(folder / "runtime")}

    @property
    def door(self) -> Path:
        return self.folder / "runtime" / "harbour.door"

    def enter(self, *words: str) -> "subprocess.CompletedProcess[str]":
        return self.typed("enter", *words)

    def typed(self, *words: str) -> "subprocess.CompletedProcess[str]":
        return subprocess.run(
            [sys.executable, "-m", "gateway", *words],
            cwd=ROOT,
            env={**os.environ, **self.environment},
            capture_output=True,
            text=True,
            timeout=60,
        )

    def entered(self, *words: str) -> list[str]:
        """What is said to something that is done."""
        done = self.enter(*words)
        assert (done.returncode, done.stderr) == (0, ""), done
        return done.stdout.splitlines()

    def listed(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads("\n".join(self.entered("list", "--json")))
        return found

    def opened(self, running: GatewayProcess, first: Instruments) -> GatewayProcess:
        running.goes_on(first)
        eventually(self.door.exists, "the door is there")
        return running

    def rows(self, statement: str) -> list[tuple[Any, ...]]:
        with closing(sqlite3.connect(f"file:{self.folder}/state/harbour.ledger?mode=ro", uri=True)) as connection:
            return connection.execute(statement).fetchall()

    def exported(self, *words: str) -> list[dict[str, Any]]:
        """The messages of what is in the ledger, each by its schema."""
        command = [sys.executable, "-m", "gateway", "ledger", "export", str(self.folder / "state/harbour.ledger")]
        done = subprocess.run([*command, *words], cwd=ROOT, capture_output=True, text=True, timeout=60, check=True)
        return [valid_message(line.encode()) for line in done.stdout.splitlines()]

    def audit(self) -> list[dict[str, Any]]:
        """The whole trail, whose chain holds."""
        with closing(sqlite3.connect(f"file:{self.folder}/state/harbour.ledger?mode=ro", uri=True)) as connection:
            assert first_broken(audit_rows(connection)) is None
            return [json.loads(row.body) for row in audit_rows(connection)]


@pytest.fixture
def place(tmp_path: Path, yard: list[Instruments]) -> Place:
    return Place(tmp_path, yard)


def density(running: GatewayProcess) -> float:
    (tank,) = running.inventories()
    found: float = tank["figures"]["reference_density"]["value"]
    return found


def test_a_density_holds_at_once_and_after_a_stop_and_a_kill(place: Place, yard: list[Instruments]) -> None:
    (first,) = yard
    user = os.environ.get("USER") or subprocess.check_output(["id", "-un"], text=True).strip()
    with gateway(place.site, environment=place.environment) as running:
        place.opened(running, first)
        assert density(running) == 838.0
        (line,) = place.entered("density", "TK-0", "841.5", "kg/m3", "--expires", "31 d", "--why", "sample 7")
        assert line.startswith("TK-0: density: 841.5 kg/m3 entered by ")
        assert "the site file gives 838 kg/m3, without a date: it is older, and not used" in line
        assert density(running) == 841.5, "the sheet was made at once"
        assert running.end() == 0
    assert not place.door.exists(), "a stop takes its socket away"
    with gateway(place.site, environment=place.environment) as running:
        place.opened(running, first)
        eventually(lambda: density(running) == 841.5, "it is there after a stop")
        place.entered("density", "TK-0", "843 kg/m3", "--expires", "7 d")
        running.process.send_signal(signal.SIGKILL)
        running.process.wait()
    assert place.door.exists(), "who is killed leaves its socket"
    with gateway(place.site, environment=place.environment) as running:
        place.opened(running, first)
        eventually(lambda: density(running) == 843.0, "what was answered is there after a kill")
        place.entered("withdraw", "TK-0", "density", "--why", "wrong tank")
        assert density(running) == 838.0
        assert running.end() == 0
    rows = place.audit()
    assert [row["asked"]["action"] for row in rows] == ["density", "density", "withdraw"]
    assert rows[0]["before"] == [None]
    assert rows[0]["after"][0]["block"]["value"] == "841.5 kg/m3"
    assert rows[1]["before"] == rows[0]["after"]
    assert (rows[0]["why"], rows[2]["why"]) == ("sample 7", "wrong tank")
    read = place.typed("ledger", "audit", str(place.site))
    assert read.returncode == 0
    table = read.stdout.splitlines()
    assert table[0].split() == ["number", "time", "by", "action", "what", "before", "after", "why"]
    assert table[1].split()[3:] == ["density", "TK-0", "-", "841.5", "kg/m3", "sample", "7"]
    assert table[3].split()[3:11] == ["withdraw", "TK-0", "density", "843", "kg/m3", "843", "kg/m3", "withdrawn"]
    document = json.loads(place.typed("ledger", "audit", str(place.site), "--json").stdout)
    assert document["well"]
    assert [row["why"] for row in document["rows"]] == ["sample 7", "", "wrong tank"]
    assert len({row["by"] for row in rows}) == 1
    assert user in (rows[0]["by"], "root")
    assert [kind for (kind,) in place.rows("SELECT kind FROM papers ORDER BY number")] == ["product", *["entry"] * 3]


def test_maintenance_doubts_an_instrument_until_it_ends(place: Place, yard: list[Instruments]) -> None:
    (first,) = yard
    with gateway(place.site, environment=place.environment) as running:
        place.opened(running, first)
        place.entered("maintenance", "LT-0", "--for", "4 h", "--why", "new antenna")
        (tank,) = running.inventories()
        level = tank["figures"]["level"]
        assert level["quality"] == "Uncertain"
        assert level["value"] == first.value / 1000, "its value stays"
        assert level["reason"]["code"] == "in_maintenance"
        (told,) = valid_message(running.get("/inventories"))["entered"]
        assert (told["about"], told["quantity"], told["used"]) == ("LT-0", "maintenance", True)
        (work,) = place.listed()["entries"]
        assert (work["about"], work["quantity"], work["why"]) == ("LT-0", "maintenance", "new antenna")
        place.entered("end-maintenance", "LT-0")
        (tank,) = running.inventories()
        assert tank["figures"]["level"]["quality"] == "Good"
        place.entered("maintenance", "LT-0", "--for", "2 s", "--why", "a look")
        eventually(lambda: not place.listed()["entries"], "it ends by itself")
        assert running.end() == 0
    assert len(place.audit()) == 3
    events = place.exported("--events", "--format", "jsonl")
    happened = [(each["identity"]["tank"], each["kind"], each["subject"]) for each in events]
    assert [each for each in happened if each[1].startswith("maintenance")] == [
        ("TK-0", "maintenance_began", "LT-0"),
        ("TK-0", "maintenance_ended", "LT-0"),
        ("TK-0", "maintenance_began", "LT-0"),
        ("TK-0", "maintenance_ended", "LT-0"),
    ]
    whats = [json.loads(body)["what"] for (body,) in place.rows(ENTRIES)]
    assert whats == ["entered", "withdrawn", "entered", "expired"]


def test_a_value_is_refused_in_the_words_of_the_site_file(place: Place, yard: list[Instruments]) -> None:
    (first,) = yard
    with gateway(place.site, environment=place.environment) as running:
        place.opened(running, first)
        for words, said in (
            (("density", "TK-0", "838"), "tanks.TK-0.density.value: '838' has no unit"),
            (("density", "TK-0", "838 kg/m3"), "tanks.TK-0.density.expires: is missing"),
            (("density", "TK-0", "838 kg/m3", "--expires", "40 d"), "40 d is more than 31 d after entered"),
            (("dip", "TK-0", "15 m"), "tanks.TK-0.manual.level.value: 15 m is no level in this tank"),
            (("dip", "TK-0", "5 m", "--expires", "8 d"), "8 d is more than 7 d after entered"),
            (("dip", "TK-0", "--water", "1 cm"), "stands in for a water probe, and there is none"),
            (("dip", "TK-9", "5 m"), "there is no tank 'TK-9'; did you mean 'TK-0'?"),
            (("maintenance", "LT-0", "--for", "60 d", "--why", "x"), "60 d is more than 31 d"),
            (("sediment-water", "TK-0", "130 %", "--expires", "1 d"), "130 % is no share; give 0 % to 100 %"),
        ):
            refused = place.enter(*words)
            assert refused.returncode == 2, refused
            assert said in refused.stderr
        alarm = place.enter("acknowledge", "TK-0", "high_high")
        assert (alarm.returncode, "there is no alarm 'high_high' here" in alarm.stderr) == (1, True)
        assert place.listed()["entries"] == []
        assert running.end() == 0
    assert place.audit() == []


def test_without_a_ledger_no_value_is_taken(place: Place, yard: list[Instruments]) -> None:
    (first,) = yard
    place.site.write_text(place.site.read_text("utf-8") + "ledger: {enabled: no}\n", "utf-8")
    with gateway(place.site, environment=place.environment) as running:
        place.opened(running, first)
        refused = place.enter("density", "TK-0", "841 kg/m3", "--expires", "1 d")
        assert refused.returncode == 1
        assert "keeps no ledger" in refused.stderr
        assert density(running) == 838.0


def test_entries_stay_over_a_reload_and_the_newer_of_two_masters_counts(place: Place, yard: list[Instruments]) -> None:
    (first,) = yard

    def write(entered: str) -> None:
        text = before.replace(
            "free_water: none", f"density: {{value: 830 kg/m3, entered: {entered}, expires: 31 d}}, free_water: none"
        )
        place.site.write_text(text, "utf-8")
        command = [sys.executable, "-m", "gateway", "reload"]
        environment = {**os.environ, **place.environment}
        subprocess.run(command, cwd=ROOT, env=environment, check=True, capture_output=True, timeout=60)

    before = place.site.read_text("utf-8")
    with gateway(place.site, environment=place.environment) as running:
        place.opened(running, first)
        place.entered("density", "TK-0", "841.5 kg/m3", "--sampled", "2026-11-20T06:00Z", "--expires", "31 d")
        write("2026-11-19T06:00Z")
        eventually(lambda: density(running) == 841.5, "the entry is newer")
        (listed,) = place.listed()["entries"]
        assert listed["used"]
        assert "830 kg/m3, entered 2026-11-19 06:00 UTC: it is older, and not used" in listed["other"]
        write("2026-11-21T06:00Z")
        eventually(lambda: density(running) == 830.0, "the site file is newer")
        (listed,) = place.listed()["entries"]
        assert not listed["used"]
        assert "it is newer, and used" in listed["other"]
        said = "TK-0: density: 841.5 kg/m3 entered by "
        for words in (("show", "--address", f"127.0.0.1:{running.port}"), ("check", str(place.site))):
            shown = place.typed(*words).stdout
            assert "the site file gives 830 kg/m3, entered 2026-11-21 06:00 UTC: it is newer, and used" in shown, shown
            assert (said if words[0] == "show" else "TK-0: in the ledger stands density: 841.5 kg/m3") in shown
        assert running.end() == 0


def test_two_people_at_once_act_one_after_the_other(place: Place, yard: list[Instruments]) -> None:
    (first,) = yard
    with gateway(place.site, environment=place.environment) as running:
        place.opened(running, first)
        done: list[subprocess.CompletedProcess[str]] = []

        def person(start: int) -> None:
            done.extend(place.enter("density", "TK-0", f"{start + n} kg/m3", "--expires", "1 d") for n in range(3))

        people = [threading.Thread(target=person, args=(start,)) for start in (810, 850)]
        for each in people:
            each.start()
        for each in people:
            each.join()
        assert [each.returncode for each in done] == [0] * 6
        last = place.listed()["entries"][0]["block"]["value"]
        assert density(running) == float(last.removesuffix(" kg/m3"))
        assert running.end() == 0
    rows = place.audit()
    assert len(rows) == 6
    for before, after in pairwise(rows):
        assert after["before"] == before["after"], "each names what the one before it left"
    assert rows[-1]["after"][0]["block"]["value"] == last


def test_what_was_answered_outlives_a_kill_at_any_moment(place: Place, yard: list[Instruments]) -> None:
    (first,) = yard
    answered = 800
    for life in range(3):
        with gateway(place.site, environment=place.environment) as running:
            place.opened(running, first)
            if life:
                value = float(place.listed()["entries"][0]["block"]["value"].removesuffix(" kg/m3"))
                assert value in (answered, answered + 1), "the last that was answered, or the one that was on its way"
                eventually(lambda value=value: density(running) == value, "its sheets go by it")  # type: ignore[misc]
                answered = int(value)
            killer = threading.Timer(0.3 + 0.4 * random.random(), running.process.kill)
            killer.start()
            while (code := _said(place.door, answered + 1)) is not None:
                assert code == 0
                answered += 1
                if answered >= 1100:
                    answered = 800
            killer.join()
            running.process.wait()
    rows = place.audit()
    assert len(rows) > 3
    for before, after in pairwise(rows):
        assert after["before"] == before["after"]
    assert len(rows) == len(place.rows(ENTRIES))
    told = place.exported("--events", "--format", "jsonl")
    assert [each["by"] for each in told if each["kind"] == "value_entered"] == [row["by"] for row in rows]


def _said(path: Path, value: int) -> int | None:
    """The code of the answer to a density; None where there was none."""
    request = {"action": "density", "tank": "TK-0", "value": f"{value} kg/m3", "expires": "31 d"}
    with socket.socket(socket.AF_UNIX) as client, suppress(OSError, ValueError):
        client.settimeout(60)
        client.connect(str(path))
        client.sendall(json.dumps(request).encode() + b"\n")
        code: int = json.loads(client.makefile().readline())["code"]
        return code
    return None


def test_who_says_nothing_or_nonsense_holds_up_nobody(place: Place, yard: list[Instruments]) -> None:
    (first,) = yard
    with gateway(place.site, environment=place.environment) as running:
        place.opened(running, first)
        assert stat.S_IMODE(place.door.stat().st_mode) == 0o660
        silent = [socket.socket(socket.AF_UNIX) for _ in range(5)]
        for each in silent:
            each.connect(str(place.door))
        for sent in (b"\n", b"[]\n", b"{}\n", b'{"action": "dip"}\n', b"\xff\xfe\n", b'{"action": 7}\n'):
            with socket.socket(socket.AF_UNIX) as client:
                client.connect(str(place.door))
                client.sendall(sent)
                answer = json.loads(client.makefile().readline())
                assert answer["code"] == 2, answer
        with socket.socket(socket.AF_UNIX) as client:
            client.settimeout(30)
            client.connect(str(place.door))
            try:
                client.sendall(b"x" * 2_000_000 + b"\n")
                assert client.recv(1) == b"", "what is too long is not answered"
            except (BrokenPipeError, ConnectionResetError):
                pass
        assert place.listed()["code"] == 0
        running.goes_on(first)
        for each in silent:
            each.close()
        assert running.end() == 0
