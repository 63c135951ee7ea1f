"""What is past its `valid_until` never looks live in `show`, be it that a web address or a broker keeps it."""

import re
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.commands.operator import show
from gateway.commands.operator.liveness import Clocks, clock_words, seen_at, view_of_message
from gateway.commands.operator.tank_table import COLUMNS, notes, tank_grid, total_lines, view_of
from gateway.payload.reader import inventory_of
from gateway.payload.writer import heartbeat_json, inventory_payload, status_json
from gateway.records import (
    Figure,
    Figures,
    Inventory,
    LastGood,
    LevelState,
    Quality,
    Reason,
    ReasonCode,
)
from gateway.states import LimitState, RoofZone
from tests.commands.harbour import HARBOUR
from tests.commands.typed import Said, typed
from tests.support.messages import valid_message
from tests.support.mosquitto import Mosquitto, free_port
from tests.support.records import BOOT, CONTEXT, NOON, record, record_of, snapshot

_HOLDS_S = 10.0
_TANK = """  TK-NUMBER: {product: diesel, shape: {kind: upright_cylinder, diameter: 18 m, height: 14.6 m},
    free_water: none, reference_height: 15.24 m, level: {instrument: LT-NUMBER, signal: ullage, measures: ullage},
    temperature: {instrument: TT-NUMBER, elements: [{signal: t1, height: 1 m}, {signal: t2, height: 2 m},
      {signal: t3, height: 3 m}, {signal: t4, height: 4 m}, {signal: t5, height: 5 m}]}}
"""
_DOUBT = (Reason(ReasonCode.STALE, "last read 75 s ago"),)
_values = st.floats(min_value=-50.0, max_value=1e6)
_ages = st.floats(min_value=0.0, max_value=1e6)
_figures = st.one_of(
    st.builds(Figure, _values, st.just(Quality.GOOD), st.just(()), _ages, st.booleans()),
    st.builds(Figure, _values, st.just(Quality.UNCERTAIN), st.just(_DOUBT), _ages, st.booleans()),
    st.builds(Figure, st.none(), st.just(Quality.BAD), st.just(_DOUBT), _ages),
)
_states = st.builds(
    lambda limit, roof: LevelState(limit, roof, Quality.GOOD, 0.9, 13.2, 13.55, 13.95),
    st.sampled_from(LimitState),
    st.none() | st.sampled_from(RoofZone),
)
_sheets = st.builds(
    lambda figures, state: record(**figures).inventory._replace(level_state=state),
    st.dictionaries(st.sampled_from(tuple(COLUMNS)), _figures),
    _states,
)


def _message(inventory: Inventory) -> dict[str, Any]:
    return inventory_payload(record_of("harbour", BOOT, 1, inventory, _HOLDS_S))


def _numbers(cells: tuple[str, ...]) -> list[str]:
    return [cell for cell in cells if re.search(r"\d", cell)]


@given(_sheets, st.floats(min_value=0.01, max_value=1e7), st.booleans())
def test_nothing_past_its_time_has_a_number_in_table_or_total(inventory: Inventory, late_s: float, gone: bool) -> None:
    """For every sheet: beyond 10 s, or of a gateway known to be gone at any age, no cell of a figure has a digit."""
    later_s = late_s % _HOLDS_S if gone else _HOLDS_S + late_s
    now = inventory.instant + timedelta(seconds=later_s)
    view = view_of_message(_message(inventory), now, gone="its gateway was stopped" if gone else "")
    assert view.not_live
    assert all(figure.value is None for figure in view.figures.values())
    (row,) = tank_grid([view], columns=tuple(COLUMNS)).rows
    assert _numbers(row[2 : 2 + len(COLUMNS)]) == []
    assert row[-2].startswith("NOT LIVE (was ")
    assert set(re.findall(r"\((\d+) of 1 tanks", " ".join(total_lines([view])))) <= {"0"}
    assert notes([view])[0].startswith("TK-1: NOT LIVE: ")


@given(_sheets, st.floats(min_value=0.0, max_value=_HOLDS_S - 0.01))
def test_within_its_time_it_is_shown_as_it_is(inventory: Inventory, late_s: float) -> None:
    message = _message(inventory)
    now = datetime.fromisoformat(message["time"]) + timedelta(seconds=late_s)
    assert view_of_message(message, now) == view_of(inventory_of(message), now)


def test_a_sheet_of_a_clock_that_cannot_be_right_is_not_live() -> None:
    """Its `valid_until` is null: in 1970, as a box without a battery wakes up."""
    inventory = record().inventory._replace(instant=datetime(1970, 1, 2, tzinfo=UTC))
    view = view_of_message(_message(inventory), inventory.instant)
    assert view.not_live == (
        "its sheet of 1970-01-02 00:00:00 UTC does not say until when it holds: the gateway's clock could not be right"
    )


def test_a_sheet_of_the_future_is_not_live() -> None:
    """A reader whose clock is behind by more than a minute cannot know the age: 61 s ahead, and 59 s."""
    message = _message(record().inventory)
    assert "61 s ahead of the clock of this machine" in view_of_message(message, NOON - timedelta(seconds=61)).not_live
    assert view_of_message(message, NOON - timedelta(seconds=59)).not_live == ""


@pytest.mark.parametrize(
    ("here_s", "seen_s", "words"),
    [
        (0, 0, ""),
        (5, 0, ""),
        (-5, 0, ""),
        (40, 0, "the clock of this machine is 40 s ahead of that of the gateway: set the wrong one"),
        (-300, 0, "the clock of this machine is 5 min behind that of the gateway: set the wrong one"),
        (
            300,
            300,
            "the clock of this machine is 5 min ahead of that of the gateway, or this answer is an old one: nothing of "
            "it is taken as live",
        ),
    ],
)
def test_ages_are_by_the_clock_that_dated_the_sheets(here_s: int, seen_s: int, words: str) -> None:
    """A portable computer half a minute ahead must not make every tank of a live gateway look dead; an answer that
    somebody kept must not look live."""
    clocks = Clocks(NOON, NOON + timedelta(seconds=here_s))
    assert seen_at(clocks) == NOON + timedelta(seconds=seen_s)
    assert clock_words(clocks) == words


def test_a_stopped_gateway_makes_no_vapour_of_a_diesel_tank() -> None:
    """Its last sheet is Bad in every figure, `total_mass` too, which this tank never had."""
    lost = Figure(None, Quality.BAD, (Reason(ReasonCode.NOT_WATCHED, "the gateway was stopped"),), 0.0)
    figures = Figures(*[lost] * len(Figures._fields))
    stopped = record().inventory._replace(figures=figures, quality=Quality.BAD)
    diesel = stopped._replace(last_good={"mass": LastGood(2e6, NOON.timestamp())})
    propane = stopped._replace(last_good={"total_mass": LastGood(2e6, NOON.timestamp())})
    assert total_lines([view_of(diesel, NOON)]) == ["Total of all products: mass - (0 of 1 tanks)"]
    assert total_lines([view_of(propane, NOON)])[0] == "Total of all products: mass incl. vapour - (0 of 1 tanks)"


# From a broker


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as mosquitto:
        yield mosquitto


@pytest.fixture
def site(tmp_path: Path, broker: Mosquitto) -> str:
    path = tmp_path / "site.yaml"
    tanks = "".join(_TANK.replace("NUMBER", str(number)) for number in (1, 2))
    path.write_text(f"{HARBOUR}{tanks}delivery: {{mqtt: {{address: 127.0.0.1:{broker.port}}}}}\n")
    return str(path)


def _leave(broker: Mosquitto, topic: str, payload: bytes) -> None:
    """Retained, by a program that is not ours."""
    words = ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(broker.port), "-t", f"tanks/harbour/{topic}", "-r", "-s"]
    subprocess.run(words, input=payload, check=True, timeout=20)


def _leave_tank(broker: Mosquitto, tank: str, **given_figures: Any) -> None:
    left = record(tank, **given_figures)
    level_state = LevelState(LimitState.ABOVE_HIGH_HIGH, quality=Quality.GOOD, high_high_m=9.4)
    left = left._replace(inventory=left.inventory._replace(level_state=level_state))
    _leave(broker, f"{tank}/inventory", orjson.dumps(inventory_payload(left)))


def _shown(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, site: str, after_s: float, *more: str
) -> Said:
    monkeypatch.setattr(show, "_now", lambda: NOON + timedelta(seconds=after_s))
    return typed(capsys, "show", "--broker", site, *more)


def test_what_a_dead_gateway_left_on_the_broker_is_marked(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, broker: Mosquitto, site: str
) -> None:
    """Sheets of noon hold until 12:00:10.25; the status still says online, as when a machine has lost its power."""
    doubt = (Reason(ReasonCode.STALE, "old"),)
    mass = Figure(2e6, Quality.UNCERTAIN, doubt, 3.0)
    for tank in ("TK-1", "TK-2"):
        _leave_tank(broker, tank, mass=mass)
    _leave(broker, "gateway/status", status_json(snapshot(), None, CONTEXT))
    _leave(broker, "gateway/heartbeat", heartbeat_json(snapshot(), CONTEXT))

    live = _shown(capsys, monkeypatch, site, 9.0)
    assert live.code == 0
    assert "NOT LIVE" not in live.out
    assert "Gateway: online, last sign of life 2026-03-14 12:00:00 UTC, 9 s ago\n" in live.out
    assert "mass 4,000.0 t (2 of 2 tanks, estimated)" in live.out

    dead = _shown(capsys, monkeypatch, site, 7200.0)
    assert dead.code == 0
    lines = [" ".join(line.split()) for line in dead.out.splitlines()]
    assert lines[1] == (
        "Gateway: NOT HEARD OF, though the broker has not noticed; last sign of life 2026-03-14 12:00:00 UTC, 2.0 h ago"
    )
    assert lines[2] == "NOT LIVE: 2 of 2 tanks. What was last told of them stands below the table."
    assert lines[5] == "TK-1 gasoline - - n/a n/a - n/a no level NOT LIVE (was Uncertain) 7,202 s".replace(
        "- - n", "- n/a n"
    )
    assert "Total gasoline: mass - (0 of 2 tanks)" in lines
    assert "TK-1: NOT LIVE: its last sheet is of 2026-03-14 12:00:00 UTC, 2.0 h ago, and held for 10 s" in lines
    assert "TK-1: last told: Level 9.412 m 2.0 h ago, Mass 2,000.0 t? 2.0 h ago, ABOVE HIGH-HIGH 9.400 m" in lines


def test_a_gateway_that_is_offline_leaves_nothing_live(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, broker: Mosquitto, site: str
) -> None:
    """The last will came 3 s after a sheet that would hold for 10 s. Of TK-2 nothing lies there."""
    _leave_tank(broker, "TK-1")
    _leave(broker, "gateway/status", status_json(snapshot(), "connection_lost", CONTEXT))
    _leave(broker, "gateway/heartbeat", heartbeat_json(snapshot(), CONTEXT))
    said = _shown(capsys, monkeypatch, site, 3.0)
    assert "Gateway: OFFLINE, lost the connection to the broker and is not back; last sign of life " in said.out
    assert "NOT LIVE: 1 of 1 tanks" in said.out
    assert "TK-2: nothing of it lies on the broker\n" in said.out


def test_json_of_the_broker_is_what_lies_there(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, broker: Mosquitto, site: str
) -> None:
    for tank in ("TK-1", "TK-2"):
        _leave_tank(broker, tank)
    _leave(broker, "TK-9/inventory", b"no JSON")
    said = _shown(capsys, monkeypatch, site, 3.0, "--json")
    assert [each["identity"]["tank"] for each in said.document["inventories"]] == ["TK-1", "TK-2"]
    assert valid_message(orjson.dumps(said.document))["awaited"] == []


def test_of_a_tank_that_is_not_there_nobody_says_that_it_is_well(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, broker: Mosquitto, site: str
) -> None:
    _leave(broker, "TK-1/inventory", orjson.dumps(inventory_payload(record("TK-1"))))
    _leave(broker, "gateway/status", status_json(snapshot(), None, CONTEXT))
    said = _shown(capsys, monkeypatch, site, 3.0)
    assert "No figures yet: TK-2\n" in said.out
    assert "is Good, no level is beyond" not in said.out
    assert _shown(capsys, monkeypatch, site, 3.0, "--json").document["awaited"] == ["TK-2"]


def test_of_several_brokers_the_first_that_can_tell_is_asked(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, broker: Mosquitto, site: str
) -> None:
    """One is away; the other lost all that it was told. Where none can tell, what is wrong with each is said."""
    nobody = free_port()
    text = Path(site).read_text()
    one = f"mqtt: {{address: 127.0.0.1:{broker.port}}}"
    assert one in text
    brokers = "mqtt: [{name: PLACE, address: 127.0.0.1:PLACE}, {name: near, address: 127.0.0.1:NEAR}]"
    brokers = brokers.replace("PLACE", str(nobody)).replace("NEAR", str(broker.port))
    Path(site).write_text(text.replace(one, brokers))
    neither = typed(capsys, "show", "--broker", site)
    assert neither.code == 1
    assert f"nothing can be asked of the broker at 127.0.0.1:{nobody}: " in neither.err
    assert f"the broker at 127.0.0.1:{broker.port} has nothing of a tank of site 'harbour'" in neither.err
    _leave_tank(broker, "TK-1")
    assert f"harbour on mqtt://127.0.0.1:{broker.port} at " in _shown(capsys, monkeypatch, site, 3.0).out


def test_a_broker_that_knows_nothing_or_is_not_there(
    capsys: pytest.CaptureFixture[str], broker: Mosquitto, site: str
) -> None:
    empty = typed(capsys, "show", "--broker", site)
    assert empty.code == 1
    assert f"the broker at 127.0.0.1:{broker.port} has nothing of a tank of site 'harbour'" in empty.err
    broker.kill()
    gone = typed(capsys, "show", "--broker", site)
    assert gone.code == 1
    assert gone.err.startswith(f"tank-gateway: nothing can be asked of the broker at 127.0.0.1:{broker.port}: ")
