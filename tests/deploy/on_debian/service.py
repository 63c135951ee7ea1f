"""The unit on the box, its site files and its instruments."""

import json
import re
import time
from datetime import UTC, datetime
from typing import Any

from tests.deploy.on_debian.guide import Guide
from tests.deploy.on_debian.machine import HOME, Machine, eventually

__all__ = [
    "ADAPTER",
    "LEVELS_OF_JOURNAL",
    "MISTAKEN",
    "MQTT",
    "NORTH",
    "PLUGGED_IN",
    "SERIAL",
    "SITE",
    "UNIT",
    "YARD",
    "Service",
    "instruments",
    "restarted",
    "stays_as_it_is",
]

SITE = "/etc/tank-gateway/site.yaml"
UNIT = "tank-gateway"
LEVELS_OF_JOURNAL = {"error": "3", "warning": "4", "info": "6"}
"""sd-daemon(3), after syslog(3)."""

# The instruments of one tank, and those of another on an adapter that is plugged in later.
YARD = """\
description: A tank on the network
seed: 1
tick: 0.5 s
lines: {field: {port: 15020}}
tanks:
  TK-1: {shape: {kind: upright, diameter: 10 m, height: 10 m}, reference_height: 11 m, level: 4.25 m,
    density: {value: 838 kg/m3, at: 15 degC, slope: -0.7 kg/m3/K}, elements: 1 m, temperatures: 15 degC}
instruments:
  LT-1: {line: field, unit: 1, signals: {innage: {tank: TK-1, quantity: innage, table: holding, address: 0,
    type: uint16, step: 1 mm}, t: {tank: TK-1, quantity: temperatures, table: holding, address: 1, type: int16,
    step: 0.1 degC}}}
"""
ADAPTER = "/dev/serial/by-id/usb-adapter"
PLUGGED_IN = YARD.replace(
    "lines: {field: {port: 15020}}", f"lines: {{field: {{serial: {{pair: {ADAPTER}, baud: 19200}}}}}}"
)

NORTH = """\
site: {name: north, time_zone: UTC}
lines:
  field: {address: 127.0.0.1:15020, backoff_longest: 1 s}
instruments:
  LT-1: {line: field, unit: 1, period: 500 ms, timeout: 400 ms,
    signals: {innage: {table: holding_registers, address: 0, type: uint16, unit: mm},
    t: {table: holding_registers, address: 1, type: int16, scale: 0.1, unit: degC}}}
products:
  diesel: {method: expansion_coefficient, expansion: 0.000846 /degC, reference_temperature: 15 degC,
    reference_density: {value: 838 kg/m3, entered: TODAY, expires: 31 d}}
tanks:
  TK-1: {product: diesel, shape: {kind: upright_cylinder, diameter: 10 m, height: 10 m}, reference_height: 11 m,
    level: {instrument: LT-1, signal: innage, measures: innage}, free_water: none,
    temperature: {instrument: LT-1, elements: [{signal: t, height: 1 m}]},
    maximum_flow_in: 99 m3/h, maximum_flow_out: 99 m3/h}
web: {address: "127.0.0.1:9109"}
""".replace("TODAY", datetime.now(UTC).strftime("%Y-%m-%dT00:00Z"))
MQTT = """\
delivery:
  mqtt:
    address: localhost:8883
    user_name: gateway-north
    password_file: /run/credentials/tank-gateway.service/mqtt-password
    tls: {ca: /etc/tank-gateway/ca.pem}
    backoff_longest: 1 s
"""
MISTAKEN = NORTH.replace("diameter: 10 m", "diameter: 10 kg")

SECOND_LINE = """\
  yard: {serial: {port: ADAPTER, baud: 19200}, backoff_longest: 1 s}
instruments:
  LT-2: {line: yard, unit: 1, period: 500 ms, timeout: 400 ms,
    signals: {innage: {table: holding_registers, address: 0, type: uint16, unit: mm},
    t: {table: holding_registers, address: 1, type: int16, scale: 0.1, unit: degC}}}
"""
SECOND_TANK = """\
  TK-2: {product: diesel, shape: {kind: upright_cylinder, diameter: 10 m, height: 10 m}, reference_height: 11 m,
    level: {instrument: LT-2, signal: innage, measures: innage}, free_water: none,
    temperature: {instrument: LT-2, elements: [{signal: t, height: 1 m}]},
    maximum_flow_in: 99 m3/h, maximum_flow_out: 99 m3/h}
web:"""
SERIAL = NORTH.replace("instruments:\n", SECOND_LINE.replace("ADAPTER", ADAPTER), 1).replace("web:", SECOND_TANK, 1)


class Service:
    """The unit, as systemd and the journal of the box tell of it."""

    def __init__(self, box: Machine) -> None:
        self.box = box

    def __getattr__(self, name: str) -> str:
        return self.box.run(f"systemctl show --value --property={name} {UNIT}").output.strip()

    def properties(self, *names: str) -> tuple[str, ...]:
        """Several at one moment."""
        lines = self.box.run(f"systemctl show --property={','.join(names)} {UNIT}").output.splitlines()
        found = dict(line.split("=", 1) for line in lines)
        return tuple(found[name] for name in names)

    def is_watching(self) -> bool:
        state, text = self.properties("ActiveState", "StatusText")
        return state == "active" and bool(re.search(r"\b[1-9]\d* Good\b", text))

    def journal(self, *options: str) -> list[dict[str, Any]]:
        """What the gateway itself has said, in order."""
        who = f"_SYSTEMD_UNIT={UNIT}.service _TRANSPORT=stdout"  # not systemd, on its way to start it
        text = self.box.run(f"journalctl --output=json {' '.join(options)} {who}").output
        return [json.loads(line) for line in text.splitlines() if line.startswith("{")]

    def said(self, *options: str) -> str:
        return "\n".join(str(entry["MESSAGE"]) for entry in self.journal(*options))

    def said_by_this_run(self) -> str:
        return self.said(f"_SYSTEMD_INVOCATION_ID={self.InvocationID}")

    def inventories(self) -> dict[str, dict[str, Any]]:
        done = self.box.run("/opt/tank-gateway/current/bin/tank-gateway show --json", check=False)
        if done.code != 0:
            return {}
        return {each["identity"]["tank"]: each for each in json.loads(done.output)["inventories"]}

    def level(self, tank: str) -> tuple[float | None, str]:
        """With its quality."""
        level = self.inventories().get(tank, {}).get("figures", {}).get("level", {"value": None, "quality": ""})
        return level["value"], level["quality"]


def instruments(scenario: str, name: str) -> str:
    """What serves them, as a service that no test of another service ends."""
    program = f"{HOME}/instruments/bin/tank-gateway simulate {scenario}"
    return f"systemctl stop {name} 2>/dev/null || true; systemd-run --quiet --collect --unit={name} {program}"


def restarted(service: Service, guide: Guide, text: str) -> None:
    """With another site file, by the guide's line for that; until its tanks are Good."""
    service.box.write(SITE, text)
    service.box.run(guide.block("site.yaml && systemctl restart"))
    eventually(service.is_watching, "it watches")


def stays_as_it_is(service: Service) -> tuple[str, ...]:
    """What it has come to, for longer than systemd would have waited to try again."""
    names = ("ActiveState", "Result", "ExecMainStatus", "InvocationID")
    state = service.properties(*names)
    time.sleep(3 * 2.0)  # three times RestartSec
    assert service.properties(*names) == state
    return state[:3]
