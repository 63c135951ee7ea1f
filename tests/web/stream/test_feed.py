"""The feed without sockets: whoever applies what it tells has what it has, whatever happens in between."""

import asyncio
from collections.abc import Iterable
from typing import Any

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st
from structlog.testing import capture_logs

from gateway.payload.page_view import AtWork, row_document, total_documents
from gateway.records import Figure, Inventory, Quality, ReasonCode, because
from gateway.tank_record import TankRecord
from gateway.totals import holding_of
from gateway.web.stream import feed
from gateway.web.stream.document import LiveDocument, made_row
from gateway.web.stream.feed import Place
from gateway.web.stream.parcel import Parcel
from tests.support.live_view import Event, Said, applied, level, shown
from tests.support.messages import valid_message
from tests.support.records import BOOT, NOON, inventories, record, record_of

_TANKS = ("TK-1", "TK-2", "TK-3")


def _text(parcels: Iterable[Parcel]) -> bytes:
    return b"".join(each.text for each in parcels)


class _Page:
    """A viewer without a connection: it may be cut at any time, and ask for what it has missed."""

    def __init__(self) -> None:
        self.document: dict[str, Any] = {}
        self.last_id: str | None = None
        self.place: Place | None = None
        self.kinds: list[str] = []

    def ask(self, said: Said) -> None:
        if self.place is None:
            self.place = said.feed.place(self.last_id)
        told = _text(said.feed.next_for(self.place))
        for text in told.split(b"\n\n"):
            event = Event.of(text + b"\n\n") if text else None
            if event is not None:
                self.take(event)

    def take(self, event: Event) -> None:
        self.kinds.append(event.kind)
        self.last_id = event.id or self.last_id
        if event.kind == "view":
            self.document = event.data
            valid_message(orjson.dumps(event.data))
        elif event.kind == "change":
            self.document = applied(self.document, event.data)

    def cut(self) -> None:
        self.place = None


_acts = st.lists(
    st.one_of(
        st.tuples(st.just("hear"), st.sampled_from(_TANKS), inventories()),
        st.tuples(st.just("work"), st.sampled_from(_TANKS), st.booleans()),
        st.tuples(st.sampled_from(["turn", "look at once", "ask", "cut", "forget", "reload", "restart"])),
        st.tuples(st.just("lines"), st.integers(0, 3)),
    ),
    max_size=25,
)


@given(_acts)
def test_whoever_applies_all_changes_has_the_view(acts: list[tuple[Any, ...]]) -> None:
    async def run() -> None:
        said, page = Said(), _Page()
        other = _Page()
        await said.feed.turn()
        for act in acts:
            match act:
                case ("hear", tank, sheet):
                    assert isinstance(sheet, Inventory)
                    said.hear(record_of("harbour", BOOT, 1, sheet._replace(tank=tank), 10.0))
                case ("work", tank, begins):
                    said.at_work = {tank: [AtWork("LT-1", NOON, "ann")]} if begins else {}
                case ("lines", count):
                    lines = [
                        {"name": str(n), "connected": True, "on_standby": False, "since": None} for n in range(count)
                    ]
                    said.beside["lines"] = lines
                case ("turn",):
                    await said.feed.turn()
                case ("ask",):
                    await said.feed.turn()
                    page.ask(said)
                case ("look at once",):
                    other.ask(said)
                case ("cut",):
                    page.cut()
                case ("forget",):
                    page = _Page()
                case ("reload",):
                    said.reload(*list(said.newest.values())[:2])
                case _:
                    page.cut()
                    said = _restarted(said)
                    other = _Page()
                    await said.feed.turn()
        await said.feed.turn()
        whole = valid_message(_text(said.feed.whole()))
        for each in (page, other):
            each.ask(said)
            assert shown(each.document) == shown(whole)
            assert each.last_id == whole["feed"]
        rows = {tank: row | {"maintenance": None} for tank, row in whole["tanks"].items()}
        assert rows == orjson.loads(orjson.dumps({tank: row_document(each) for tank, each in said.newest.items()}))
        assert whole["totals"] == total_documents(holding_of(each.inventory) for each in said.newest.values())

    asyncio.run(run())


def _restarted(before: Said) -> Said:
    said = Said(f"{int(before.boot, 16) + 1:032x}")
    said.newest, said.beside, said.at_work = before.newest, before.beside, before.at_work
    return said


async def test_who_comes_back_is_told_what_was_missed_and_no_more() -> None:
    said, page = Said(), _Page()
    said.hear(level("TK-1", 1.0), level("TK-2", 1.0))
    await said.feed.turn()
    page.ask(said)
    page.cut()
    for metres in (2.0, 3.0):
        said.hear(level("TK-2", metres))
        await said.feed.turn()
    page.ask(said)
    assert page.kinds == ["view", "change", "change"]
    assert page.document["tanks"]["TK-2"]["level"]["v"] == 3.0


@pytest.mark.parametrize("last", ["", "x", f"{BOOT}:", f"{BOOT}:-1", f"{BOOT}:99999999999999999999", f"{BOOT}:٣", ":1"])
async def test_an_id_that_is_none_of_ours_gets_the_whole_view(last: str) -> None:
    said, page = Said(), _Page()
    page.last_id = last
    await said.feed.turn()
    page.ask(said)
    assert page.kinds[-1] == "view"


async def test_after_a_restart_the_site_is_loaded_anew_and_then_the_whole_view() -> None:
    before, page = Said("a" * 32), _Page()
    await before.feed.turn()
    page.ask(before)
    page.cut()
    after = Said("b" * 32)
    await after.feed.turn()
    page.ask(after)
    assert page.kinds == ["view", "site", "view"]


async def test_after_a_reload_the_site_is_loaded_anew_and_tanks_that_are_gone_are_gone() -> None:
    said, page, away = Said(), _Page(), _Page()
    said.hear(level("TK-1", 1.0), level("TK-2", 1.0))
    await said.feed.turn()
    page.ask(said)
    away.ask(said)
    away.cut()
    with said.feed.watched_from(page.place or Place(None, knows_site=True)):
        said.reload(level("TK-2", 1.0))
        # What a tank that goes says last comes with the reload.
        said.feed.heard(level("TK-1", 2.0))
        await said.feed.turn()
    for each in (page, away):
        each.ask(said)
        assert each.kinds == ["view", "site", "view"]
        assert list(each.document["tanks"]) == ["TK-2"]


async def test_a_change_holds_only_what_is_another() -> None:
    said, page = Said(), _Page()
    said.hear(level("TK-1", 1.0), level("TK-2", 1.0))
    await said.feed.turn()
    page.ask(said)
    said.hear(level("TK-1", 1.0), level("TK-2", 2.0))
    await said.feed.turn()
    assert page.place is not None
    (event,) = [Event.of(text) for text in _text(said.feed.next_for(page.place)).split(b"\n\n") if text]
    assert event is not None
    assert set(event.data) == {"time", "machine_time", "tanks"}
    assert list(event.data["tanks"]) == ["TK-2"]
    # The same sheet again is no news at all.
    said.hear(level("TK-2", 2.0))
    await said.feed.turn()
    assert said.feed.next_for(page.place) == []


async def test_while_somebody_looks_sums_are_told_once_a_second_and_what_they_include_at_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Two tanks of 100 m3: the sum is 200, then 201 when it is due, and without the second, now Bad, 101 at once."""
    said = Said()

    def hold(tank: str, gsv: Figure) -> None:
        said.hear(record(tank, gsv=gsv))

    async def told() -> list[tuple[float | None, int, int]] | None:
        await said.feed.turn(all_of_it=False)
        page.document.pop("totals", None)
        page.ask(said)
        found = page.document.get("totals")
        return found and [(each["value"], each["included"], each["of"]) for each in found if each["figure"] == "gsv"]

    page = _Page()
    hold("TK-1", Figure(100.0, Quality.GOOD, (), 0.0))
    hold("TK-2", Figure(100.0, Quality.GOOD, (), 0.0))
    assert await told() == [(200.0, 2, 2)]
    hold("TK-1", Figure(101.0, Quality.GOOD, (), 0.0))
    assert await told() is None
    with monkeypatch.context() as due:
        due.setattr(feed, "_OTHERS_S", 0.0)
        assert await told() == [(201.0, 2, 2)], "though no row is another since"
    hold("TK-2", Figure(None, Quality.BAD, (because(ReasonCode.CALCULATION_FAILED, "odd"),), 0.0))
    assert await told() == [(101.0, 1, 2)]
    hold("TK-1", Figure(102.0, Quality.UNCERTAIN, (), 0.0))
    assert await told() == [(102.0, 1, 2)]
    hold("TK-1", Figure(103.0, Quality.UNCERTAIN, (), 0.0))
    assert await told() is None
    await said.feed.turn()
    page.ask(said)
    assert page.document["totals"] == orjson.loads(_text(said.feed.whole()))["totals"]
    assert [each["value"] for each in page.document["totals"] if each["figure"] == "gsv"] == [103.0]


async def test_nothing_is_made_while_nobody_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[str] = []
    _count_rows(monkeypatch, made)
    said = Said()
    task = asyncio.create_task(said.feed.run())
    for metres in range(50):
        said.hear(level("TK-1", float(metres)))
        await asyncio.sleep(0)
    assert made == []
    task.cancel()


def _count_rows(monkeypatch: pytest.MonkeyPatch, made: list[str]) -> None:
    def counted(record: TankRecord, *more: Any) -> dict[str, Any]:
        made.append(record.identity.tank)
        return row_document(record, *more)

    monkeypatch.setattr("gateway.web.stream.document.row_document", counted)


async def test_each_row_is_made_once_for_all_viewers(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[str] = []
    _count_rows(monkeypatch, made)
    bodies: list[int] = []
    body = LiveDocument.body

    def counted(self: LiveDocument) -> bytes:
        bodies.append(1)
        return body(self)

    monkeypatch.setattr(LiveDocument, "body", counted)
    said = Said()
    said.hear(level("TK-1", 1.0), level("TK-2", 1.0))
    pages = [_Page() for _ in range(10)]
    for page in pages:
        await said.feed.turn()
        page.ask(said)
    said.hear(level("TK-2", 2.0))
    await said.feed.turn()
    for page in pages:
        page.ask(said)
    assert made == ["TK-1", "TK-2", "TK-2"]
    assert len(bodies) == 1
    assert [page.kinds for page in pages] == [["view", "change"]] * 10


async def test_a_row_that_cannot_be_made_leaves_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    def made(record: Any, maintenance: Any) -> Any:
        if record.identity.tank == "TK-1":
            raise ZeroDivisionError("odd")
        return made_row(record, maintenance)

    monkeypatch.setattr("gateway.web.stream.feed.made_row", made)
    said = Said()
    with capture_logs() as logs:
        for metres in (1.0, 2.0):
            said.hear(level("TK-1", metres), level("TK-2", metres))
            await said.feed.turn()
    whole = orjson.loads(_text(said.feed.whole()))
    assert {tank: row["level"]["v"] for tank, row in whole["tanks"].items()} == {"TK-2": 2.0}
    assert [(each["event"], each["what"]) for each in logs] == [("page.not_made", "row of TK-1")], "once"


async def test_a_turn_that_fails_loses_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(feed, "_OTHERS_S", 0.0)
    said = Said()
    await said.feed.turn()
    said.hear(level("TK-1", 1.0), level("TK-2", 1.0))

    def fails() -> Any:
        said.hear(level("TK-2", 2.0))
        raise OSError("no such thing")

    with monkeypatch.context() as broken:
        broken.setattr(said, "others", fails)
        with pytest.raises(OSError, match="no such thing"):
            await said.feed.turn()
    await said.feed.turn()
    whole = orjson.loads(_text(said.feed.whole()))
    assert {tank: row["level"]["v"] for tank, row in whole["tanks"].items()} == {"TK-1": 1.0, "TK-2": 2.0}


async def test_what_could_not_be_told_is_told_when_it_can_be(monkeypatch: pytest.MonkeyPatch) -> None:
    """A row that was made is not taken for told where the change was not."""
    said, page = Said(), _Page()
    said.hear(level("TK-1", 1.0))
    await said.feed.turn()
    page.ask(said)
    said.hear(level("TK-1", 2.0))

    def fails(_: Any) -> Any:
        raise OSError("no totals")

    with monkeypatch.context() as broken:
        broken.setattr("gateway.web.stream.document.total_documents", fails)
        with pytest.raises(OSError, match="no totals"):
            await said.feed.turn()
    await said.feed.turn()
    page.ask(said)
    assert page.kinds == ["view", "change"]
    assert page.document["tanks"]["TK-1"]["level"]["v"] == 2.0


async def test_a_site_that_cannot_be_told_yet_leaves_the_one_that_was(monkeypatch: pytest.MonkeyPatch) -> None:
    said = Said()
    said.hear(level("TK-1", 1.0))
    await said.feed.turn()
    said.reload(level("TK-2", 1.0))

    def fails() -> Any:
        raise OSError("no such thing")

    with monkeypatch.context() as broken:
        broken.setattr(said, "others", fails)
        with pytest.raises(OSError, match="no such thing"):
            await said.feed.turn()
        assert list(orjson.loads(_text(said.feed.whole()))["tanks"]) == ["TK-1"]
    await said.feed.turn()
    assert list(orjson.loads(_text(said.feed.whole()))["tanks"]) == ["TK-2"]


async def test_a_viewer_that_fails_keeps_no_other_from_being_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(feed, "TICK_S", 0.001)
    said = Said()

    def fails() -> bool:
        raise RuntimeError("the connection is of another mind")

    places = [Place(None, knows_site=True) for _ in range(3)]
    with said.feed.watched_from(places[0]), said.feed.watched_from(places[1]), said.feed.watched_from(places[2]):
        for place in places:
            place.takes_at_once = fails
        running = asyncio.create_task(said.feed.run())
        said.hear(level("TK-1", 1.0))
        async with asyncio.timeout(30.0):
            for place in places:
                await place.wake.wait()
        assert not running.done()
        running.cancel()


async def test_many_rows_are_made_a_few_at_a_time() -> None:
    """A thousand rows: whoever else has something to do has at least fifty turns between them."""
    said, turns = Said(), 0
    said.hear(*(level(f"TK-{number}", 1.0) for number in range(1000)))

    async def works() -> None:
        nonlocal turns
        while True:
            turns += 1
            await asyncio.sleep(0)

    task = asyncio.create_task(works())
    await said.feed.turn()
    task.cancel()
    assert turns >= 50
    assert len(orjson.loads(_text(said.feed.whole()))["tanks"]) == 1000
