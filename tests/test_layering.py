"""The layer rules hold in this tree, and each rule can fail: it is shown a small tree that breaks it."""

import ast
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from gateway.modbus.tables import Table
from tests.support import layering
from tests.support.layering import Tree

ROOT = Path(__file__).resolve().parent.parent
Rule = Callable[[Tree], list[str]]

RULES: tuple[Rule, ...] = (
    layering.impure,
    layering.isolated_stages_joined,
    layering.upstream_imports,
    layering.settings_imported_by_stages,
    layering.simulators_joined,
    layering.cycles,
    layering.oversized,
    layering.missing_all,
    layering.modbus_writes,
    layering.counted_cancellations,
    layering.foreign_dates,
    layering.foreign_privacies,
)

# For each rule: files of a tree that breaks it, and what it must say.
BREAKS: tuple[tuple[Rule, dict[str, str], list[str]], ...] = (
    (
        layering.impure,
        {
            "gateway/calculation/shape.py": "import math\nimport asyncio\nfrom pydantic import BaseModel\n",
            "gateway/watch/alarms.py": "def f():\n    from time import monotonic\n    return open('x')\n",
            "gateway/records.py": "from datetime import datetime\nNOW = datetime.now()\n",
        },
        [
            "gateway.calculation.shape imports asyncio",
            "gateway.calculation.shape imports pydantic",
            "gateway.watch.alarms imports time",
            "gateway.watch.alarms:3 calls open()",
            "gateway.records:2 reads a clock by .now()",
        ],
    ),
    (
        layering.impure,
        {"gateway/calculation/shape.py": "from gateway import watch\n", "gateway/watch/__init__.py": ""},
        ["gateway.calculation.shape imports gateway.watch"],
    ),
    (
        layering.isolated_stages_joined,
        {
            "gateway/acquisition/line.py": "from gateway.delivery import mqtt\n",
            "gateway/delivery/mqtt.py": "import gateway.ledger.journal\n",
            "gateway/ledger/journal.py": "",
            "gateway/web/page.py": "def f():\n    from gateway.acquisition.line import g\n",
        },
        [
            "gateway.acquisition.line imports gateway.delivery.mqtt",
            "gateway.delivery.mqtt imports gateway.ledger.journal",
            "gateway.web.page imports gateway.acquisition.line",
        ],
    ),
    (
        layering.upstream_imports,
        {"gateway/acquisition/line.py": "from gateway.calculation.level.chain import innage\n"},
        ["gateway.acquisition.line imports gateway.calculation.level.chain"],
    ),
    (
        layering.settings_imported_by_stages,
        {
            "gateway/acquisition/line.py": "from gateway.settings import tank\n",
            "gateway/settings/tank.py": "",
            "gateway/delivery/mqtt.py": "from gateway.daemon import run\n",
            "gateway/process/descriptors.py": "from gateway.settings import tank\n",
        },
        [
            "gateway.acquisition.line imports gateway.settings.tank",
            "gateway.delivery.mqtt imports gateway.daemon",
            "gateway.process.descriptors imports gateway.settings.tank",
        ],
    ),
    (
        layering.simulators_joined,
        {
            "simulators/tank.py": "from gateway.records import Reading\n",
            "gateway/daemon.py": "import simulators.tank\n",
            "gateway/commands/demonstration/demo.py": "import simulators.tank\n",
        },
        ["simulators.tank imports gateway.records", "gateway.daemon imports simulators.tank"],
    ),
    (
        layering.cycles,
        {
            "gateway/a.py": "from gateway import b\n",
            "gateway/b.py": "def f():\n    from gateway.c import g\n",
            "gateway/c.py": "from gateway.a import h\n",
        },
        ["gateway.a -> gateway.b -> gateway.c -> gateway.a"],
    ),
    (
        layering.impure,
        {
            "gateway/acquisition/turns.py": '"""Pure: whose turn it is."""\nimport random\nfrom time import sleep\n'
            "from gateway.acquisition.port import P\ndef f(path):\n    random.random()\n    return path.read_text()\n",
            "gateway/acquisition/port.py": '"""A port."""\nimport socket\n',
            "gateway/acquisition/words.py": '"""Pure: it."""\nimport struct\nfrom gateway.acquisition import turns\n',
        },
        [
            "gateway.acquisition.turns imports gateway.acquisition.port",
            "gateway.acquisition.turns imports time",
            "gateway.acquisition.turns:6 calls random.random()",
            "gateway.acquisition.turns:7 calls .read_text()",
        ],
    ),
    (
        layering.foreign_dates,
        {
            "gateway/clock.py": "import time\nNOW = time.time_ns()\n",
            "gateway/commands/operator/dip.py": "from datetime import UTC, datetime\nNOW = datetime.now(UTC)\n",
            "gateway/pipeline.py": "import time\nfrom datetime import UTC, datetime\n"
            "def f(clock=time.time):\n    return datetime.now(UTC), time.monotonic()\n",
        },
        ["gateway.pipeline:3 reads the date by time.time", "gateway.pipeline:4 reads the date by datetime.now"],
    ),
    (layering.oversized, {"gateway/a.py": "x = 1\n" * 401}, ["gateway.a has 401 lines"]),
    (
        layering.counted_cancellations,
        {
            "gateway/acquisition/line.py": "def f(task):\n    return task.cancelling()\n",
            "gateway/commands/demonstration/demo.py": "import asyncio\ngroup = asyncio.TaskGroup()\ntask.uncancel()\n",
            "simulators/running.py": "from asyncio import TaskGroup\ngroup = TaskGroup()\n",
        },
        [
            "gateway.acquisition.line:2 uses cancelling",
            "gateway.commands.demonstration.demo:3 uses uncancel",
            "simulators.running:2 uses TaskGroup",
        ],
    ),
    (
        layering.foreign_privacies,
        {
            "gateway/delivery/mqtt/delivery.py": "import paho.mqtt.client as paho\ndef f(self, record):\n"
            "    self._client._sock_close()\n    return record._replace(site=self._site)\n",
            "gateway/delivery/mqtt_wire/connection.py": "import paho.mqtt.client\n",
        },
        [
            "gateway.delivery.mqtt.delivery:3 reaches for self._client._sock_close",
            "gateway.delivery.mqtt.delivery imports paho.mqtt.client",
        ],
    ),
    (
        layering.missing_all,
        {
            "gateway/a.py": "def f(): ...\n",
            "gateway/b.py": "__all__ = ['f', 'gone']\ndef f(): ...\n",
            "gateway/_c.py": "def f(): ...\n",
            "gateway/d.py": '"""Only words."""\n',
        },
        ["gateway.a has no __all__", "gateway.b lists gone but does not have it"],
    ),
    (
        layering.modbus_writes,
        {
            "gateway/acquisition/links/modbus_tcp.py": "\n".join(
                [
                    "FUNCTIONS = {'coils': 1, 'set': 5}",
                    "def f(transport, frame):",
                    "    transport.write(frame)",
                    "    transport.write(request_frame(1))",
                    "    request(function_code=16)",
                    "    client.write_registers(0, [1])",
                ]
            ),
            "gateway/daemon.py": "from pymodbus.client import AsyncModbusTcpClient\n",
            "gateway/delivery/registers/server.py": "from pymodbus.server import ModbusTcpServer\n"
            "from pymodbus.client import ModbusTcpClient\n",
            "gateway/commissioning/replay.py": "def f(client, device, frame):\n"
            "    client.write(frame)\n    device.write(frame)\n",
            "gateway/commands/probe.py": "async def f(asyncio):\n    await asyncio.open_connection('127.0.0.1', 502)\n",
        },
        [
            "gateway.daemon imports pymodbus.client",
            "gateway.delivery.registers.server imports pymodbus.client",
            "gateway.commissioning.replay:3 sends bytes that are not made by request_frame",
            "gateway.commands.probe:2 opens a wire that nobody has listed, by asyncio.open_connection()",
            "gateway.acquisition.links.modbus_tcp:1 has function code 5",
            "gateway.acquisition.links.modbus_tcp:3 sends bytes that are not made by request_frame",
            "gateway.acquisition.links.modbus_tcp:5 has function code 16",
            "gateway.acquisition.links.modbus_tcp:6 speaks of write_registers",
        ],
    ),
)


@pytest.fixture(scope="module")
def source() -> Tree:
    return Tree(ROOT)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.__name__)
def test_rule_holds(rule: Rule, source: Tree) -> None:
    assert len(source.modules) > 20
    broken = rule(source)
    assert not broken, "\n".join(broken)


@pytest.mark.parametrize(("rule", "files", "expected"), BREAKS, ids=lambda part: getattr(part, "__name__", ""))
def test_rule_can_fail(rule: Rule, files: dict[str, str], expected: list[str], tmp_path: Path) -> None:
    for name, text in files.items():
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, "utf-8")
    assert sorted(rule(Tree(tmp_path))) == sorted(expected)


def test_every_rule_is_shown_to_fail() -> None:
    assert {rule for rule, _, _ in BREAKS} == set(RULES)


def loaded_by_importing(*packages: str) -> set[str]:
    """The top-level modules that a fresh interpreter has loaded after importing all of some packages."""
    program = """
import importlib, json, pkgutil, sys
for name in sys.argv[1:]:
    package = importlib.import_module(name)
    for entry in pkgutil.walk_packages(package.__path__, name + "."):
        importlib.import_module(entry.name)
print(json.dumps(sorted({name.split(".")[0] for name in sys.modules})))
"""
    done = subprocess.run(
        [sys.executable, "-c", program, *packages], cwd=ROOT, capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stderr
    return set(json.loads(done.stdout))


FORBIDDEN_AT_RUN_TIME = {"asyncio", "socket", "ssl", "logging", "sqlite3", "pydantic", "paho", "structlog", "uvloop"}


def test_pure_packages_load_no_input_or_output() -> None:
    pure = [name for name in ("gateway.calculation", "gateway.watch") if (ROOT / name.replace(".", "/")).is_dir()]
    assert loaded_by_importing(*pure) & FORBIDDEN_AT_RUN_TIME == set()


def test_that_check_can_fail() -> None:
    assert "asyncio" in loaded_by_importing("gateway.acquisition") & FORBIDDEN_AT_RUN_TIME


def test_the_tables_know_only_the_four_reads() -> None:
    # MODBUS Application Protocol Specification V1.1b3, sections 6.1 to 6.4.
    assert {table.read_function for table in Table} == {1, 2, 3, 4}


def test_no_log_line_has_a_word_of_its_own_for_what_every_line_bears() -> None:
    """Severity, name and time are written over it without a word: a level of a tank would be gone."""
    taken = {"level", "event", "timestamp", "logger"}
    calls = [
        (path, node)
        for path in sorted(Path("gateway").rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call) and "log" in ast.unparse(node.func).lower()
    ]
    assert len(calls) > 30, "log lines are found at all"
    assert [f"{path}:{node.lineno}" for path, node in calls if taken & {word.arg for word in node.keywords}] == []
