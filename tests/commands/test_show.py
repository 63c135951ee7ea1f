"""`show` against a small HTTP server that answers as a gateway does, or does not."""

import socket
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import timedelta
from zoneinfo import ZoneInfo

import orjson
import pytest

from gateway.commands.operator import show
from gateway.commands.operator.site_summary import transfer_line
from gateway.payload.writer import inventories_json
from gateway.process.running import Running
from gateway.records import Ending, Figure, Quality, Reason, ReasonCode
from tests.commands.answering import answering
from tests.commands.typed import typed
from tests.support.claims import claimed
from tests.support.records import NOON, record, snapshot

_STALE = Reason(ReasonCode.STALE, "LT-2.innage was last read 75 s ago")
_BY_HAND = Reason(ReasonCode.MANUAL, "manual value in place of an instrument")
_START_ONE = "  hint: start one with `tank-gateway run SITE`, or say where it is with --address HOST:PORT"
_HINT = f"{_START_ONE}; what one left on its broker, `tank-gateway show --broker SITE` tells\n"

Serve = Callable[[bytes, int], str]


@pytest.fixture(autouse=True)
def _at_noon(monkeypatch: pytest.MonkeyPatch) -> None:
    """The records of these tests are of noon."""
    monkeypatch.setattr(show, "_now", lambda: NOON)


@pytest.fixture
def serve() -> Iterator[Serve]:
    """Serve one body with one status at /inventories; gives the address."""
    with ExitStack() as servers:
        yield lambda body, status: servers.enter_context(answering("/inventories", body, status))


def _good(value: float) -> Figure:
    return Figure(value, Quality.GOOD, (), 2.0)


def _two_tanks() -> bytes:
    good = record("TK-1", liquid_temperature=_good(14.75), mass=_good(2e6))
    by_hand = Figure(61.2, Quality.UNCERTAIN, (_BY_HAND,), 2.0, manual=True)
    lost = record(
        "TK-2",
        simulated=True,
        level=Figure(None, Quality.BAD, (_STALE,), 75.0),
        mass=Figure(None, Quality.BAD, (_STALE,), 75.0),
        liquid_temperature=by_hand,
    )
    return inventories_json(snapshot(good, lost, simulated=True))


def test_a_table_of_all_tanks_with_totals_and_reasons(capsys: pytest.CaptureFixture[str], serve: Serve) -> None:
    said = typed(capsys, "show", "--address", serve(_two_tanks(), 200))
    assert said.code == 0
    assert said.err == ""
    lines = [" ".join(line.split()) for line in said.out.splitlines()]
    assert lines[0] == "harbour at 2026-03-14 12:00:00 UTC, SIMULATED"
    assert lines[1:5] == ["Bad: TK-2", "mqtt: there are two", "mqtt: 2 records lost since the gateway's start", ""]
    assert lines[5] == "Tank Product Level m Temp °C TOV m³ GSV m³ Mass t Room m³ Limits Quality Age"
    assert lines[6].startswith("TK-1 gasoline 9.412 14.8 n/a n/a 2,000.0 n/a Good ")
    assert lines[7].startswith("TK-2 gasoline - 61.2? n/a n/a - n/a no level Bad manual SIMULATED ")
    assert lines[8:] == [
        "",
        "Total gasoline: mass 2,000.0 t (1 of 2 tanks)",
        "Total of all products: mass 2,000.0 t (1 of 2 tanks), SIMULATED",
        "",
        "TK-2: Bad: LT-2.innage was last read 75 s ago",
        "TK-2: Uncertain (?): manual value in place of an instrument",
        "",
        "Caution: Monitoring only: not an overfill prevention system, not for custody transfer or fiscal use. A number "
        "on a screen never authorises opening a valve.",
    ]


def test_ages_count_from_the_instruments_to_now(capsys: pytest.CaptureFixture[str], serve: Serve) -> None:
    """The level was 2 s old at noon, and the answer is made 5 s later: 7 s, and it holds for 10 s."""
    body = inventories_json(snapshot(record("TK-1"))._replace(instant=NOON + timedelta(seconds=5)))
    said = typed(capsys, "show", "--address", serve(body, 200))
    (row,) = [line for line in said.out.splitlines() if line.startswith("TK-1 ")]
    assert row.split("  ")[-1].strip() == "7 s"
    assert "NOT LIVE" not in said.out


def test_a_gateway_that_answers_with_an_old_sheet_does_not_look_live(
    capsys: pytest.CaptureFixture[str], serve: Serve
) -> None:
    """HTTP lives and the calculation hangs: the sheet of noon, answered at 12:00:11, held for 10 s."""
    body = inventories_json(snapshot(record("TK-1"))._replace(instant=NOON + timedelta(seconds=11)))
    said = typed(capsys, "show", "--address", serve(body, 200))
    assert said.code == 0
    assert "NOT LIVE: 1 of 1 tanks." in said.out
    (row,) = [line for line in said.out.splitlines() if line.startswith("TK-1 ")]
    assert " ".join(row.split()) == "TK-1 gasoline - n/a n/a n/a n/a n/a no level NOT LIVE (was Good) 13 s"
    assert "TK-1: last told: Level 9.412 m 13 s ago\n" in said.out


def test_an_answer_that_somebody_kept_does_not_look_live(
    capsys: pytest.CaptureFixture[str], serve: Serve, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(show, "_now", lambda: NOON + timedelta(hours=3))
    said = typed(capsys, "show", "--address", serve(_two_tanks(), 200))
    assert "NOT LIVE: 2 of 2 tanks." in said.out
    assert (
        "Clocks: the clock of this machine is 3.0 h ahead of that of the gateway, or this answer is an old one: "
        "nothing of it is taken as live\n"
    ) in said.out


def test_json_is_the_answer_as_it_came(capsys: pytest.CaptureFixture[str], serve: Serve) -> None:
    body = _two_tanks()
    said = typed(capsys, "show", "--json", "--address", serve(body, 200))
    assert said.code == 0
    assert said.document == orjson.loads(body)


def test_nothing_runs_there(capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        address = f"127.0.0.1:{taken.getsockname()[1]}"
        said = typed(capsys, "show", "--address", address)
    assert said.code == 1
    assert said.out == ""
    assert said.err == f"tank-gateway: no gateway at {address}: connection refused\n{_HINT}"


def test_an_address_may_be_copied_out_of_a_browser(capsys: pytest.CaptureFixture[str], serve: Serve) -> None:
    said = typed(capsys, "show", "--address", f"http://{serve(_two_tanks(), 200)}/")
    assert (said.code, said.err) == (0, "")


def test_something_else_runs_there(capsys: pytest.CaptureFixture[str], serve: Serve) -> None:
    address = serve(b"<html>hello</html>", 200)
    said = typed(capsys, "show", "--address", address)
    assert said.code == 1
    assert said.err == f"tank-gateway: no gateway at {address}: what answers there speaks no JSON\n{_HINT}"


def test_another_json_is_refused(capsys: pytest.CaptureFixture[str], serve: Serve) -> None:
    address = serve(b'{"schema": "something/1"}', 200)
    said = typed(capsys, "show", "--address", address)
    assert said.code == 1
    assert said.err == (
        f"tank-gateway: no gateway at {address}: what answers there does not send tank-gateway/inventories/1\n{_HINT}"
    )


def test_an_answer_that_is_not_understood_is_refused(capsys: pytest.CaptureFixture[str], serve: Serve) -> None:
    document = orjson.loads(_two_tanks())
    del document["inventories"][0]["figures"]
    address = serve(orjson.dumps(document), 200)
    said = typed(capsys, "show", "--address", address)
    assert said.code == 1
    assert said.err == (
        f"tank-gateway: no gateway at {address}: its answer is not one that this version understands\n{_START_ONE}\n"
    )


@pytest.mark.parametrize("level", [b"1e300", b"-1e25", b"NaN", b"1e999"])
def test_numbers_that_no_tank_has_end_in_no_traceback(
    capsys: pytest.CaptureFixture[str], serve: Serve, level: bytes
) -> None:
    """From whoever answers there."""
    body = inventories_json(snapshot(record("TK-1")))
    assert body.count(b'"value":9.412,') == 1
    said = typed(capsys, "show", "--address", serve(body.replace(b'"value":9.412,', b'"value":%s,' % level), 200))
    assert said.code in (0, 1)
    assert said.out or said.err.startswith("tank-gateway: no gateway at ")


def test_that_nobody_looks_without_signing_in_is_told(capsys: pytest.CaptureFixture[str], serve: Serve) -> None:
    address = serve(b"", 401)
    said = typed(capsys, "show", "--address", address)
    assert said.code == 1
    assert said.err.startswith(
        f"tank-gateway: no gateway at {address}: it lets nobody look who has not signed in\n"
        "  hint: act as root, as the gateway's own user or as a member of its group, on its machine"
    )


def test_an_error_status_is_told(capsys: pytest.CaptureFixture[str], serve: Serve) -> None:
    address = serve(b"", 503)
    said = typed(capsys, "show", "--address", address)
    assert said.code == 1
    assert said.err == f"tank-gateway: no gateway at {address}: it answers with HTTP status 503\n{_HINT}"


def test_a_peer_that_accepts_and_says_nothing(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(show, "_TIMEOUT_S", 0.2)
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        address = f"127.0.0.1:{silent.getsockname()[1]}"
        said = typed(capsys, "show", "--address", address)
    assert said.code == 1
    assert said.err == f"tank-gateway: no gateway at {address}: no answer within 0.2 s\n{_HINT}"


def test_the_sites_own_time_stands_beside_utc(capsys: pytest.CaptureFixture[str], serve: Serve) -> None:
    """Noon UTC on 14 March 2026 is 17:30 in India, which keeps one time all year (IANA time zone data base)."""
    body = inventories_json(snapshot(record("TK-1"))._replace(time_zone="Asia/Kolkata"))
    said = typed(capsys, "show", "--address", serve(body, 200))
    assert said.out.splitlines()[0] == "harbour at 2026-03-14 17:30:00 IST (2026-03-14 12:00:00 UTC)"


def test_what_ends_is_told_in_the_sites_own_time_too(capsys: pytest.CaptureFixture[str], serve: Serve) -> None:
    """18:00 UTC is 23:30 in India: an operator who reads 18:00 as his own would be late by five and a half hours."""
    made = record("TK-1")
    ending = Ending("reference_density", NOON.replace(hour=18))
    made = made._replace(inventory=made.inventory._replace(endings=(ending,)))
    body = inventories_json(snapshot(made)._replace(time_zone="Asia/Kolkata"))
    said = typed(capsys, "show", "--address", serve(body, 200))
    assert "TK-1: reference density end" in said.out
    assert "2026-03-14 23:30 IST (2026-03-14 18:00 UTC): enter a new one" in said.out


def test_columns_are_chosen_by_name(capsys: pytest.CaptureFixture[str], serve: Serve) -> None:
    address = serve(_two_tanks(), 200)
    said = typed(capsys, "show", "--address", address, "--columns", "level,pumpable")
    assert "Tank Product Level m Pumpable m³ Limits Quality Age" in " ".join(said.out.split())
    wrong = typed(capsys, "show", "--address", address, "--columns", "level,pumpible")
    assert wrong.code == 2
    assert "there is no column 'pumpible'; did you mean 'pumpable'?" in wrong.err


def test_the_gateway_that_runs_here_is_found_by_itself(capsys: pytest.CaptureFixture[str], serve: Serve) -> None:
    address = serve(_two_tanks(), 200)
    with claimed(Running("harbour", 1, address, {})):
        assert typed(capsys, "show").out.startswith("harbour at ")
        with claimed(Running("depot", 2, "127.0.0.1:1", {})):
            said = typed(capsys, "show")
    assert said.code == 2
    assert said.err == (
        "tank-gateway: several gateways run on this machine\n"
        f"  hint: say which with --address: depot at 127.0.0.1:1, harbour at {address}\n"
    )


def test_an_open_transfer_is_a_line_of_its_own() -> None:
    told = {"number": 7, "kind": "tank_to_tank", "phase": "settling", "tanks": ["TK-1", "TK-2"], "waits_for": "a roof"}
    line = transfer_line(told | {"since": "2026-07-14T05:30:00.000Z"}, ZoneInfo("Europe/London"))
    assert (
        line
        == "TK-1, TK-2: transfer 7, tank to tank, settling since 2026-07-14 06:30 BST (2026-07-14 05:30 UTC); a roof"
    )
