"""The guide to Sparkplug, carried out block by block as a new user would: foreign programs read what a node says."""

import asyncio
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import yaml

from tests.delivery.test_sparkplug import node, plan_for, sheet
from tests.support.deliveries import until
from tests.support.destinations import running
from tests.support.mosquitto import Mosquitto

ROOT = Path(__file__).parents[2]
GUIDE = (ROOT / "deploy" / "sparkplug.md").read_text("utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", GUIDE, re.MULTILINE | re.DOTALL)


async def test_the_demo_is_read_as_the_guide_says(tmp_path: Path) -> None:
    install, listen, ask = blocks("sh")
    assert "sparkplug-payload@1.0.3" in install
    assert '"sparkplug-payload": "1.0.3"' in (ROOT / "tests" / "node" / "package.json").read_text("utf-8")
    (script,) = blocks("js")
    (tmp_path / "read.js").write_text(script)
    (tmp_path / "node_modules").symlink_to(Path(sys.prefix) / "node" / "node_modules")
    with Mosquitto(tmp_path, verbose=False) as server:
        plan = plan_for(server.port, keepalive_s=5)
        made = node(plan)
        made.offer(sheet(1))
        said: list[str] = []
        async with running(made):
            await until(lambda: made.status().connected)
            reader = await asyncio.create_subprocess_shell(
                f"exec bash -c {_quoted(at(listen, server.port))}",
                cwd=tmp_path,
                stdout=asyncio.subprocess.PIPE,
                start_new_session=True,
            )
            listening = asyncio.create_task(_read(reader, said))
            try:
                for _ in range(20):
                    asked = await asyncio.create_subprocess_shell(at(ask, server.port), cwd=tmp_path)
                    assert await asyncio.wait_for(asked.wait(), 20) == 0
                    await asyncio.sleep(0.5)
                    if any("figures/level" in line for line in said):
                        break
                # A birth that was asked for meanwhile brings a sheet with it: then the next one comes as data.
                for sequence in range(2, 22):
                    made.offer(sheet(sequence))
                    await asyncio.sleep(0.5)
                    if any("DDATA" in line and f"sheet/sequence {sequence} 192" in line for line in said):
                        break
                else:
                    raise AssertionError(said[-20:])
            finally:
                os.killpg(reader.pid, signal.SIGKILL)
                await reader.wait()
                await listening
    assert any(line.startswith("spBv1.0/plant/DBIRTH/harbour/TK-1 figures/level 9.412 192") for line in said)
    assert any(" Node Control/Rebirth false 192" in line for line in said)


def test_what_is_of_another_topic_is_passed_over_by_the_reader_of_the_guide(tmp_path: Path) -> None:
    """The broker of the demo gives such: a status in JSON is no Sparkplug."""
    (script,) = blocks("js")
    (tmp_path / "read.js").write_text(script)
    (tmp_path / "node_modules").symlink_to(Path(sys.prefix) / "node" / "node_modules")
    line = f"tanks/demo/gateway/status {b'{}'.hex()}\n"
    done = subprocess.run(
        ["node", "read.js"], cwd=tmp_path, input=line, capture_output=True, text=True, timeout=20, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def _quoted(text: str) -> str:
    return "'" + text.strip().replace("'", "'\\''") + "'"


def at(command: str, port: int) -> str:
    """The same, at the server of the test."""
    return command.replace("18830", str(port)).replace("/demo/", "/plant/").replace("NCMD/tanks", "NCMD/harbour")


async def _read(reader: asyncio.subprocess.Process, said: list[str]) -> None:
    assert reader.stdout is not None
    while line := await reader.stdout.readline():
        said.append(line.decode().strip())


def test_the_keys_of_the_guide_are_those_of_the_site_file() -> None:
    (shown,) = blocks("yaml")
    reference = yaml.safe_load((ROOT / "config" / "site.yaml").read_text("utf-8"))["delivery"]["sparkplug"]
    assert set(yaml.safe_load(shown)["delivery"]["sparkplug"]) <= set(reference)


def test_the_metrics_of_the_guide_are_told() -> None:
    from gateway.delivery.sparkplug.names import TANK_METRICS

    rows = re.findall(r"^\| (`.+?) \|", GUIDE, re.MULTILINE)
    named = [name for row in rows for name in re.findall(r"`([a-z_]+/[a-z_]+)`", row)]
    assert len(named) > 15
    assert set(named) <= set(TANK_METRICS)
