"""Whatever people enter, withdraw and let expire, over stops, kills and reloads: of each tank and quantity the newest
entry counts, the chain of the audit trail holds, and nothing that was answered is lost."""

import asyncio
import json
import sqlite3
import tempfile
import threading
from collections.abc import Mapping
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.actions.alarm_door import AlarmCommand, Refusal
from gateway.tank_record import EventKind
from gateway.tank_state import AlarmKind, AlarmPhase, AlarmStanding, Priority
from gateway.watch.alarms.commands import AlarmVerb
from tests.actions.desk import BEGIN, Desk, site_text
from tests.settings.yard import PARTS, load
from tests.support.ledger_store import events_in

STEPS = st.one_of(
    st.tuples(st.just("density"), st.sampled_from(["TK-1", "TK-2"]), st.integers(800, 880)),
    st.tuples(st.just("dip"), st.sampled_from(["TK-1", "TK-2"]), st.integers(1, 14)),
    st.tuples(st.just("withdraw"), st.sampled_from(["TK-1", "TK-2"]), st.sampled_from(["density", "level"])),
    st.tuples(st.just("maintenance"), st.just("G-1"), st.integers(1, 40)),
    st.tuples(st.just("end-maintenance"), st.just("G-1"), st.just(0)),
    st.tuples(st.sampled_from(["restart", "kill", "reload"]), st.just(""), st.just(0)),
)


def _asked(desk: Desk, action: str, about: str, value: Any) -> dict[str, Any]:
    match action:
        case "density":
            return desk.act(action=action, tank=about, value=f"{value} kg/m3", expires="31 d")
        case "dip":
            return desk.act(action=action, tank=about, level=f"{value} m")
        case "withdraw":
            return desk.act(action=action, tank=about, quantity=value, why="a mistake")
        case "maintenance":
            return desk.act(action=action, instrument=about, duration=f"{value} d", why="antenna")
        case _:
            return desk.act(action=action, instrument=about)


@given(st.lists(STEPS, min_size=1, max_size=10))
@settings(deadline=None, max_examples=25)
def test_the_newest_entry_counts_over_stops_kills_and_reloads(steps: list[tuple[str, str, Any]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        desk = Desk(Path(folder))
        known: dict[tuple[str, str], str] = {}
        done = 0
        for action, about, value in steps:
            desk.now += timedelta(minutes=1)
            if action == "reload":
                desk.reload()
            elif action in ("restart", "kill"):
                {"restart": desk.restart, "kill": desk.kill}[action]()
            else:
                expected = {"density": f"{value} kg/m3", "dip": f"{value} m", "maintenance": f"{value} d"}.get(action)
                key = about, {"dip": "level", "withdraw": value, "end-maintenance": "maintenance"}.get(action, action)
                allowed = key in known if expected is None else action != "maintenance" or value <= 31
                assert (_asked(desk, action, about, value)["code"] == 0) is allowed
                if allowed:
                    done += 1
                    known.pop(key, None)
                    if expected is not None:
                        known[key] = expected
            listed = {
                (each["about"], each["quantity"]): each["block"].get("value", each["block"]["expires"])
                for each in desk.listed()
            }
            assert listed == known
            for tank in ("TK-1", "TK-2"):
                density = desk.binding(tank).reference_density
                assert density is not None
                assert f"{density.value:.0f} kg/m3" == known.get((tank, "density"), "838 kg/m3")
            works = [each.instrument for each in desk.binding("TK-1").maintenance]
            assert works == (["G-1"] if ("G-1", "maintenance") in known else [])
        desk.stop()
        assert len(desk.audit()) == done


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


def events(desk: Desk) -> list[tuple[str, EventKind, str, str | None]]:
    return [
        (identity.tank, event.kind, event.subject, event.by)
        for identity, event in events_in(desk.file)
        if event.kind.value.startswith(("value", "maintenance"))
    ]


def test_each_act_is_told_once_in_history_in_the_commit_of_its_paper(desk: Desk) -> None:
    assert desk.act(action="dip", tank="TK-1", level="5 m", water="2 cm", expires="2 h")["code"] == 0
    assert desk.act(action="maintenance", instrument="G-1", duration="1 h", why="x", user="bo")["code"] == 2
    assert desk.act("bo", action="maintenance", instrument="G-1", duration="1 h", why="x")["code"] == 0
    desk.pass_time(timedelta(minutes=61))
    assert not desk.binding("TK-1").maintenance, "it ended by itself"
    desk.restart()
    desk.pass_time(timedelta(minutes=60))
    desk.pass_time(timedelta(minutes=1))
    desk.kill()
    desk.pass_time(timedelta(minutes=1))
    desk.stop()
    assert events(desk) == [
        ("TK-1", EventKind.VALUE_ENTERED, "level", "anna"),
        ("TK-1", EventKind.VALUE_ENTERED, "water", "anna"),
        ("TK-1", EventKind.MAINTENANCE_BEGAN, "G-1", "bo"),
        ("TK-1", EventKind.MAINTENANCE_ENDED, "G-1", None),
        ("TK-1", EventKind.VALUE_EXPIRED, "level", None),
        ("TK-1", EventKind.VALUE_EXPIRED, "water", None),
    ]
    assert [body["by"] for _, body in desk.audit()] == ["anna", "bo"]


def test_what_the_disk_refuses_neither_holds_nor_is_told(desk: Desk) -> None:
    assert desk.act(action="density", tank="TK-1", value="841 kg/m3", expires="31 d")["code"] == 0
    with closing(sqlite3.connect(desk.file)) as other, other:
        other.execute("CREATE TRIGGER no_more BEFORE INSERT ON audit BEGIN SELECT RAISE(ABORT, 'full'); END")
    refused = desk.act(action="density", tank="TK-1", value="850 kg/m3", expires="31 d")
    assert refused["code"] == 1
    assert "does not hold" in refused["lines"][0]
    density = desk.binding("TK-1").reference_density
    assert density is not None
    assert density.value == 841.0
    with closing(sqlite3.connect(desk.file)) as other, other:
        other.execute("DROP TRIGGER no_more")
        assert other.execute("SELECT count(*) FROM papers").fetchone() == (1,)
    assert desk.act(action="density", tank="TK-1", value="842 kg/m3", expires="31 d")["code"] == 0
    desk.stop()
    assert [kind for _, kind, _, _ in events(desk)] == [EventKind.VALUE_ENTERED] * 2
    assert len(desk.audit()) == 2


def test_an_expired_density_stays_in_use_until_it_is_withdrawn(desk: Desk) -> None:
    """As in the site file: the sheet says that it has expired, and older values do not come back by themselves."""
    desk.act(action="density", tank="TK-1", value="841 kg/m3", expires="1 h")
    desk.pass_time(timedelta(hours=2))
    density = desk.binding("TK-1").reference_density
    assert density is not None
    assert (density.value, density.expires) == (841.0, BEGIN + timedelta(hours=1))
    (listed,) = desk.listed()
    assert (listed["what"], listed["used"]) == ("expired", True)
    assert desk.act(action="withdraw", tank="TK-1", quantity="density", why="old")["code"] == 0
    density = desk.binding("TK-1").reference_density
    assert density is not None
    assert density.value == 838.0
    desk.stop()


NARROW = (
    "{method: api_11_1_2004, group: refined, reference_temperature: 15 degC, reference_density: 838 kg/m3, "
    "density_window: {lowest: 820 kg/m3, highest: 840 kg/m3}}"
)


def _with_products(desk: Desk, text: str, products: str) -> None:
    """A reload of the same two tanks, with other products."""
    own = text.replace(f"{PARTS}/yard.yaml", f"[{PARTS}/site.yaml, {PARTS}/instruments.yaml]")
    desk.settings = load(desk.folder, f"{own}\nproducts:\n{products}\n")


def _not_taken(desk: Desk) -> str:
    """Why the one entry is not used; the site file's density is."""
    density = desk.binding("TK-1").reference_density
    assert density is not None
    assert density.value == 838.0
    (listed,) = desk.listed()
    assert not listed["used"]
    trouble: str = listed["trouble"]
    return trouble


def test_an_entry_that_another_site_file_does_not_allow_is_kept_and_said(desk: Desk) -> None:
    desk.act(action="density", tank="TK-1", value="841 kg/m3", expires="31 d")
    _with_products(desk, site_text(), f"  diesel: {NARROW}")
    trouble = _not_taken(desk)
    assert trouble.startswith("tanks.TK-1.density: ")
    assert "841" in trouble
    desk.reload()
    density = desk.binding("TK-1").reference_density
    assert density is not None
    assert density.value == 841.0, "it is there again with the file that allows it"
    desk.stop()


def test_a_sample_says_nothing_of_another_product(desk: Desk) -> None:
    """By its number alone it would fit, and all that follows would be wrong and Good."""
    desk.act(action="density", tank="TK-1", value="830 kg/m3", expires="31 d")
    desk.restart()
    _with_products(desk, site_text().replace("product: diesel", "product: heating_oil"), f"  heating_oil: {NARROW}")
    assert _not_taken(desk) == "it is a sample of diesel, and the tank holds heating_oil now; enter a new one"
    assert desk.act(action="density", tank="TK-1", value="831 kg/m3", expires="31 d")["code"] == 0
    density = desk.binding("TK-1").reference_density
    assert density is not None
    assert density.value == 831.0
    desk.stop()


class Alarms:
    """One alarm of TK-1, and what people did to it."""

    def __init__(self) -> None:
        self.done: list[tuple[str, AlarmCommand]] = []
        self.phase = AlarmPhase.UNACKNOWLEDGED

    def apply(self, tank: str, command: AlarmCommand, *, only_tried: bool = False) -> Refusal | None:
        if (tank, command.alarm) != ("TK-1", "high_high"):
            return Refusal(f"{tank} has no alarm '{command.alarm}'", "its alarms: high_high")
        if only_tried:
            return None
        self.done.append((tank, command))
        self.phase = {
            AlarmVerb.ACKNOWLEDGE: AlarmPhase.ACKNOWLEDGED,
            AlarmVerb.SHELVE: AlarmPhase.SHELVED,
            AlarmVerb.OUT_OF_SERVICE: AlarmPhase.OUT_OF_SERVICE,
        }.get(command.deed, AlarmPhase.UNACKNOWLEDGED)
        return None

    def standings(self) -> Mapping[str, tuple[AlarmStanding, ...]]:
        since: datetime = BEGIN
        return {
            "TK-1": (AlarmStanding("high_high", AlarmKind.HIGH_HIGH, self.phase, Priority.NOW, True, since, since),)
        }


@pytest.mark.parametrize("ledger", [True, False])
def test_alarms_are_handed_over_with_who_and_why(tmp_path: Path, ledger: bool) -> None:
    alarms = Alarms()
    desk = Desk(tmp_path, ledger=ledger, alarms=alarms)
    about = {"tank": "TK-1", "alarm": "high_high"}
    answer = desk.act(action="acknowledge", **about)
    assert answer["code"] == 0
    assert bool(answer["notes"]) is not ledger, "without a ledger it works, and says that nobody keeps it"
    assert desk.act("bo", action="shelve", duration="2 h", why="gauge is checked", **about)["code"] == 0
    assert desk.act(action="shelve", duration="2 h", **about)["code"] == 2, "a reason is needed"
    assert desk.act(action="shelve", duration="0 h", why="x", **about)["code"] == 2
    assert desk.act(action="unshelve", **about)["code"] == 0
    assert desk.act(action="out-of-service", why="probe removed", **about)["code"] == 2, "each has an end"
    assert desk.act(action="out-of-service", duration="7 d", why="probe removed", **about)["code"] == 0
    assert desk.act(action="in-service", **about)["code"] == 0
    refused = desk.act(action="acknowledge", tank="TK-1", alarm="water_high")
    assert (refused["code"], refused["hint"]) == (1, "its alarms: high_high")
    assert alarms.done[:2] == [
        ("TK-1", AlarmCommand(AlarmVerb.ACKNOWLEDGE, "high_high", "anna")),
        ("TK-1", AlarmCommand(AlarmVerb.SHELVE, "high_high", "bo", "gauge is checked", 7200.0)),
    ]
    assert len(alarms.done) == 5
    value = desk.act(action="dip", tank="TK-1", level="5 m")
    assert value["code"] == (0 if ledger else 1), "a value that a restart would lose is not taken"
    desk.stop()
    if ledger:
        phases = [(body["before"]["phase"], body["after"]["phase"]) for _, body in desk.audit()[:2]]
        assert phases == [("unacknowledged", "acknowledged"), ("acknowledged", "shelved")]


def test_the_gateways_own_alarms_are_named_by_the_word_gateway(tmp_path: Path) -> None:
    alarms = Alarms()
    desk = Desk(tmp_path, alarms=alarms)
    refused = desk.act(action="acknowledge", tank="gateway", alarm="line_lost.north")
    assert refused["lines"] == [" has no alarm 'line_lost.north'"], "the door is told of no tank"
    desk.stop()


def test_a_ledger_that_could_not_be_opened_at_the_start_is_read_once_it_can(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.act(action="density", tank="TK-1", value="841 kg/m3", expires="31 d")
    desk.stop()
    folder = desk.file.parent
    aside = folder.with_name("aside")
    folder.rename(aside)
    desk.rebound.clear()
    desk.begin()
    assert desk.listed() == []
    refused = desk.act(action="density", tank="TK-1", value="850 kg/m3", expires="31 d")
    assert refused["code"] == 1
    aside.rename(folder)
    desk.until(lambda: [each["block"]["value"] for each in desk.listed()] == ["841 kg/m3"])
    assert [binding.tank for binding in desk.rebound] == ["TK-1"]
    desk.stop()


def test_what_a_slow_disk_takes_in_late_holds_from_then_on(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.acting._WRITE_S", 0.05)
    assert desk.ledger is not None
    gate = threading.Event()
    desk.ledger.transactions.do(lambda _: gate.wait(60.0), at_once=True)
    slow = desk.act(action="density", tank="TK-1", value="841 kg/m3", expires="31 d")
    assert slow["code"] == 1
    assert "it holds once it has" in slow["lines"][0]
    assert desk.listed() == []
    next_one = desk.act(action="density", tank="TK-1", value="842 kg/m3", expires="31 d")
    assert (next_one["code"], "not on the disk yet" in next_one["lines"][0]) == (1, True)
    gate.set()
    desk.until(lambda: [each["block"]["value"] for each in desk.listed()] == ["841 kg/m3"])
    assert [binding.tank for binding in desk.rebound] == ["TK-1"]
    monkeypatch.undo()
    assert desk.act(action="density", tank="TK-1", value="843 kg/m3", expires="31 d")["code"] == 0
    desk.stop()
    assert [body["after"][0]["block"]["value"] for _, body in desk.audit()] == ["841 kg/m3", "843 kg/m3"]


def test_a_dip_beside_a_gauge_says_that_it_only_stands_in(desk: Desk) -> None:
    """The sheet goes by the gauge while that has a value: whoever dips is not to think otherwise."""
    (gauged,) = desk.act(action="dip", tank="TK-1", level="5 m")["lines"]
    assert gauged == (
        "TK-1: level by hand: 5 m entered by anna, until 2026-11-29 06:00 UTC; it stands in while its instrument has "
        "no value"
    )
    (dipped,) = desk.act(action="dip", tank="TK-2", level="5 m", expires="31 d", entered="2026-11-28T05:00Z")["lines"]
    assert dipped == (
        "TK-2: level by hand: 5 m entered by anna, until 2026-12-29 05:00 UTC; the site file gives 3 m, entered "
        "2026-11-20 06:00 UTC: it is older, and not used"
    )
    assert [each["stands_in"] for each in desk.listed()] == [True, False]
    desk.stop()


def test_a_fault_of_the_program_is_answered_and_stops_nothing(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    desk.act(action="density", tank="TK-1", value="841 kg/m3", expires="31 d")

    def fail(*_: object) -> None:
        raise ZeroDivisionError("float division by zero")

    monkeypatch.setattr("gateway.actions.book.checked_value", fail)
    request = {"action": "density", "tank": "TK-1", "value": "842 kg/m3", "expires": "31 d"}
    answer = json.loads(asyncio.run(desk.acting.answer(json.dumps(request).encode(), "anna")))
    assert answer["code"] == 1
    assert answer["lines"] == ["a fault in the program: ZeroDivisionError: float division by zero"]
    desk.restart()
    density = desk.binding("TK-1").reference_density
    assert density is not None
    assert density.value == 838.0, "the tank is watched by the site file"
    assert "a fault in the program" in desk.listed()[0]["trouble"]
    desk.stop()


def test_nothing_is_entered_by_a_clock_that_cannot_be(desk: Desk) -> None:
    desk.now = datetime(1970, 1, 1, 0, 5, tzinfo=BEGIN.tzinfo)
    refused = desk.act(action="density", tank="TK-1", value="841 kg/m3", expires="31 d")
    assert refused["code"] == 1
    assert "1970-01-01 00:05 UTC, which cannot be" in refused["lines"][0]
    assert desk.listed() == []
    desk.stop()


def test_a_file_that_is_taken_away_has_what_is_in_force_in_the_next(desk: Desk) -> None:
    desk.act(action="density", tank="TK-1", value="841 kg/m3", expires="31 d")
    desk.file.unlink()
    assert desk.act(action="density", tank="TK-2", value="842 kg/m3", expires="31 d")["code"] == 0
    desk.stop()
    with closing(sqlite3.connect(desk.file)) as connection, connection:
        bodies = [json.loads(body) for (body,) in connection.execute("SELECT body FROM papers")]
    assert {body["block"]["value"] for body in bodies} == {"841 kg/m3", "842 kg/m3"}
