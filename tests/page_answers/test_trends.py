"""Trends over HTTP: what was Bad stays Bad, a gap stays a gap, and a ledger that is not there is no empty picture."""

from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.ledger.trends import Point, minutes_of_all, trend
from gateway.page_answers.parts import instant_of
from gateway.page_answers.times import Span
from gateway.page_answers.trends import Step, Trends, _gaps, _grid, stepped
from gateway.records import Quality
from gateway.web.interface.contract import Call
from tests.page_answers.gate import gate


@given(st.integers(0, 400 * 86_400), st.integers(1, 400 * 86_400), st.integers(1, 2000))
def test_steps_cover_what_was_asked_for_and_are_no_more_than_points(begin: int, length: int, points: int) -> None:
    span = Span(instant_of(1_700_000_000 + begin), instant_of(1_700_000_000 + begin + length))
    begin_s, until_s, span_s, step_s = _grid(span, points)
    assert begin_s <= span.begin.timestamp() < begin_s + step_s
    assert until_s - step_s < span.until.timestamp() <= until_s
    assert step_s % span_s == 0
    assert (until_s - begin_s) % step_s == 0
    assert (until_s - begin_s) // step_s <= points


POINTS = st.lists(st.integers(0, 99), unique=True).flatmap(
    lambda places: st.tuples(
        *[
            st.tuples(st.just(place), st.none() | st.floats(0, 20), st.floats(0, 3), st.sampled_from(Quality))
            for place in sorted(places)
        ]
    )
)


@given(POINTS, st.integers(1, 30))
def test_nothing_is_left_out_of_a_step_and_nothing_made_up(
    given_points: tuple[tuple[int, float | None, float, Quality], ...], minutes: int
) -> None:
    points = [
        Point(6000 + place * 60, least, None if least is None else least + more, least, worst)
        for place, least, more, worst in given_points
    ]
    steps = stepped(points, 6000, 12000, minutes * 60)
    assert len(steps) == -(-100 // minutes)
    for number, step in enumerate(steps):
        inside = [each for each in points if number == (each.start_s - 6000) // 60 // minutes]
        assert step.worst == max((each.worst for each in inside), default=None)
        assert step.least == min((each.least for each in inside if each.least is not None), default=None)
        assert step.greatest == max((each.greatest for each in inside if each.greatest is not None), default=None)
        assert step.last == (inside[-1].last if inside else None)


@given(st.lists(st.none() | st.sampled_from(Quality), max_size=30), st.integers(-100, 2000))
def test_gaps_are_where_no_record_is_and_could_be(qualities: list[Quality | None], until: int) -> None:
    steps = [Step(None, None, None, worst) for worst in qualities]
    gaps = _gaps(steps, 6000, 6000 + until, 60)
    spans = [tuple(datetime.fromisoformat(gap[end]).timestamp() for end in ("from", "until")) for gap in gaps]
    assert spans == sorted(spans)
    for second in range(6000, 6000 + 60 * len(steps)):
        is_gap = second < 6000 + until and qualities[(second - 6000) // 60] is None
        assert is_gap == any(begin <= second < end for begin, end in spans)
    # Two that touch are one.
    assert all(one[1] < other[0] for one, other in pairwise(spans))


async def test_a_trend_has_least_greatest_last_and_worst(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        begin = yard.now
        for second in range(0, 1200, 10):
            if not 300 <= second < 600:  # five minutes without a record
                quality = Quality.BAD if 660 <= second < 720 else Quality.GOOD
                yard.read(quality=quality, t1=15.0, water=0.035, innage=5.0 + second / 1000)
            yard.passes(10)
        await yard.kept()
        found = await yard.page("/api/1/tanks/TK-1/trend", figures="level,gsv")
    level = found["figures"]["level"]
    assert found["step_s"] == 180
    at = {time: place for place, time in enumerate(level["times"])}
    assert begin.isoformat() == "2026-11-28T06:00:00+00:00"
    first = at["2026-11-28T06:00:00.000Z"]
    # 06:00:00 to 06:02:50, each 10 s a centimetre: 5.000 to 5.170 m.
    assert (level["min"][first], level["max"][first], level["last"][first]) == (5.0, 5.17, 5.17)
    # 06:03 to 06:06: until 06:04:50 there are records.
    assert (level["min"][first + 1], level["max"][first + 1]) == (5.18, 5.29)
    # 06:06 to 06:09 has none, nor has what was before.
    assert (level["last"][first + 2], level["quality"][first + 2]) == (None, None)
    # 06:09 to 06:12: from 06:10 on; 06:11 is Bad.
    assert (level["min"][first + 3], level["max"][first + 3]) == (5.6, 5.65)
    assert (level["last"][first + 3], level["quality"][first + 3]) == (None, "Bad")
    assert {"from": "2026-11-28T06:06:00.000Z", "until": "2026-11-28T06:09:00.000Z"} in level["gaps"]
    assert level["gaps"][0]["until"] == "2026-11-28T06:00:00.000Z"
    assert (level["unit"], found["figures"]["gsv"]["unit"]) == ("m", "m3")


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ({"figures": "levle"}, "'levle' has no trend"),
        ({"figures": ","}, "names none"),
        ({"points": "0"}, "no number from 1 to 2000"),
        ({"points": "٣"}, "no number from 1 to 2000"),
        ({"from": "yesterday"}, "neither a date nor a time"),
        ({"from": "2026-11-27T06:00"}, "does not say its zone"),
        ({"from": "2025-01-01"}, "more than 400 days"),
        ({"from": "2026-11-28", "until": "2026-11-27"}, "is not before until"),
        ({"from": "9998-01-01"}, "out of reach"),
        ({"until": "0001-01-01T00:00+14:00"}, "out of reach"),
        ({"form": "2026-11-27"}, "'form' is nothing"),
        ({"from": "x" * 300}, "longer than 200"),
    ],
)
async def test_what_is_asked_wrongly_is_told_in_a_sentence(tmp_path: Path, query: dict[str, str], words: str) -> None:
    async with gate(tmp_path) as yard:
        answer = await yard.get("/api/1/tanks/TK-1/trend", **query)
    assert (answer.status_code, answer.json()["code"]) == (400, 2)
    assert words in answer.json()["lines"][0]
    assert answer.json()["hint"]


async def test_a_day_of_the_site_is_a_time(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        found = await yard.page("/api/1/tanks/TK-1/trend", **{"from": "2026-11-27"})
        begin = datetime.fromisoformat(found["from"])
    assert begin == datetime.combine(date(2026, 11, 27), yard.settings.account.boundary, tzinfo=UTC)


async def test_what_cannot_be_read_is_no_empty_picture(tmp_path: Path) -> None:
    async with gate(tmp_path, ledger=False) as yard:
        for path in ("/api/1/tanks/TK-1/trend", "/api/1/small-trends"):
            answer = await yard.get(path)
            assert (answer.status_code, answer.json()["code"]) == (503, 1)
            assert "keeps no ledger" in answer.json()["lines"][0]
            assert answer.headers["retry-after"]


async def test_small_trends_are_the_same_as_if_all_was_read(tmp_path: Path) -> None:
    """Whatever was read before: what is read of it again and what is kept give what a first look would."""
    async with gate(tmp_path) as yard:
        for look in range(24):
            for second in range(40):
                yard.read(t1=15.0, water=0.035, innage=5.0 + look / 10 + second / 1000)
                yard.passes(15)
            await yard.kept()
            found = await yard.page("/api/1/small-trends")
            fresh = await Trends(yard.parts).small(Call({}, {}, {}, None))
            assert found["tanks"] == orjson.loads(fresh.body)["tanks"], look
            level = found["tanks"]["TK-1"]
            assert (found["step_s"], len(level["last"])) == (600, 36)
            assert sum(each is not None for each in level["last"]) >= look
        until_s = int(yard.now.timestamp())
        begin_s = until_s - 7 * 3600
        together = await yard.parts.read(lambda file: minutes_of_all(file, "gsv", begin_s, until_s))
        for tank in ("TK-1", "TK-2"):
            alone = await yard.parts.read(lambda file, tank=tank: trend(file, tank, ["gsv"], begin_s, until_s, 60))  # type: ignore[misc]
            assert alone["gsv"] == together[tank]


async def test_small_trends_have_every_tank(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        for _ in range(120):
            yard.sheets(7.0)
        await yard.kept()
        found = await yard.page("/api/1/small-trends")
        again = await yard.page("/api/1/small-trends")
        yard.passes(60)
        later = await yard.page("/api/1/small-trends")
    assert set(found["tanks"]) == {"TK-1", "TK-2"}
    level = found["tanks"]["TK-1"]
    assert len(level["last"]) <= 36
    assert [each for each in level["last"] if each is not None] == [7.0, 7.0, 7.0]
    assert level["quality"].count(None) == len(level["last"]) - 3
    assert again == found
    assert later["time"] > found["time"]
