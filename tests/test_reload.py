"""A site file that is taken over while the gateway runs, over random pairs of sites, on virtual time.

Afterwards the gateway watches exactly what one started on the new file would; and what is the same in both never missed
a poll: it was asked at the very moments at which it is asked where nothing is reloaded.
"""

import asyncio
import json
import random
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from structlog.testing import capture_logs

from gateway import daemon
from gateway.acquisition.line import Line
from gateway.acquisition.links.link import LinkCounters
from gateway.acquisition.plan import LinePlan
from gateway.acquisition.source import Surroundings
from gateway.acquisition.source_kinds import SOURCE_KINDS
from gateway.changes import changes_between, refuse_another_site
from gateway.daemon import Daemon
from gateway.delivery.contract import Surroundings as DeliverySurroundings
from gateway.delivery.contract import Wants
from gateway.delivery.destinations import DESTINATION_KINDS
from gateway.delivery.plan import MqttPlan
from gateway.errors import GatewayError, SettingsError
from gateway.modbus.tables import Table
from gateway.records import Quality, Reading, Reason, ReasonCode
from gateway.resources import config_path
from gateway.settings import SiteSettings, load_site
from gateway.status import DestinationStatus
from gateway.tank_log import LEVEL_STATE
from gateway.tank_record import TankRecord
from gateway.web.plan import HttpPlan
from tests.acquisition.virtual_loop import EPOCH_NS, LoopClock, run_virtually
from tests.support.endings import for_ever

NOW = datetime.fromtimestamp(EPOCH_NS / 1e9, UTC)
RELOADED_S = 20.3
SETTLED_S = 150.0


# A site, drawn


@st.composite
def sites(draw: st.DrawFn) -> dict[str, Any]:
    """Few names and few values, so that two sites have much in common and differ in everything that can differ."""
    lines = draw(st.lists(st.sampled_from(["north", "south", "west"]), min_size=1, max_size=3, unique=True))
    ports = draw(st.permutations([5021, 5022, 5023, 5024]))
    gauges = draw(st.lists(st.sampled_from(["LT-1", "LT-2", "LT-3", "LT-4"]), min_size=1, max_size=4, unique=True))
    tanks = draw(st.lists(st.sampled_from(["TK-1", "TK-2", "TK-3"]), min_size=1, max_size=3, unique=True))
    own = {tank: gauges[index % len(gauges)] for index, tank in enumerate(tanks[: len(gauges)])}
    brokers = draw(st.lists(st.sampled_from(["plant", "office"]), max_size=2, unique=True))
    same = draw(st.booleans())  # most lines at the port that they have in most sites
    site: dict[str, Any] = {
        "site": {"name": "harbour", "time_zone": draw(st.sampled_from(["UTC", "Asia/Manila"]))},
        "lines": {
            line: {
                "address": f"127.0.0.1:{5030 + index if same else ports[index]}",
                "in_flight": str(draw(st.sampled_from([1, 1, 2]))),
            }
            for index, line in enumerate(lines)
        },
        "instruments": {
            gauge: {
                "line": draw(st.sampled_from(lines)),
                "unit": gauge[-1],
                "period": draw(st.sampled_from(["2 s", "2 s", "5 s"])),
                "signals": {
                    "innage": {
                        "table": "holding_registers",
                        "address": draw(st.sampled_from(["0", "0", "7"])),
                        "type": "uint16",
                        "unit": draw(st.sampled_from(["mm", "mm", "cm"])),
                        "maximum": "100 m",
                    }
                },
            }
            for gauge in gauges
        },
        "products": {
            "diesel": {
                "method": "expansion_coefficient",
                "expansion": "0.000846 /degC",
                "reference_temperature": "15 degC",
                "reference_density": draw(st.sampled_from(["838 kg/m3", "838 kg/m3", "840 kg/m3"])),
            }
        },
        "tanks": {
            tank: {
                "product": "diesel",
                "shape": {
                    "kind": "upright_cylinder",
                    "diameter": draw(st.sampled_from(["10 m", "10 m", "12 m"])),
                    "height": "90 m",
                },
                "reference_height": "95 m",
                "level": {"instrument": gauge, "signal": "innage", "measures": "innage"},
                "free_water": "none",
            }
            for tank, gauge in own.items()
        },
        "delivery": {
            "mqtt": [
                {
                    "name": name,
                    "address": f"127.0.0.1:{1883 if name == 'plant' else draw(st.sampled_from([1884, 1885]))}",
                    "prefix": draw(st.sampled_from(["tanks", "tanks", "all"])),
                    "window": draw(st.sampled_from(["20", "20", "5"])),
                }
                for name in brokers
            ]
        },
    }
    if draw(st.booleans()):
        site["web"] = {"address": f"127.0.0.1:{draw(st.sampled_from([9109, 9110]))}"}
    return site


def loaded(site: dict[str, Any]) -> SiteSettings:
    with TemporaryDirectory() as folder:
        file = Path(folder) / "site.yaml"
        file.write_text(json.dumps(site), "utf-8")
        return load_site(file, now=NOW)


# What stands in for wires, brokers and HTTP


class Wire:
    """Each register of a device holds what its port, its unit and its address make of it, for ever."""

    def __init__(self, plan: LinePlan, polls: list[tuple[float, int, int]]) -> None:
        self._port = plan.port
        self.polls = polls
        self.connected = False
        self.counters = LinkCounters()

    async def connect(self, timeout_s: float) -> None:
        self.polls.append((asyncio.get_running_loop().time(), -1, -1))
        await asyncio.sleep(0.005)
        self.connected = True

    async def read(self, unit: int, table: Table, address: int, count: int, timeout_s: float) -> tuple[int, ...]:
        self.polls.append((asyncio.get_running_loop().time(), unit, address))
        await asyncio.sleep(0.01)
        return (2000 + 13 * (self._port % 100) + 101 * unit + 7 * address,) * count

    async def close(self) -> None:
        self.connected = False


class Broker:
    wants = Wants(live=True)

    def __init__(self, plan: MqttPlan, around: DeliverySurroundings, delivered: "dict[Any, list[TankRecord]]") -> None:
        self._plan = plan
        self._around = around
        self._delivered = delivered.setdefault(plan.place, [])
        self._last: Sequence[TankRecord] = ()

    def offer(self, record: TankRecord) -> None:
        self._delivered.append(record)

    def finish(self, records: Sequence[TankRecord]) -> None:
        self._last = records

    async def run(self) -> None:
        self._around.came_round(3600.0)
        try:
            await for_ever()
        finally:
            self._delivered.extend(self._last)

    def status(self) -> DestinationStatus:
        return DestinationStatus(self._plan.name, True, 0, 0, 0, None)


class Server:
    def __init__(self, plan: HttpPlan, **_: Any) -> None:
        self.plan = plan

    async def reserve(self, *, port_is_own: bool) -> None:
        """Its port is free."""

    async def run(self) -> None:
        await for_ever()


class Yard:
    """A gateway and all that it does, on virtual time."""

    def __init__(self, site: SiteSettings, monkeypatch: pytest.MonkeyPatch) -> None:
        self.polls: dict[str, list[tuple[float, int, int]]] = {}
        self.delivered: dict[Any, list[TankRecord]] = {}

        def line(plan: LinePlan, around: Surroundings) -> Line:
            polls = self.polls.setdefault(plan.name, [])

            async def sleep(wait_s: float) -> None:
                around.came_round(wait_s)
                await asyncio.sleep(wait_s)

            return Line(
                plan,
                around.sink,
                clock=around.clock,
                random=around.random,
                open_link=lambda _: Wire(plan, polls),
                sleep=sleep,
            )

        monkeypatch.setitem(SOURCE_KINDS, LinePlan, line)
        monkeypatch.setitem(DESTINATION_KINDS, MqttPlan, lambda plan, around: Broker(plan, around, self.delivered))
        monkeypatch.setattr(daemon, "HttpServer", Server)
        self.gateway = Daemon(site, clock=LoopClock(), jitter=random.Random(1))
        self._running = asyncio.create_task(self.gateway.run())

    async def until(self, time_s: float) -> None:
        await asyncio.sleep(time_s - asyncio.get_running_loop().time())
        assert not self._running.done()

    async def end(self) -> None:
        self._running.cancel()
        with suppress(asyncio.CancelledError):
            await self._running
        assert asyncio.all_tasks() == {asyncio.current_task()}

    def watched(self) -> dict[str, Any]:
        """All that decides what it does, in values that can be compared."""
        pipeline = self.gateway._pipeline
        return {
            "loops": sorted(self.gateway._loops.names),
            "settings": (self.gateway.settings.sources, self.gateway.settings.deliveries),
            "lines": [source._plan for source in self.gateway._sources.values()],  # type: ignore[attr-defined]
            "tanks": [(tank.plan, tank.binding, tank.period_ns, tank.valid_for_s) for tank in pipeline._tanks],
            "signals": {key: [tank.plan.tank for tank in tanks] for key, tanks in pipeline._by_instrument.items()},
            "overdue": dict(pipeline._overdue_ns),
            "deliveries": [walled.destination._plan for walled in self.gateway._deliveries._walled.values()],  # type: ignore[attr-defined]
            "http": None if self.gateway._http is None else self.gateway._http.plan,  # type: ignore[attr-defined]
            "patience": dict(self.gateway._progress._patience_ns),
            "patience with deliveries": dict(self.gateway._deliveries_progress._patience_ns),
            "zone": self.gateway.snapshot().time_zone,
        }

    def figures(self) -> dict[str, list[tuple[float | None, Quality, tuple[ReasonCode, ...]]]]:
        """What it says of each tank, but for times."""
        return {
            record.inventory.tank: [
                (figure.value, figure.quality, tuple(reason.code for reason in figure.reasons))
                for figure in record.inventory.figures
            ]
            for record in self.gateway._pipeline.records()
        }


async def alone(site: SiteSettings, monkeypatch: pytest.MonkeyPatch) -> Yard:
    yard = Yard(site, monkeypatch)
    await yard.until(SETTLED_S)
    return yard


@settings(max_examples=25)
@given(sites(), sites())
def test_after_a_reload_all_is_as_after_a_start_and_what_is_the_same_went_on(
    before: dict[str, Any], after: dict[str, Any]
) -> None:
    old, new = loaded(before), loaded(after)

    async def never_reloaded() -> dict[str, list[tuple[float, int, int]]]:
        yard = await alone(old, patched)
        await yard.end()
        return yard.polls

    async def started_anew() -> tuple[dict[str, Any], dict[str, Any]]:
        yard = await alone(new, patched)
        found = yard.watched(), yard.figures()
        await yard.end()
        return found

    async def reloaded() -> None:
        yard = Yard(old, patched)
        await yard.until(RELOADED_S)
        pipeline = yard.gateway._pipeline
        memories = {tank.plan.tank: tank.memory for tank in pipeline._tanks}
        said = {tank.plan.tank for tank in pipeline._tanks if tank.latest is not None}
        boot = yard.gateway.snapshot().boot
        changes = await yard.gateway.take_over(loaded(after))
        meant = {tag: meaning for plan in old.sources for tag, meaning in plan.meanings.items()}
        means = {tag: meaning for plan in new.sources for tag, meaning in plan.meanings.items()}
        assert {tag for tag, _ in pipeline._latest} <= {tag for tag in meant if meant[tag] == means.get(tag)}
        for tank in pipeline._tanks:
            tag = tank.plan.tank
            uses = {source.instrument for source in tank.binding.sources}
            if tag in memories and tag not in changes.tanks.changed and not uses & changes.forgotten:
                assert tank.memory is memories[tag]
        for plan in new.deliveries:
            if plan.place in {each.place for each in old.deliveries}:
                last = {record.inventory.tank: record.inventory for record in yard.delivered[plan.place]}
                for tag in said & set(changes.tanks.removed):
                    assert last[tag].quality is Quality.BAD
                    assert last[tag].figures.level.reasons[0].code is ReasonCode.NOT_WATCHED
        assert (changes.sentences == ()) == (before == after or changes_between(old, new).sentences == ())
        assert yard.watched() == fresh
        await yard.until(SETTLED_S)
        assert yard.watched() == fresh
        assert yard.figures() == figures
        assert yard.gateway.snapshot().boot == boot
        assert set(yard.gateway._progress.late()) <= {"http"}  # which stands in here for one that tells its turns
        for place, records in yard.delivered.items():
            for tag in {record.inventory.tank for record in records}:
                sequences = [record.identity.sequence for record in records if record.inventory.tank == tag]
                assert sequences == sorted(sequences), place
        unchanged = [plan.name for plan in old.sources if plan in new.sources]
        assert set(unchanged).isdisjoint({*changes.sources.ended, *changes.sources.begun})
        for name in unchanged:
            assert yard.polls[name] == undisturbed[name]
        for name in changes.sources.removed:
            assert all(at_s <= RELOADED_S for at_s, _, _ in yard.polls[name])
        await yard.end()

    with pytest.MonkeyPatch.context() as patched, capture_logs():
        undisturbed = run_virtually(never_reloaded)
        fresh, figures = run_virtually(started_anew)
        run_virtually(reloaded)


def test_the_same_file_twice_is_no_change() -> None:
    """Of every site that comes with the program: plans are compared by value, and nothing in them differs by itself."""
    for name in ("one_tank.yaml", "site.yaml", "demo/site.yaml"):
        file = config_path(*name.split("/"))
        changes = changes_between(load_site(file, now=NOW), load_site(file, now=NOW))
        assert changes.sentences == ()
        assert not changes.forgotten
        assert not any((*changes.sources, *changes.tanks, *changes.deliveries, changes.http))


def changed(site: dict[str, Any], value: Any, *path: str) -> dict[str, Any]:
    copy = json.loads(json.dumps(site))
    node = copy
    for key in path[:-1]:
        node = node[key]
    if value is None:
        del node[path[-1]]
    else:
        node[path[-1]] = value
    return dict(copy)


BASE: dict[str, Any] = {
    "site": {"name": "harbour", "time_zone": "UTC"},
    "lines": {"north": {"address": "127.0.0.1:5021"}, "south": {"address": "127.0.0.1:5022"}},
    "instruments": {
        tag: {
            "line": line,
            "unit": "1",
            "period": "2 s",
            "signals": {"innage": {"table": "holding_registers", "address": "0", "type": "uint16", "unit": "mm"}},
        }
        for tag, line in (("LT-1", "north"), ("LT-2", "south"))
    },
    "products": {
        "diesel": {
            "method": "expansion_coefficient",
            "expansion": "0.000846 /degC",
            "reference_temperature": "15 degC",
            "reference_density": "838 kg/m3",
        }
    },
    "tanks": {
        tag: {
            "product": "diesel",
            "shape": {"kind": "upright_cylinder", "diameter": "10 m", "height": "10 m"},
            "reference_height": "11 m",
            "level": {"instrument": gauge, "signal": "innage", "measures": "innage"},
            "free_water": "none",
        }
        for tag, gauge in (("TK-1", "LT-1"), ("TK-2", "LT-2"))
    },
    "delivery": {"mqtt": {"address": "127.0.0.1:1883"}},
    "web": {"address": "127.0.0.1:9109"},
}


@pytest.mark.parametrize(
    ("value", "path", "sentences", "forgotten"),
    [
        ("127.0.0.1:5029", ("lines", "north", "address"), ["line north changed: address"], {"LT-1"}),
        ("1 s", ("lines", "north", "connect_timeout"), ["line north changed: connect timeout"], set()),
        (
            "7 s",
            ("instruments", "LT-1", "period"),
            ["line north changed: instruments", "instrument LT-1 changed: period", "tank TK-1 changed: level, period"],
            set(),
        ),
        (
            "9",
            ("instruments", "LT-1", "unit"),
            ["line north changed: instruments", "instrument LT-1 changed: unit"],
            {"LT-1"},
        ),
        (
            "cm",
            ("instruments", "LT-1", "signals", "innage", "unit"),
            ["line north changed: instruments", "instrument LT-1 changed: map", "tank TK-1 changed: gauge"],
            {"LT-1"},
        ),
        ("12 m", ("tanks", "TK-2", "shape", "diameter"), ["tank TK-2 changed: capacity"], set()),
        ("12 m", ("tanks", "TK-2", "reference_height"), ["tank TK-2 changed: reference height"], set()),
        (
            {"level": {"value": "4 m", "entered": "2026-09-20T06:00Z", "expires": "7 d"}},
            ("tanks", "TK-1", "manual"),
            ["tank TK-1 changed: manual level"],
            set(),
        ),
        (None, ("tanks", "TK-1"), ["tank removed: TK-1"], set()),
        ("5", ("delivery", "mqtt", "window"), ["delivery mqtt:127.0.0.1:1883 changed: window"], set()),
        (
            "127.0.0.1:1884",
            ("delivery", "mqtt", "address"),
            ["delivery added: mqtt:127.0.0.1:1884", "delivery removed: mqtt:127.0.0.1:1883"],
            set(),
        ),
        (None, ("delivery",), ["delivery removed: mqtt:127.0.0.1:1883"], set()),
        ("127.0.0.1:9110", ("web", "address"), ["web: 127.0.0.1 port 9110 from now on"], set()),
        ("no", ("web", "view_without_sign_in"), ["web changed: view without sign in"], set()),
        ({"unused": "2 h"}, ("web", "sessions"), ["web changed: session unused"], set()),
        (None, ("web",), ["web: removed"], set()),
        ("Asia/Manila", ("site", "time_zone"), ["site: its time zone is Asia/Manila from now on"], set()),
        ({"day_boundary": "07:30", "propose": "no"}, ("account",), ["account changed: boundary, proposes"], set()),
    ],
)
def test_each_change_is_said_in_the_words_of_the_file(
    value: Any, path: tuple[str, ...], sentences: list[str], forgotten: set[str]
) -> None:
    changes = changes_between(loaded(BASE), loaded(changed(BASE, value, *path)))
    assert list(changes.sentences) == sentences
    assert changes.forgotten == forgotten


@pytest.mark.parametrize(("key", "value"), [("name", "depot"), ("simulated", "yes")])
def test_another_site_is_not_taken_over(key: str, value: str) -> None:
    with pytest.raises(SettingsError) as refused:
        refuse_another_site(loaded(BASE), loaded(changed(BASE, value, "site", key)), "site.yaml")
    (mistake,) = refused.value.mistakes
    assert mistake.startswith(f"site.yaml: site.{key}: ")
    assert refused.value.hint == "stop the gateway and start it with this file"
    refuse_another_site(loaded(BASE), loaded(BASE), "site.yaml")


PLANT = ("127.0.0.1", 1883, "tanks")


async def reloaded_at_10_s(yard: Yard, after: dict[str, Any]) -> dict[Any, dict[str, TankRecord]]:
    """By place and tank, the last that was said by the time of the reload."""
    await yard.until(10.0)
    await yard.gateway.take_over(loaded(after))
    return {place: {record.inventory.tank: record for record in records} for place, records in yard.delivered.items()}


def words(record: TankRecord) -> str:
    level = record.inventory.figures.level
    return "" if level.quality is Quality.GOOD else level.reasons[0].text


def test_a_tank_that_is_gone_says_so_and_one_that_is_not_says_nothing_of_the_kind(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    async def main() -> None:
        yard = Yard(loaded(BASE), monkeypatch)
        last = (await reloaded_at_10_s(yard, changed(BASE, None, "tanks", "TK-1")))[PLANT]
        assert words(last["TK-1"]) == "the tank is no longer in the site file: nobody watches this tank from here"
        assert words(last["TK-2"]) == ""
        sequence = last["TK-1"].identity.sequence
        await yard.until(20.0)
        assert yard.delivered[PLANT][-1].inventory.tank == "TK-2"
        await yard.gateway.take_over(loaded(BASE))
        await yard.until(30.0)
        again = [record for record in yard.delivered[PLANT] if record.inventory.tank == "TK-1"][-1]
        assert (words(again), again.identity.sequence > sequence) == ("", True)
        await yard.end()

    with capture_logs():
        run_virtually(main)


@pytest.mark.parametrize(
    ("value", "path", "is_told"),
    [
        ("5", ("window",), False),
        ("office", ("name",), False),
        ("all", ("prefix",), True),
        ("127.0.0.1:1884", ("address",), True),
        (None, (), True),
    ],
)
def test_where_nothing_is_delivered_any_more_the_tanks_say_so_and_elsewhere_not(
    value: Any, path: tuple[str, ...], is_told: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def main() -> None:
        yard = Yard(loaded(BASE), monkeypatch)
        said = await reloaded_at_10_s(yard, changed(BASE, value, "delivery", *(["mqtt", *path] if path else [])))
        text = "the gateway delivers no longer to here: nobody watches this tank from here"
        assert {words(record) for record in said.pop(PLANT).values()} == {text if is_told else ""}
        # What is new there is told all that is known, at once.
        assert all(
            {*records} == {"TK-1", "TK-2"} and {*map(words, records.values())} == {""} for records in said.values()
        )
        assert len(said) == (path in {("prefix",), ("address",)})
        assert {words(record) for record in yard.gateway._pipeline.records()} == {""}
        await yard.end()

    with capture_logs():
        run_virtually(main)


def test_a_changed_tank_knows_nothing_of_what_it_was(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its last good volume was that of another shape. And a gauge that is another has not been read yet."""

    async def main() -> None:
        yard = Yard(loaded(BASE), monkeypatch)
        await yard.until(10.0)
        broken = Reading("LT-1", "innage", None, Quality.BAD, Reason(ReasonCode.SENTINEL, "no echo"), 0, 0, ())
        now = LoopClock()
        yard.gateway._pipeline.take([broken._replace(time_ns=now.utc_ns(), monotonic_ns=now.monotonic_ns())])
        tank = yard.gateway._pipeline._tanks[0]
        assert tank.memory.last_good["tov"].value > 0.0
        await yard.gateway.take_over(loaded(changed(BASE, "12 m", "tanks", "TK-1", "shape", "diameter")))
        (record, _) = yard.gateway._pipeline.records()
        assert record.inventory.last_good == {}
        assert record.inventory.figures.level.reasons[0].text == "no echo"
        await yard.end()

    with capture_logs():
        run_virtually(main)


def test_a_limit_that_is_passed_is_not_said_again_at_each_reload(monkeypatch: pytest.MonkeyPatch) -> None:
    """The level is 2000 + 13 * 21 + 101 mm = 2.374 m. Nothing moves, whatever the reload changes elsewhere or here."""
    site = changed(BASE, {"maximum_working": "2.2 m"}, "tanks", "TK-1", "limits")

    async def main() -> None:
        yard = Yard(loaded(site), monkeypatch)
        await yard.until(10.0)
        await yard.gateway.take_over(loaded(changed(site, None, "tanks", "TK-2")))
        await yard.until(20.0)
        await yard.gateway.take_over(loaded(changed(site, "12 m", "tanks", "TK-1", "shape", "diameter")))
        await yard.until(30.0)
        await yard.gateway.take_over(loaded(BASE))
        await yard.until(40.0)
        await yard.end()

    with capture_logs() as logs:
        run_virtually(main)
    said = [(each["limit_before"], each["limit"]) for each in logs if each["event"] == LEVEL_STATE]
    assert said == [("normal", "above_maximum_working"), ("above_maximum_working", "normal")]


def test_what_cannot_be_made_is_not_taken_over_in_part(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault in the program, met before anything was ended: all goes on, and no loop is missed for ever after."""

    async def main() -> None:
        yard = Yard(loaded(BASE), monkeypatch)
        await yard.until(10.0)
        before = yard.watched()
        new = changed(BASE, {"address": "127.0.0.1:5023"}, "lines", "west")
        new = changed(new, {**BASE["instruments"]["LT-1"], "line": "west"}, "instruments", "LT-3")
        new = changed(changed(new, None, "tanks", "TK-1"), "127.0.0.1:1999", "delivery", "mqtt", "address")

        def cannot_be_made(plan: MqttPlan, _: object) -> Broker:
            raise ZeroDivisionError

        monkeypatch.setitem(DESTINATION_KINDS, MqttPlan, cannot_be_made)
        with pytest.raises(ZeroDivisionError):
            await yard.gateway.take_over(loaded(new))
        assert yard.watched() == before
        polls = len(yard.polls["north"])
        await yard.until(400.0)
        assert yard.watched() == before
        assert set(yard.gateway._progress.late()) <= {"http"}  # which stands in here for one that tells its turns
        assert len(yard.polls["north"]) > polls
        await yard.end()

    with capture_logs():
        run_virtually(main)


@pytest.mark.parametrize("web", [None, "127.0.0.1:9110"])
def test_where_the_web_address_cannot_be_had_all_goes_on(web: str | None, monkeypatch: pytest.MonkeyPatch) -> None:
    """In the same file a line loses its instruments: it is read on, so it is missed on where it hangs."""
    site = BASE if web is None else {**BASE, "web": {"address": web}}

    async def taken(_: object, *, port_is_own: bool) -> None:
        raise GatewayError("cannot serve HTTP")

    async def main() -> None:
        yard = Yard(loaded(site), monkeypatch)
        await yard.until(10.0)
        before = yard.watched()
        new = changed({**BASE, "web": {"address": "127.0.0.1:9111"}}, "south", "instruments", "LT-1", "line")
        new = changed(changed(new, "2", "instruments", "LT-1", "unit"), "5", "delivery", "mqtt", "window")
        monkeypatch.setattr(Server, "reserve", taken)
        with pytest.raises(GatewayError):
            await yard.gateway.take_over(loaded(new))
        await yard.until(20.0)
        assert yard.watched() == before
        await yard.end()

    with capture_logs():
        run_virtually(main)
