"""Trends: what a fold over all records says, whatever was undone, broken off and begun again on the way."""

import math
import sqlite3
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.ledger.blocks import Blocks
from gateway.ledger.codec import Decoder
from gateway.ledger.good_time import first_minute_s, quality_minutes
from gateway.ledger.summaries import (
    TRENDED,
    UNSEEN,
    Column,
    Extent,
    column_of,
    folded,
    merged,
    packed,
    packed_block,
    summary_of,
    summary_of_plain,
    unpacked,
    unpacked_block,
    worst_of,
)
from gateway.ledger.summary_rows import SummaryRows
from gateway.ledger.trends import Point, span_for, trend
from gateway.records import Figure, Figures, Quality
from gateway.tank_record import plain_record
from tests.support.ledger_parts import (
    SECOND,
    START_NS,
    Given,
    ManualTransactions,
    PlainClock,
    new_file,
    record_at,
)
from tests.support.ledger_store import BEGIN, Stand
from tests.support.records import BOOT, bad, figures, inventory, na, record_of

START_S = START_NS // SECOND
HOUR = 3600
DAY = 86_400

_extents = st.one_of(
    st.builds(lambda value: (value, Quality.GOOD), st.floats(-1e6, 1e6, width=32)),
    st.builds(lambda value: (value, Quality.UNCERTAIN), st.floats(-1e6, 1e6, width=32)),
    st.just((None, Quality.BAD)),
    st.just((None, Quality.GOOD)),
)
_sheets = st.lists(_extents, min_size=len(Figures._fields), max_size=len(Figures._fields)).map(
    lambda given: Figures(*[Figure(value, quality, (), 0.0) for value, quality in given])
)


def single(value: float) -> float:
    found: float = struct.unpack("<f", struct.pack("<f", value))[0]
    return found


def same(a: object, b: object) -> bool:
    """With what is not a number equal to itself."""
    return repr(a) == repr(b)


@given(st.lists(_sheets, min_size=1, max_size=8))
def test_a_fold_is_least_greatest_last_and_worst(sheets: list[Figures]) -> None:
    total = folded(summary_of(each) for each in sheets)
    for place, name in enumerate(TRENDED):
        column = [getattr(each, name) for each in sheets]
        values = [each.value for each in column if each.value is not None]
        least, greatest, last, worst = total[place]
        assert worst == max(each.quality for each in column)
        assert same(last, math.nan if column[-1].value is None else column[-1].value)
        assert same((least, greatest), (min(values), max(values)) if values else (math.nan, math.nan))


@given(st.lists(_sheets, min_size=2, max_size=8), st.data())
def test_what_is_added_again_changes_nothing(sheets: list[Figures], data: st.DataObject) -> None:
    """So what is read again after a crash, to its end, cannot count twice."""
    summaries = [summary_of(each) for each in sheets]
    start = data.draw(st.integers(0, len(summaries) - 1))
    assert same(merged(folded(summaries), folded(summaries[start:])), folded(summaries))


@given(st.dictionaries(st.integers(0, 59), _sheets, min_size=1, max_size=60))
def test_a_block_gives_back_what_was_packed(sheets: dict[int, Figures]) -> None:
    block = {place: summary_of(each) for place, each in sheets.items()}
    assert same(unpacked_block(packed_block(block)), dict(sorted(block.items())))
    for figure in range(len(TRENDED)):
        places, *numbers = column_of(packed_block(block), figure)
        column = [(place, block[place][figure]) for place in sorted(block)]
        assert same(list(zip(places, map(Extent, *numbers), strict=True)), column)
        worst = bytes([extent.worst for _, extent in column])
        assert worst_of(packed_block(block), figure) == (bytes(sorted(block)), worst)
    assert column_of(packed_block(block), len(TRENDED)) == Column()


def test_a_body_of_an_older_version_has_none_of_the_newer_figures() -> None:
    body = packed(summary_of(figures()))
    count = len(TRENDED)
    older = body[: (count - 1) * 12] + body[count * 12 : -1]
    assert unpacked(older) == (*unpacked(body)[:-1], UNSEEN) or same(unpacked(older), (*unpacked(body)[:-1], UNSEEN))


@pytest.mark.parametrize("damaged", [b"", b"\x01", b"\x02\x00\x01abc"])
def test_a_damaged_block_is_refused(damaged: bytes) -> None:
    with pytest.raises(ValueError, match="block of summaries"):
        unpacked_block(damaged)


class Bench:
    def __init__(self, path: Path) -> None:
        self.connection = new_file(path)
        self.records: list[tuple[str, int, float | None, Quality]] = []
        self._sequence = 0
        self.begin()

    def begin(self) -> None:
        """As a process does that has just been started."""
        self.transactions = ManualTransactions(self.connection, PlainClock())
        self.rows = SummaryRows(Decoder().plain)
        self.transactions.do(self.rows.begin)
        self.transactions.commit()
        self.transactions.before_commit(Blocks().add)
        self.transactions.before_commit(self.rows.add)

    def give(self, tank: str, at_s: float, level: float | None) -> None:
        self._sequence += 1
        figure = bad() if level is None else Figure(level, Quality.GOOD, (), 0.0)
        record = record_at(tank, self._sequence, round(at_s * SECOND), level=figure, tov=na())
        self.transactions.give(Given(record, tank, BOOT, self._sequence))
        self.records.append((tank, int(at_s), level, figure.quality))

    def end(self) -> None:
        self.transactions.do(self.rows.finish)
        self.transactions.commit()

    def expected(self, tank: str, span_s: int) -> list[Point]:
        """Minutes by how their records came; hours by their minutes, whichever came first where a clock was set."""
        found: dict[int, list[tuple[float | None, Quality]]] = {}
        records = self.records if span_s == 60 else sorted(self.records, key=lambda each: each[1] // 60)
        for name, at_s, level, quality in records:
            if name == tank:
                found.setdefault(at_s // span_s * span_s, []).append((level, quality))
        points = []
        for start, column in sorted(found.items()):
            values = [single(level) for level, _ in column if level is not None]
            last = column[-1][0]
            points.append(
                Point(
                    start,
                    min(values, default=None),
                    max(values, default=None),
                    None if last is None else single(last),
                    max(quality for _, quality in column),
                )
            )
        return points

    def trend(self, tank: str, span_s: int) -> list[Point]:
        return trend(self.connection, tank, ["level"], 0, START_S * 2, span_s)["level"]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "ledger.db")
    yield made
    made.connection.close()


def played(bench: Bench, hours: float, commit_s: int = 30) -> None:
    """Two tanks each 30 s."""
    for second in range(0, round(hours * HOUR), 30):
        bench.give("TK-1", START_S + second, 5.0 + math.sin(second / 900))
        bench.give("TK-2", START_S + second + 7, None if second % 3000 == 0 else 2.0 + second / HOUR)
        if second % commit_s == 0:
            bench.transactions.commit()
    bench.transactions.commit()


def test_minutes_and_hours_are_what_their_records_were(bench: Bench) -> None:
    played(bench, 3.2)
    bench.end()
    for tank in ("TK-1", "TK-2"):
        for span_s in (60, HOUR):
            assert bench.trend(tank, span_s) == bench.expected(tank, span_s)
    assert bench.connection.execute("SELECT span, count(*) FROM trends GROUP BY span").fetchall() == [
        (60, 6),
        (HOUR, 2),
    ]
    # 12 minutes of the fourth hour, of two tanks: nothing else is left to be packed.
    assert bench.connection.execute("SELECT count(*) FROM minutes").fetchone() == (24,)


@pytest.mark.parametrize("span_s", [60, HOUR])
def test_a_part_of_the_time_has_the_points_that_begin_in_it(bench: Bench, span_s: int) -> None:
    """Of hours and days that are packed, and of what is not packed yet."""
    played(bench, 3.2)
    bench.end()
    whole = bench.expected("TK-1", span_s)
    for after_s, length_s in [(0, HOUR), (1, HOUR), (1800, HOUR), (HOUR - 60, 120), (HOUR, 2 * HOUR), (9000, 5000)]:
        begin, end = START_S + after_s, START_S + after_s + length_s
        found = trend(bench.connection, "TK-1", ["level"], begin, end, span_s)["level"]
        assert found == [point for point in whole if begin <= point.start_s < end]


@pytest.mark.parametrize("ended", [True, False])
def test_minutes_are_counted_by_the_worst_in_each(bench: Bench, ended: bool) -> None:
    """Of any part of the time what is counted are the points that begin in it; the first is where records begin."""
    played(bench, 3.2)
    if ended:
        bench.end()
    assert first_minute_s(bench.connection) == START_S // 60 * 60
    for after_s, length_s in [(0, HOUR), (60, HOUR), (1800, 3 * HOUR), (HOUR - 60, 120), (0, 4 * HOUR), (9000, 5000)]:
        begin = START_S // HOUR * HOUR + after_s // 60 * 60
        for tank in ("TK-1", "TK-2", "TK-NONE"):
            points = trend(bench.connection, tank, ["level"], begin, begin + length_s, 60)["level"]
            found = quality_minutes(bench.connection, tank, ["level", "tov"], begin, begin + length_s)
            worst = [point.worst for point in points]
            assert found["level"] == tuple(worst.count(quality) for quality in Quality), (tank, after_s)
    assert quality_minutes(bench.connection, "TK-2", ["level"], START_S, START_S + 4 * HOUR)["level"].bad > 0


def test_no_minute_is_the_first_of_a_file_without_any(bench: Bench) -> None:
    assert first_minute_s(bench.connection) is None


def test_a_minute_without_a_figure_has_no_point_of_it(bench: Bench) -> None:
    """As of a version that did not know it, beside a minute that has it."""
    bench.give("TK-1", START_S, 5.0)
    bench.transactions.commit()
    seen = summary_of(figures())
    block = packed_block({0: seen, 1: (*seen[:-1], UNSEEN)})
    bench.connection.execute("INSERT INTO trends VALUES (60, 1, ?, ?)", (START_S - HOUR, zlib.compress(block)))
    found = trend(bench.connection, "TK-1", [TRENDED[0], TRENDED[-1]], START_S - HOUR, START_S, 60)
    assert [[point.start_s - START_S + HOUR for point in points] for points in found.values()] == [[0, 60], [0]]


def test_a_row_of_a_minute_is_written_once(bench: Bench) -> None:
    """However often is committed."""
    bench.connection.execute("CREATE TEMP TABLE writes (start INTEGER, tank INTEGER)")
    bench.connection.execute(
        "CREATE TEMP TRIGGER counted AFTER INSERT ON minutes BEGIN INSERT INTO writes VALUES (new.start, new.tank); END"
    )
    played(bench, 0.5)
    (most,) = bench.connection.execute(
        "SELECT max(n) FROM (SELECT count(*) AS n FROM writes GROUP BY start, tank)"
    ).fetchone()
    assert most == 1


def test_an_end_in_order_leaves_nothing_to_be_read_again(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    played(bench, 0.1)
    bench.end()

    def no_more(*_: object) -> None:
        raise AssertionError("a row was read again")

    monkeypatch.setattr(SummaryRows, "_fold", no_more)
    bench.begin()


@pytest.mark.parametrize("ends_in", ["a crash", "a commit that is undone"])
def test_no_commit_is_one_too_many(bench: Bench, ends_in: str) -> None:
    """A record each 10 s over five minutes: at each of the commits a minute is going on, and at some one is written."""
    for second in range(0, 300, 10):
        bench.give("TK-1", START_S + second, 5.0 + second / 100)
        if ends_in == "a crash":
            bench.transactions.commit()
            bench.begin()
        else:
            bench.transactions.fail = sqlite3.OperationalError("disk is full")
            bench.transactions.commit()
            bench.transactions.commit()
    bench.end()
    # Each of the five minutes has six records: the least of the second is 5.6, its last and greatest 6.1.
    second_minute = bench.trend("TK-1", 60)[1]
    assert second_minute == Point(START_S + 60, single(5.6), single(6.1), single(6.1), Quality.GOOD)
    assert bench.trend("TK-1", 60) == bench.expected("TK-1", 60)


def test_a_record_that_comes_late_is_added_to_its_packed_hour(bench: Bench) -> None:
    """As after a clock that was set back."""
    played(bench, 2.1)
    bench.give("TK-1", START_S + 90, 11.0)
    bench.transactions.commit()
    bench.give("TK-1", START_S + 2.2 * HOUR, 5.0)
    bench.transactions.commit()
    bench.give("TK-1", START_S + 2.3 * HOUR, 5.0)
    for _ in range(4):
        bench.transactions.commit()
        bench.give("TK-1", START_S + 2.4 * HOUR, 5.0)
    bench.end()
    assert bench.trend("TK-1", 60) == bench.expected("TK-1", 60)
    assert bench.trend("TK-1", HOUR) == bench.expected("TK-1", HOUR)
    assert bench.trend("TK-1", HOUR)[0].greatest == 11.0


def test_old_minutes_go_and_their_hours_stay(bench: Bench) -> None:
    for day in (0, 1, 40, 41):
        for hour in range(3):
            bench.give("TK-1", START_S + day * DAY + hour * HOUR, 5.0)
            bench.give("TK-1", START_S + day * DAY + hour * HOUR + 100, 5.0)
            bench.transactions.commit()
    for _ in range(40):
        bench.give("TK-1", START_S + 41.5 * DAY, 5.0)
        bench.transactions.commit()
    bench.end()
    # From the 41st day on an hour that is packed takes two of the oldest along: all six are gone.
    assert {point.start_s // DAY - START_S // DAY for point in bench.trend("TK-1", 60)} == {40, 41, 42}
    assert bench.trend("TK-1", HOUR) == bench.expected("TK-1", HOUR)


def test_a_record_that_cannot_be_summed_up_is_kept_all_the_same(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def refusing(_: object) -> None:
        raise KeyError("inventory")

    monkeypatch.setattr("gateway.ledger.summary_rows.summary_from", refusing)
    bench.give("TK-1", START_S, 5.0)
    assert len(bench.transactions.commit()) == 1
    monkeypatch.setattr("gateway.ledger.summary_rows.summary_of_plain", refusing)
    bench.begin()
    bench.end()
    assert bench.trend("TK-1", 60) == []


def test_what_has_just_been_kept_is_not_unpacked_for_its_trends(bench: Bench) -> None:
    def refusing(dictionary: int, body: bytes, forms: object) -> None:
        raise AssertionError("a body was read")

    bench.rows._plain_of = refusing
    played(bench, 0.1)
    bench.end()
    assert bench.trend("TK-1", 60) == bench.expected("TK-1", 60)


@given(_sheets, st.sampled_from([math.inf, math.nan, 1e300, 7.0]), st.sampled_from(Quality))
def test_a_summary_is_the_same_from_the_plain_values(sheet: Figures, value: float, quality: Quality) -> None:
    """Also of what the contract of a figure forbids: a number beside Bad, or one that is none."""
    sheet = sheet._replace(gsv=Figure(value, quality, (), 0.0))
    plain = plain_record(record_of("harbour", BOOT, 1, inventory()._replace(figures=sheet)))
    assert same(summary_of_plain(plain), summary_of(sheet))
    stands = value == 7.0 and quality is not Quality.BAD
    assert same(summary_of(sheet)[TRENDED.index("gsv")].last, 7.0 if stands else math.nan)


def test_the_ledger_of_a_gateway_has_its_trends(tmp_path: Path) -> None:
    """90 records of 15 minutes, over an end in order and a start: levels of 1.001 m and a millimetre more each time."""
    stand = Stand(tmp_path)
    for boot in (0, 1):
        ledger = stand.open(boot)
        for number in range(45):
            stand.seconds = (boot * 45 + number) * 10.0
            ledger.offer(stand.record(boot=boot))
        assert ledger.close(20)
    connection = sqlite3.connect(stand.file)
    begin = round(BEGIN.timestamp())
    points = trend(connection, "TK-1", ["level"], begin, begin + HOUR, 60)["level"]
    assert [point.start_s - begin for point in points] == [60 * minute for minute in range(15)]
    # The first minute has the records 1 to 6; the eighth begins at 420 s with record 43, and goes on after the start.
    assert (points[0].least, points[0].greatest) == (single(1.001), single(1.006))
    assert (points[7].least, points[7].greatest, points[7].last) == (single(1.001), single(1.045), single(1.003))
    connection.close()


def test_a_figure_without_trend_is_refused(bench: Bench) -> None:
    with pytest.raises(ValueError, match="'ctl' has no trend"):
        trend(bench.connection, "TK-1", ["ctl"], 0, 1, 60)
    assert trend(bench.connection, "TK-9", ["level"], 0, 1, 60) == {"level": []}


def test_minutes_for_days_and_hours_for_more() -> None:
    assert (span_for(0, DAY), span_for(0, 365 * DAY)) == (60, HOUR)


_steps = st.lists(
    st.one_of(
        st.tuples(
            st.just("record"), st.sampled_from(["TK-1", "TK-2"]), st.integers(1, 900), st.floats(0, 20, width=32)
        ),
        st.tuples(st.just("bad"), st.sampled_from(["TK-1", "TK-2"]), st.integers(1, 200), st.just(0.0)),
        st.tuples(st.just("commit"), st.just(""), st.just(0), st.just(0.0)),
        st.tuples(st.just("undone"), st.just(""), st.just(0), st.just(0.0)),
        st.tuples(st.just("crash"), st.just(""), st.just(0), st.just(0.0)),
        st.tuples(st.just("end"), st.just(""), st.just(0), st.just(0.0)),
        st.tuples(st.just("back"), st.just(""), st.integers(1, 4000), st.just(0.0)),
    ),
    max_size=60,
)


@settings(max_examples=25)
@given(steps=_steps)
def test_whatever_happens_nothing_is_missing_and_nothing_twice(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[str, str, int, float]]
) -> None:
    bench = Bench(tmp_path_factory.mktemp("summaries") / "ledger.db")
    now_s = START_S
    kept: list[tuple[str, int, float | None, Quality]] = []
    for step, tank, seconds, level in steps:
        match step:
            case "record" | "bad":
                now_s += seconds
                bench.give(tank, now_s, None if step == "bad" else level)
            case "back":
                now_s -= seconds
            case "commit":
                bench.transactions.commit()
            case "undone":
                bench.transactions.fail = sqlite3.OperationalError("disk is full")
                bench.transactions.commit()
                bench.transactions.fail = None
            case "end":
                bench.transactions.commit()
                bench.end()
                bench.begin()
            case _:
                # What was not committed is lost, and stands in no trend.
                kept_count = bench.connection.execute("SELECT count(*) FROM history").fetchone()[0]
                bench.records = bench.records[:kept_count]
                bench.begin()
    bench.transactions.commit()
    kept = bench.records
    bench.end()
    assert bench.connection.execute("SELECT count(*) FROM history").fetchone() == (len(kept),)
    for tank in ("TK-1", "TK-2"):
        for span_s in (60, HOUR):
            assert bench.trend(tank, span_s) == bench.expected(tank, span_s)
    bench.connection.close()
