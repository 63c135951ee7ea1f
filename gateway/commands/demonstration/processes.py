"""Starts, joins and stops what the demo is made of: simulator, broker, the gateway in this process, the screen."""

import asyncio
import sys
from collections.abc import Callable, Mapping
from contextlib import AsyncExitStack, suppress
from dataclasses import replace
from datetime import datetime
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from gateway import run_site
from gateway.clock import SystemClock
from gateway.commands.demonstration.books import DemoBooks
from gateway.commands.demonstration.child import Child, ChildError, running_child
from gateway.commands.demonstration.free_port import free_port
from gateway.commands.demonstration.people import Story, lived
from gateway.commands.demonstration.play import Play
from gateway.commands.demonstration.screen import show_until
from gateway.commands.demonstration.words import Replaced, introduction
from gateway.commands.output import is_terminal, write
from gateway.commands.service.serve import door, run_in_loop, running, with_descriptors
from gateway.daemon import Daemon
from gateway.delivery.opcua.plan import OpcuaPlan
from gateway.delivery.registers.plan import RegistersPlan
from gateway.delivery.sparkplug.plan import SparkplugPlan
from gateway.display import UnitSystem
from gateway.errors import GatewayError
from gateway.keeping import kept_in
from gateway.person import Role
from gateway.process.logs import set_up_logs
from gateway.process.memory_file import file_name
from gateway.process.running import claim
from gateway.process.signals import stop_on_signals
from gateway.process.standard_streams import unblock_stdout
from gateway.process.tasks import run_together
from gateway.scenario_time import SetClock
from gateway.settings.site import SiteSettings
from gateway.web.access.access import Access
from gateway.web.access.administration import administer
from gateway.web.access.people_file import PeopleFile, people_path

__all__ = ["run_demo"]

_HOST = "127.0.0.1"
_STOPPED_WITHIN_S = 20.0


def run_demo(play: Play, system: UnitSystem, time_factor: float) -> int:
    """Run the demo until a signal; 0 when it was stopped so. Raises GatewayError when one of them fails."""
    # On a terminal the table says what is wrong with a tank; only what it cannot show is worth a line above it.
    dropped_lines = set_up_logs("auto", simulated=True, errors_only=is_terminal(sys.stdout))
    return run_in_loop(lambda: _until_stopped(play, system, time_factor, dropped_lines))


async def _until_stopped(play: Play, system: UnitSystem, time_factor: float, dropped_lines: Callable[[], int]) -> int:
    """Whatever the demo is doing when a signal comes, it is cancelled there and cleans up behind itself.

    A table that is not read holds up nothing; one whose reader has gone (`| head`) ends the demo as well.
    """
    stop = asyncio.Event()
    stop_on_signals(stop, within_s=_STOPPED_WITHIN_S)
    loop = asyncio.get_running_loop()
    gone: list[bool] = []

    def reader_has_gone() -> None:
        gone.append(True)
        with suppress(RuntimeError):  # the loop has ended
            loop.call_soon_threadsafe(stop.set)

    unblock_stdout(reader_has_gone)
    demo = asyncio.create_task(_demo(play, system, time_factor, dropped_lines), name="demo")
    stopping = asyncio.create_task(stop.wait(), name="stop")
    await asyncio.wait({demo, stopping}, return_when=asyncio.FIRST_COMPLETED)
    stopping.cancel()
    if demo.done():
        _raise_cause(demo)
    if is_terminal(sys.stdout):
        write("Stopping ...")
    demo.cancel()
    await asyncio.wait({demo})
    if not demo.cancelled():
        _raise_cause(demo)
    write("Stopped.")
    return 1 if gone else 0


async def _demo(play: Play, system: UnitSystem, time_factor: float, dropped_lines: Callable[[], int]) -> None:
    wished = play.site()
    write(f"Starting {len(wished.tanks)} simulated tanks, a broker and the gateway ...")
    async with AsyncExitStack() as stack:
        simulator, broker = await _start_children(stack, play, wished, time_factor)
        settings, replaced = _with_ports(play, wished, simulator.ready, broker.ready)
        settings = with_descriptors(settings)
        state = Path(stack.enter_context(TemporaryDirectory(prefix="tank-gateway-demo-", ignore_cleanup_errors=True)))
        settings = _beside(settings, state)
        ledger = None if settings.ledger is None else state / f"{file_name(settings.name)}.ledger"
        claimed = stack.enter_context(claim(running(settings, ledger=ledger), exclusive=False))
        code = None if settings.http is None else await _first_code(state, settings.name)
        write(*introduction(settings, replaced, broker.pid, is_working_day=play.begins is not None, code=code), "")
        started: asyncio.Future[Daemon] = asyncio.get_running_loop().create_future()
        never = asyncio.Event()
        story = Story(settings.time_zone)
        clock = None if play.begins is None else SetClock(SystemClock(), play.begins)

        async def screen() -> None:
            await show_until(never, (await started).snapshot, len(settings.tanks), system, story.lines)

        async def people() -> None:
            gateway = await started
            if ledger is not None and play.acts:
                clock_of_site = partial(_now, gateway)
                books = DemoBooks(ledger)
                await lived(play.acts, clock_of_site, time_factor, gateway.acting.act, books, story)
            await never.wait()

        await run_together(
            [
                (
                    "gateway",
                    partial(
                        run_site.run,
                        settings,
                        stop=never,
                        on_ready=started.set_result,
                        time_factor=time_factor,
                        clock=clock,
                        log_lines_dropped=dropped_lines,
                        beside=partial(door, claimed),
                        keep=kept_in(state, settings.name, settings.ledger),
                        people=state,
                    ),
                ),
                (simulator.name, simulator.watch),
                (broker.name, broker.watch),
                ("screen", screen),
                ("people", people),
            ]
        )


async def _first_code(state: Path, site: str) -> str | None:
    """By which whoever runs the demo may act on its page. Before the gateway has the file of its people."""
    file = PeopleFile(people_path(state, site))
    invite = {"action": "people-invite", "role": Role.ADMINISTRATOR.value}
    answer = await administer(Access(site, SystemClock(), file), invite, "demo")
    file.release()
    return answer.get("one_time_code")


def _now(gateway: Daemon) -> datetime:
    return gateway.snapshot().instant


async def _start_children(
    stack: AsyncExitStack, play: Play, wished: SiteSettings, time_factor: float
) -> tuple[Child, Child]:
    """Both at once: each takes about a second to load."""
    if not wished.brokers:
        raise ChildError("the demo site has no broker to start: it lacks delivery.mqtt")
    pace = ["--time-factor", f"{time_factor:g}"]
    simulator = running_child("simulator", ["simulators", play.scenario, "--json", "--until-stdin-closes", *pace])
    broker = running_child("broker", ["gateway.commands.demonstration.broker", str(wished.brokers[0].port)])
    async with asyncio.TaskGroup() as starting:
        first = starting.create_task(stack.enter_async_context(simulator), name="start simulator")
        second = starting.create_task(stack.enter_async_context(broker), name="start broker")
    return first.result(), second.result()


def _with_ports(
    play: Play, wished: SiteSettings, simulator: Mapping[str, Any], broker: Mapping[str, Any]
) -> tuple[SiteSettings, list[Replaced]]:
    """The site at the ports that were to be had, and those that differ from the site file."""
    ports: dict[str, tuple[str, int, int]] = {}
    for line in wished.lines:
        ports[f"lines.{line.name}.address"] = (f"line {line.name}", line.port, _line_port(simulator, line.name))
    if wished.brokers:
        ports["delivery.mqtt.address"] = ("broker", wished.brokers[0].port, int(broker["port"]))
    addresses = {key: f"{_HOST}:{port}" for key, (_, _, port) in ports.items()}
    if any(isinstance(each, SparkplugPlan) for each in wished.deliveries):
        # At the same broker, of which is said once which port it has.
        addresses["delivery.sparkplug.address"] = addresses["delivery.mqtt.address"]
    settings = play.site(addresses)
    if settings.http is not None:
        # Last of all, so that another program has next to no time to take it before the gateway does.
        wanted = settings.http.port
        port = free_port(_HOST, wanted)
        settings = replace(settings, http=replace(settings.http, port=port))
        ports["web.address"] = ("metrics", wanted, port)
    for plan in settings.deliveries:
        if isinstance(plan, RegistersPlan | OpcuaPlan):
            moved = replace(plan, port=free_port(_HOST, plan.port))
            deliveries = tuple(moved if each is plan else each for each in settings.deliveries)
            settings = replace(settings, deliveries=deliveries)
            kind = "registers" if isinstance(plan, RegistersPlan) else "OPC UA"
            ports[f"delivery.{kind}.address"] = (kind, plan.port, moved.port)
    return settings, [Replaced(*entry) for entry in ports.values() if entry[1] != entry[2]]


def _beside(settings: SiteSettings, state: Path) -> SiteSettings:
    """What a server keeps is kept with all else of the demo, and goes with it."""
    deliveries = tuple(
        replace(each, certificates=state / "opcua") if isinstance(each, OpcuaPlan) else each
        for each in settings.deliveries
    )
    return replace(settings, deliveries=deliveries)


def _line_port(simulator: Mapping[str, Any], line: str) -> int:
    try:
        return int(simulator["addresses"][line]["port"])
    except (KeyError, TypeError, ValueError) as error:
        raise ChildError(f"the simulator did not say where line {line} is") from error


def _raise_cause(task: "asyncio.Task[None]") -> None:
    """Raise what ended the task, without the groups that it went through."""
    error = task.exception()
    while isinstance(error, BaseExceptionGroup):
        known = error.subgroup(GatewayError)
        error = (known or error).exceptions[0]
    if error is not None:
        raise error
