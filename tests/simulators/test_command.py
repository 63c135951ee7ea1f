"""`python -m simulators` as another program starts and stops it."""

import asyncio
import json
import signal
import struct
import sys
from asyncio.subprocess import PIPE, Process
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from simulators.command import main
from tests.simulators.wire import PATIENCE_S, wire_to

ROOT = Path(__file__).parents[2]
ANY_PORTS = [f"--port={line}=0" for line in ("bus-a", "yard-1", "yard-2", "power")]


@asynccontextmanager
async def started(*arguments: str) -> AsyncIterator[Process]:
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "simulators", *arguments, cwd=ROOT, stdin=PIPE, stdout=PIPE, stderr=PIPE
    )
    try:
        yield process
    finally:
        if process.returncode is None:
            process.kill()
        await process.communicate()


async def first_line(process: Process) -> str:
    assert process.stdout is not None
    async with asyncio.timeout(4 * PATIENCE_S):
        return (await process.stdout.readline()).decode()


async def end(process: Process) -> int:
    async with asyncio.timeout(PATIENCE_S):
        return await process.wait()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
async def test_json_addresses_answer_and_signals_stop_it(number: signal.Signals) -> None:
    async with started("printed_state", "--json", *ANY_PORTS) as process:
        told = json.loads(await first_line(process))
        assert told["simulated"] is True
        assert told["replaced"] == {}
        bus = told["addresses"]["bus-a"]
        assert bus["url"] == f"modbus://127.0.0.1:{bus['port']}"
        async with wire_to((bus["host"], bus["port"])) as wire:
            assert struct.unpack(">I", (await wire.ask(1, 3, 0, 2))[2:]) == (58280,)
            process.send_signal(number)
            assert await end(process) == 0
            assert await wire.rest() == b""


async def test_stops_when_standard_input_ends() -> None:
    async with started("printed_state", "--json", "--until-stdin-closes", *ANY_PORTS) as process:
        await first_line(process)
        assert process.stdin is not None
        process.stdin.write(b"not the end\n")
        await process.stdin.drain()
        process.stdin.close()
        assert await end(process) == 0


async def test_people_read_addresses_and_that_all_is_simulated() -> None:
    async with started("demo", *ANY_PORTS) as process:
        assert (await first_line(process)).startswith("SIMULATED site 'demo': 10 tanks, 16 instruments")
        lines = [await first_line(process) for _ in range(5)]
        assert [line.split()[0] for line in lines[:4]] == ["bus-a", "yard-1", "yard-2", "power"]
        assert all("modbus://127.0.0.1:" in line for line in lines[:4])
        assert lines[4] == "All values are SIMULATED. Stop with Ctrl-C.\n"
        process.send_signal(signal.SIGTERM)
        assert await end(process) == 0


async def test_taken_port_is_said() -> None:
    async with started("printed_state", "--json", *ANY_PORTS) as first:
        port = json.loads(await first_line(first))["addresses"]["power"]["port"]
        async with started("printed_state", "--json", *ANY_PORTS[:3], f"--port=power={port}") as second:
            told = json.loads(await first_line(second))
            assert told["replaced"] == {"power": {"wanted": port, "port": told["addresses"]["power"]["port"]}}
            assert told["addresses"]["power"]["port"] != port


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            ["nowhere"],
            "nowhere: no such file or scenario; give a YAML file or one of: demo, every_key, paint_works, "
            "printed_state, working_day\n",
        ),
        (
            ["demo", "--port", "bus-a"],
            "--port bus-a: is not LINE=PORT with a port of 0 to 65535; write it like bus-a=15020\n",
        ),
        (
            ["demo", "--port", "bus-z=0"],
            "port of bus-z: there is no such line; give one of: bus-a, yard-1, yard-2, power\n",
        ),
    ],
)
def test_wrong_use_is_one_line_and_exit_2(
    arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == 2
    assert capsys.readouterr().err == message


def test_help_and_wrong_options(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    assert "SIMULATED" in capsys.readouterr().out
    assert main([]) == 2
    assert main(["demo", "--host", "203.0.113.1"]) == 1
    assert "give an address of this machine" in capsys.readouterr().err
