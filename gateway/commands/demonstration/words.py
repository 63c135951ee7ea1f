"""What the demo says in plain words: what runs where, what to try next, how to stop."""

import os
import shlex
import shutil
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from gateway.delivery.opcua.delivery import missing_part
from gateway.delivery.opcua.plan import OpcuaPlan
from gateway.delivery.registers.layout import level_number
from gateway.delivery.registers.plan import RegistersPlan
from gateway.delivery.sparkplug.plan import SparkplugPlan
from gateway.settings.site import SiteSettings

__all__ = ["Replaced", "introduction", "program"]


class Replaced(NamedTuple):
    """A port that was taken by another program, and the one used instead."""

    what: str
    wanted: int
    used: int


def introduction(
    settings: SiteSettings,
    replaced: Sequence[Replaced],
    broker_pid: int,
    *,
    is_working_day: bool = False,
    code: str | None = None,
) -> list[str]:
    """The lines to print before the first table. Every address is one that answers. `code`: by which the first
    administrator joins."""
    command = program()
    lines = [
        "",
        f"tank-gateway demo: {len(settings.tanks)} invented tanks, SIMULATED. Monitoring only: not an overfill",
        "prevention system, not a safety instrumented system, not for custody transfer or fiscal use.",
        "",
        "What runs where, all of it on this machine:",
    ]
    for line in settings.lines:
        tags = ", ".join(instrument.tag for instrument in line.instruments)
        lines.append(f"  instruments  modbus://{line.host}:{line.port}  line {line.name}: {tags}")
    for broker in settings.brokers:
        topics = f"mqtt://{broker.host}:{broker.port}  topics {broker.prefix}/{settings.name}/+"
        lines += [f"  tank data    {topics}/inventory", f"  history      {topics}/history"]
    for node in _nodes(settings):
        host, port = node.addresses[0]
        lines.append(f"  Sparkplug    mqtt://{host}:{port}  topics spBv1.0/{node.group}/+/{node.node}/#")
    if settings.http is not None:
        lines.append(f"  page         http://{settings.http.host}:{settings.http.port}/")
        if code is not None:
            lines.append(f"               join as administrator by the code {code} (once, within the hour)")
        lines.append(f"  metrics      http://{settings.http.host}:{settings.http.port}/metrics")
        lines.append(f"  all tanks    http://{settings.http.host}:{settings.http.port}/inventories")
    registers = [plan for plan in settings.deliveries if isinstance(plan, RegistersPlan)]
    lines += [f"  registers    modbus://{plan.host}:{plan.port}  unit 1, functions 3 and 4" for plan in registers]
    opcua = [plan for plan in settings.deliveries if isinstance(plan, OpcuaPlan) and missing_part() is None]
    lines += [
        f"  OPC UA       opc.tcp://{plan.host}:{plan.port}  without security, below Objects: tanks" for plan in opcua
    ]
    lines += [f"  Port {port.wanted} ({port.what}) is taken; {port.used} is used instead." for port in replaced]
    lines += ["", "Try next, in another terminal:"]
    for broker in settings.brokers:
        where = f"-h {broker.host} -p {broker.port}"
        topic = shlex.quote(f"{broker.prefix}/#")
        lines.append(f"  mosquitto_sub {where} -t {topic} -v    (from the package mosquitto-clients)")
    for node in _nodes(settings):
        where = "-h {} -p {}".format(*node.addresses[0])
        topic = shlex.quote(f"spBv1.0/{node.group}/#")
        lines.append(f"  mosquitto_sub {where} -t {topic} -F '%t  %l bytes'    (protobuf: README, Sparkplug)")
    if settings.http is not None:
        address = f"{settings.http.host}:{settings.http.port}"
        lines += [f"  {command} show --address {address}", f"  {command} alarms --address {address}"]
    for plan in registers:
        tank, number = plan.blocks[0]
        where = f"-p {plan.port} -t 4:float -B -r {level_number(number)} -1 {plan.host}"
        lines.append(f"  mbpoll -m tcp {where}    (level of {tank} in m; from the package mbpoll)")
    if registers and not is_working_day:
        lines.append(f"  {command} delivery map demo    (what stands in which register)")
    for server in opcua:
        where = f"opc.tcp://{server.host}:{server.port}"
        lines.append(f"  any OPC UA client at {where}: node ns=2;s={settings.tanks[0].plan.tank}/level")
    lines += _working_day(command, settings) if is_working_day else _ordinary(command)
    lines += [
        "Nothing is lost: freeze the broker, see in `show` how history waits for it, let it go on and see it drain:",
        f"  kill -STOP {broker_pid}",
        f"  kill -CONT {broker_pid}",
        "",
        "Ctrl-C stops all of it.",
    ]
    return lines


def _nodes(settings: SiteSettings) -> list[SparkplugPlan]:
    return [each for each in settings.deliveries if isinstance(each, SparkplugPlan)]


def _ordinary(command: str) -> list[str]:
    return [
        f"  {command} dip demo TK-101 --level '9.412 m' --water '35 mm' --temperature '14.7 degC'",
        "",
        "Something happens: after 2 minutes a temperature element breaks, after 4 a gauge falls silent, after 6 water",
        "is drawn off, after 105 the bullet B-2 is above its maximum working level (--time-factor 30: 30 times as",
        "soon). `alarms` says what to do, and you have it once you acknowledge it:",
        f"  {command} enter acknowledge C-7 level_lost",
        "",
        "A working day with receipts, dispatches, tickets and the close of the day, in ten minutes:",
        f"  {command} demo --working-day",
        "",
    ]


def _working_day(command: str, settings: SiteSettings) -> list[str]:
    address = "" if settings.http is None else f" --address {settings.http.host}:{settings.http.port}"
    return [
        f"  {command} transfers{address}",
        f"  {command} stock{address}",
        f"  {command} report ticket --ticket 1        (from 09:53 on; --format pdf writes a file)",
        f"  {command} report reconciliation           (of the newest day that is closed)",
        "",
        "It is half past five in the morning. At 06:00 the day before ends; at 06:40 a ship is unloaded into TK-11,",
        "from 07:30 on road cars are loaded from TK-12, at 11:40 water is drawn off, at 13:30 diesel goes from TK-11",
        "to TK-12, at 15:20 jet fuel comes by pipeline and at 16:00 its gauge sticks, at 18:30 a ship is loaded from",
        "TK-21. At 06:00 the day ends and is closed. An hour takes 24 seconds. Who does what is told as it happens.",
        "",
    ]


def program() -> str:
    """How this program is called from where the person stands, so that a pasted line works."""
    name = "tank-gateway"
    beside = Path(sys.executable).parent / name
    on_path = shutil.which(name)
    if on_path is not None and Path(on_path).resolve() == beside.resolve():
        return name
    if beside.is_file():
        near = os.path.relpath(beside)
        return shlex.quote(near if not near.startswith("..") else str(beside))
    return f"{shlex.quote(sys.executable)} -m gateway"
