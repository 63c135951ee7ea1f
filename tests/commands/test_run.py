"""`run` and `simulate` as processes: they serve, they log, they stop with 0."""

import asyncio
import contextlib
import signal
import sys
import urllib.request
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import orjson
import pytest

from tests.commands.typed import typed
from tests.support.mosquitto import free_port

_ROOT = Path(__file__).parents[2]
_WAIT_S = 20.0


@asynccontextmanager
async def _gateway(*words: str) -> AsyncIterator[asyncio.subprocess.Process]:
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "gateway",
        *words,
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        cwd=_ROOT,
    )
    try:
        yield process
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.communicate()


async def _until(stream: asyncio.StreamReader | None, wanted: bytes) -> bytes:
    assert stream is not None
    read = b""
    async with asyncio.timeout(_WAIT_S):
        while line := await stream.readline():
            read += line
            if wanted in line:
                return line
    raise AssertionError(f"{wanted!r} never came: {read!r}")


@pytest.fixture
def site(tmp_path: Path) -> tuple[Path, int]:
    """A site of one tank whose line nobody answers, and the port of its metrics."""
    port = free_port()
    path = tmp_path / "site.yaml"
    path.write_text(
        f"""
site: {{name: harbour, time_zone: UTC, simulated: yes}}
lines:
  east: {{address: 127.0.0.1:{free_port()}}}
instruments:
  LT-1:
    line: east
    unit: 1
    period: 2 s
    signals:
      innage: {{table: holding_registers, address: 0, type: uint16, unit: mm}}
products:
  diesel:
    method: expansion_coefficient
    expansion: 0.000846 /degC
    reference_temperature: 15 degC
    reference_density: 838 kg/m3
tanks:
  TK-1:
    product: diesel
    shape: {{kind: upright_cylinder, diameter: 10 m, height: 10 m}}
    reference_height: 11 m
    level: {{instrument: LT-1, signal: innage, measures: innage}}
    free_water: none
web: {{address: "127.0.0.1:{port}"}}
""",
        encoding="utf-8",
    )
    return path, port


def _health(port: int) -> int:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=_WAIT_S) as answer:
        status: int = answer.status
        return status


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGQUIT])
async def test_it_serves_until_a_signal_and_ends_with_0(site: tuple[Path, int], number: signal.Signals) -> None:
    path, port = site
    async with _gateway("run", str(path)) as process:
        listening = orjson.loads(await _until(process.stderr, b"web.listening"))
        assert listening["simulated"] == "SIMULATED"
        assert await asyncio.to_thread(_health, port) == 200
        process.send_signal(number)
        stopped = orjson.loads(await _until(process.stderr, b"gateway.stopped"))
        assert stopped["site"] == "harbour"
        async with asyncio.timeout(_WAIT_S):
            assert await process.wait() == 0
        out, err = await process.communicate()
    assert out == b""
    assert b"Traceback" not in err


async def test_what_it_remembers_is_there_when_it_comes_back(
    site: tuple[Path, int], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TANK_GATEWAY_STATE", str(tmp_path))
    told = []
    for wanted in (b"web.listening", b"memory.restored"):
        async with _gateway("run", str(site[0])) as process:
            told.append(orjson.loads(await _until(process.stderr, wanted)))
            process.send_signal(signal.SIGTERM)
            async with asyncio.timeout(_WAIT_S):
                assert await process.wait() == 0
        assert (tmp_path / "harbour.ledger").is_file()
    assert told[-1]["tanks"] == 1


async def test_where_it_can_remember_nothing_it_says_so_and_runs(
    site: tuple[Path, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("TANK_GATEWAY_STATE", "STATE_DIRECTORY"):
        monkeypatch.delenv(name, raising=False)
    async with _gateway("run", str(site[0])) as process:
        said = orjson.loads(await _until(process.stderr, b"ledger.not_kept"))
        assert (said["level"], said["trouble"]) == ("warning", "there is no state directory")
        await _until(process.stderr, b"web.listening")


async def test_a_second_gateway_of_the_site_is_refused_with_one_sentence(site: tuple[Path, int]) -> None:
    path, port = site
    async with _gateway("run", str(path)) as first:
        await _until(first.stderr, b"web.listening")
        async with _gateway("run", str(path)) as second, asyncio.timeout(_WAIT_S):
            _, err = await second.communicate()
            assert second.returncode == 1
        assert f"answering at 127.0.0.1:{port})" in err.decode()
        assert b"site harbour is watched by another gateway on this machine already" in err
        assert await asyncio.to_thread(_health, port) == 200, "the first one serves on"


async def test_a_hangup_ends_nothing(site: tuple[Path, int]) -> None:
    path, port = site
    async with _gateway("run", str(path)) as process:
        await _until(process.stderr, b"web.listening")
        process.send_signal(signal.SIGHUP)
        process.send_signal(signal.SIGHUP)
        assert await asyncio.to_thread(_health, port) == 200
        assert process.returncode is None


async def test_text_logs_on_demand(site: tuple[Path, int]) -> None:
    async with _gateway("run", str(site[0]), "--log-format", "text") as process:
        line = await _until(process.stderr, b"web.listening")
        assert b"simulated=SIMULATED" in line
        assert not line.startswith(b"{")


def test_a_wrong_site_never_starts(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text("site: {name: harbour}\n", encoding="utf-8")
    said = typed(capsys, "run", str(path))
    assert said.code == 2
    assert f"tank-gateway: {path}:1: site.time_zone: is missing" in said.err
    assert said.out == ""


async def test_simulate_passes_on_and_stops_with_its_input() -> None:
    ports = [word for line in ("bus-a", "yard-1", "yard-2", "power") for word in ("--port", f"{line}=0")]
    async with _gateway("simulate", "demo", "--json", "--until-stdin-closes", *ports) as process:
        ready = orjson.loads(await _until(process.stdout, b"addresses"))
        assert set(ready["addresses"]) == {"bus-a", "yard-1", "yard-2", "power"}
        assert process.stdin is not None
        process.stdin.close()
        async with asyncio.timeout(_WAIT_S):
            assert await process.wait() == 0


def test_simulate_refuses_what_it_does_not_know(capsys: pytest.CaptureFixture[str]) -> None:
    said = typed(capsys, "simulate", "nowhere")
    assert said.code == 2
    assert said.err.startswith("nowhere: no such file or scenario")
