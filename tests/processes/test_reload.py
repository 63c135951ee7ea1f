"""A running gateway takes over its site file, or refuses it: real processes, sockets, a broker, and what is not
changed is asked on and on over the connection that it had."""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest

from gateway.process.running import DIRECTORY_VARIABLE, Running, claim
from tests.processes.gateway_process import ROOT, GatewayProcess, Instruments, eventually, gateway, write_site
from tests.support.mosquitto import Mosquitto


@pytest.fixture
def yard() -> Iterator[list[Instruments]]:
    with Instruments(5000) as first, Instruments(6000) as second:
        yield [first, second]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    (tmp_path / "broker").mkdir()
    with Mosquitto(tmp_path / "broker") as made:
        yield made


def reload(*words: str) -> "subprocess.CompletedProcess[str]":
    command = [sys.executable, "-m", "gateway", "reload", *words]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=60)


def retained(broker: Mosquitto, tank: str) -> dict[str, Any]:
    command = ["mosquitto_sub", "-p", str(broker.port), "-t", f"tanks/harbour/{tank}/inventory", "-C", "1", "-W", "20"]
    told: dict[str, Any] = json.loads(subprocess.run(command, capture_output=True, timeout=30, check=True).stdout)
    return told


def rewrite(site: Path, instruments: list[Instruments], broker: Mosquitto | None, port: int) -> None:
    """The site with these instruments, at the web address that it had."""
    write_site(site.parent, instruments, broker=None if broker is None else broker.port)
    text = site.read_text("utf-8")
    before, _, after = text.partition('web: {address: "127.0.0.1:')
    site.write_text(f'{before}web: {{address: "127.0.0.1:{port}"{after[after.index(chr(34)) + 1 :]}', "utf-8")


def boots(running: GatewayProcess) -> set[str]:
    return {each["identity"]["boot"] for each in running.inventories()}


def test_lines_and_tanks_come_and_go_and_the_others_go_on(
    tmp_path: Path, yard: list[Instruments], broker: Mosquitto
) -> None:
    first, second = yard
    site = write_site(tmp_path, [first], broker=broker.port)
    with gateway(site) as running:
        running.goes_on(first)
        boot = boots(running)
        rewrite(site, yard, broker, running.port)
        done = reload()
        assert (done.returncode, done.stderr) == (0, "")
        assert done.stdout.splitlines() == ["line added: line-1", "instrument added: LT-1", "tank added: TK-1"]
        eventually(lambda: len(running.inventories()) == 2, "the tank that came is calculated")
        running.goes_on(*yard)
        assert len(first._connections) == 1, "the line that stayed has its connection still"
        assert boots(running) == boot
        sequences = {each["identity"]["tank"]: each["identity"]["sequence"] for each in running.inventories()}
        assert sequences["TK-0"] > sequences["TK-1"]

        rewrite(site, [first], broker, running.port)
        done = reload("harbour", "--json")
        assert json.loads(done.stdout) == {
            "well": True,
            "changes": ["line removed: line-1", "instrument removed: LT-1", "tank removed: TK-1"],
            "mistakes": [],
        }
        eventually(lambda: retained(broker, "TK-1")["quality"] == "Bad", "the tank that went says so")
        level = retained(broker, "TK-1")["figures"]["level"]
        assert level["reason"] == {
            "code": "not_watched",
            "text": "the tank is no longer in the site file: nobody watches this tank from here",
        }
        assert [each["identity"]["tank"] for each in running.inventories()] == ["TK-0"]
        eventually(lambda: not second._connections, "nobody is connected to what is not watched")
        running.goes_on(first)
        assert retained(broker, "TK-0")["figures"]["level"]["quality"] == "Good"
        assert reload("--process", str(running.process.pid)).stdout == "nothing has changed\n"

        # It comes back, and no record of this boot has the number of another.
        last = retained(broker, "TK-1")["identity"]["sequence"]
        rewrite(site, yard, broker, running.port)
        assert reload().returncode == 0
        eventually(lambda: retained(broker, "TK-1")["figures"]["level"]["quality"] == "Good", "it is watched again")
        assert retained(broker, "TK-1")["identity"]["sequence"] > last
        assert boots(running) == boot
        assert running.end() == 0


def test_a_wrong_file_is_refused_with_the_words_of_check(tmp_path: Path, yard: list[Instruments]) -> None:
    first, _ = yard
    site = write_site(tmp_path, [first])
    with gateway(site) as running:
        running.goes_on(first)
        text = site.read_text("utf-8")
        site.write_text(
            text.replace("period: 250 ms", "period: 250").replace("product: diesel", "product: petrol"), "utf-8"
        )
        checked = subprocess.run(
            [sys.executable, "-m", "gateway", "check", str(site)], cwd=ROOT, capture_output=True, text=True, timeout=60
        )
        assert checked.returncode == 2
        mistakes = checked.stdout.splitlines()[:-1]
        assert len(mistakes) == 2
        done = reload()
        assert (done.returncode, done.stdout) == (2, "")
        *lines, hint = done.stderr.splitlines()
        assert lines == [f"tank-gateway: {mistake}" for mistake in mistakes]
        assert "site harbour goes on as before" in hint
        running.goes_on(first)
        assert running.metric("tank_gateway_site_file_refused") == 1
        site.unlink()
        gone = reload()
        assert gone.returncode == 2
        assert f"there is no site file '{site}'" in gone.stderr
        site.write_text(text.replace("name: harbour", "name: depot"), "utf-8")
        other = reload()
        assert other.returncode == 2
        assert f"{site}: site.name: 'depot' is another site than 'harbour', which is watched" in other.stderr
        site.write_text(text, "utf-8")
        assert reload().returncode == 0
        assert running.metric("tank_gateway_site_file_refused") == 0
        running.goes_on(first)
        assert running.end() == 0


def test_a_line_that_another_gateway_polls_is_not_taken_over(tmp_path: Path, yard: list[Instruments]) -> None:
    first, second = yard
    site = write_site(tmp_path, [first])
    taken = Running("depot", os.getpid(), None, {"west": (f"127.0.0.1:{second.port}",)})
    with gateway(site) as running:
        running.goes_on(first)
        with claim(taken):
            rewrite(site, yard, None, running.port)
            done = reload("harbour")
            assert done.returncode == 1
            assert "which the gateway of site depot polls as its line west" in done.stderr
            running.goes_on(first)
            assert second.asked == 0
        assert reload("harbour").returncode == 0
        running.goes_on(*yard)
        assert running.end() == 0


def test_a_hangup_alone_reloads_and_another_web_address_is_found(tmp_path: Path, yard: list[Instruments]) -> None:
    first, _ = yard
    site = write_site(tmp_path, [first])
    with gateway(site) as running:
        running.goes_on(first)
        before = running.port
        write_site(tmp_path, [first])
        moved = GatewayProcess(running.process, site)
        assert moved.port != before
        running.process.send_signal(signal.SIGHUP)
        eventually(moved.serves, "the new address answers")
        moved.goes_on(first)
        eventually(lambda: not running_at(before), "the old address answers no more")
        shown = subprocess.run(
            [sys.executable, "-m", "gateway", "show"], cwd=ROOT, capture_output=True, text=True, timeout=60
        )
        assert (shown.returncode, "TK-0" in shown.stdout) == (0, True)
        assert moved.end() == 0


def running_at(port: int) -> bool:
    try:
        urlopen(f"http://127.0.0.1:{port}/health", timeout=5).close()
    except OSError:
        return False
    return True


def test_a_stop_in_the_middle_of_a_reload_is_a_stop(tmp_path: Path, yard: list[Instruments], broker: Mosquitto) -> None:
    site = write_site(tmp_path, yard[:1], broker=broker.port)
    with gateway(site) as running:
        running.goes_on(yard[0])
        rewrite(site, yard, None, running.port)
        broker.freeze()
        running.process.send_signal(signal.SIGHUP)
        time.sleep(0.5)
        assert running.end() == 0
        broker.thaw()


def test_a_web_address_that_cannot_be_had_is_refused_and_the_old_one_answers_on(
    tmp_path: Path, yard: list[Instruments]
) -> None:
    first, _ = yard
    site = write_site(tmp_path, [first])
    with gateway(site) as running:
        running.goes_on(first)
        with socket.create_server(("127.0.0.1", 0)) as taken:
            port = taken.getsockname()[1]
            rewrite(site, [first], None, port)
            done = reload()
            assert (done.returncode, done.stdout) == (1, "")
            assert f"cannot serve HTTP on 127.0.0.1 port {port}: " in done.stderr
            running.goes_on(first)
            assert running.metric("tank_gateway_site_file_refused") == 1
        assert reload().stdout == f"web: 127.0.0.1 port {port} from now on\n"
        moved = GatewayProcess(running.process, site)
        moved.goes_on(first)
        # At the port that it has itself it is to be found by another address; one of another machine it cannot have.
        right = site.read_text("utf-8")
        site.write_text(right.replace(f'"127.0.0.1:{port}"', f'"192.0.2.1:{port}"'), "utf-8")
        done = reload()
        assert (done.returncode, done.stdout) == (1, "")
        assert f"cannot serve HTTP on 192.0.2.1 port {port}: " in done.stderr
        moved.goes_on(first)
        site.write_text(right, "utf-8")
        assert reload().stdout == "nothing has changed\n"
        site.write_text(site.read_text("utf-8").replace(f'"127.0.0.1:{port}"', f'"0.0.0.0:{port}"'), "utf-8")
        assert reload().stdout == f"web: 0.0.0.0 port {port} from now on\n"
        moved.goes_on(first)
        assert moved.end() == 0


def test_where_none_runs_or_which_is_not_said_it_is_told(tmp_path: Path) -> None:
    none = reload()
    assert none.returncode == 1
    assert none.stderr.startswith("tank-gateway: no gateway runs on this machine\n")
    demo = Running("demo", os.getpid(), None, {})
    with claim(demo):
        assert "no gateway of site 'harbour' runs on this machine" in reload("harbour").stderr
        refused = reload("demo")
        assert refused.returncode == 2
        assert "reads no site file again" in refused.stderr
        with claim(demo._replace(site="other")):
            # Once in many runs of everything one of the two was not found at the first look; nobody has seen why.
            eventually(lambda: "say which by its name or --process" in reload().stderr, "both are found")
            assert reload().returncode == 2


def test_no_signal_goes_to_the_process_of_another_user(tmp_path: Path) -> None:
    """Anybody may write a file that names a process. Here process 1 is named, or one that has another user's."""
    other = subprocess.Popen(["sleep", "60"], user="nobody") if os.geteuid() == 0 else None
    try:
        named = 1 if other is None else other.pid
        with claim(Running("harbour", named, None, {}, str(tmp_path / "site.yaml"))):
            done = reload()
        assert done.returncode == 1
        assert f"names process {named}, which is another user's: it is not asked" in done.stderr
        assert other is None or other.poll() is None
    finally:
        if other is not None:
            other.kill()
            other.wait()


def test_the_answer_is_for_the_user_and_is_gone_with_the_gateway(tmp_path: Path, yard: list[Instruments]) -> None:
    site = write_site(tmp_path, yard[:1])
    folder = Path(os.environ[DIRECTORY_VARIABLE])
    with gateway(site) as running:
        running.goes_on(yard[0])
        assert reload().returncode == 0
        assert (folder / "harbour.answer").stat().st_mode & 0o777 == 0o600
        assert running.end() == 0
    assert list(folder.iterdir()) == []
