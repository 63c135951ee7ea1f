"""Trends on the page of a tank: what is drawn is what the ledger has; a gap stays a gap and a doubt a doubt."""

import math
import random
import re
import sqlite3
import time
import zlib
from pathlib import Path
from typing import Any

import pytest

from gateway.ledger.summaries import HOUR_S, TRENDED, UNSEEN, Extent, packed_block
from gateway.records import Quality
from tests.page.conftest import Pages
from tests.page.reading import Page
from tests.page.site_process import DemoSite, eventually

_DAY_S = 86_400
_MODULE = "const m = await import('/page/code/parts/trend_points.js');"


def _points(chance: random.Random) -> list[dict[str, Any]]:
    """As the ledger may have them: minutes that are missing, without a value, or doubtful."""
    found = []
    start = 1_795_000_000 // 60 * 60
    for _ in range(chance.randrange(1, 30)):
        start += 60 * chance.choice([1, 1, 1, 1, 2, 5])
        worst = chance.choice([0, 0, 0, 1, 2])
        last = None if worst == 2 and chance.random() < 0.8 else round(chance.uniform(0, 14), 3)
        found.append({"start": start, "least": last, "greatest": last, "last": last, "worst": worst})
    return found


def test_no_line_leads_over_what_is_not_known(page: Page) -> None:
    """The modules of the page themselves, on random points: where a line goes from one value to the next both are of
    its kind or worse, and there is a record of every step between them."""
    page.open()
    chance = random.Random(1)
    cases = [_points(chance) for _ in range(300)]
    drawn = page.promise(
        f"{_MODULE} return arguments[0].map((points) =>"
        " m.drawn(points, 60, points[0].start - 600, points[points.length - 1].start + 60));",
        cases,
    )
    joints = 0
    for points, lines in zip(cases, drawn, strict=True):
        by_start = {point["start"]: point for point in points}
        assert lines["times"] == sorted(set(lines["times"]))
        for name in ("good", "uncertain"):
            at = dict(zip(lines["times"], lines[name], strict=True))
            for point in points:
                if (point["worst"] == 0) == (name == "good"):
                    assert at[point["start"]] == point["last"], "every value is drawn, and as it is"
            assert all(value is None for start, value in at.items() if start not in by_start), "nothing is made up"
            for before, after in zip(lines["times"], lines["times"][1:], strict=False):
                if at[before] is None or at[after] is None:
                    continue
                joints += 1
                assert after - before == 60, "no line leads over minutes without a record"
                both = (by_start[before]["worst"], by_start[after]["worst"])
                assert both == (0, 0) if name == "good" else True
                assert name == "good" or max(both) > 0 or _beside_doubt(by_start, before, after)
        bad = {point["start"] for point in points if point["worst"] == 2}
        told = {start for begin, end in lines["bad"] for start in range(begin, end, 60)}
        assert told == bad
        unkept = {start for begin, end in lines["unkept"] for start in range(begin, end, 60)}
        assert unkept == set(range(points[0]["start"] - 600, points[-1]["start"], 60)) - by_start.keys()
    assert joints > 500


def _beside_doubt(by_start: dict[int, dict[str, Any]], before: int, after: int) -> bool:
    """Two that are Good between two that are not: the dashes lie on the line there."""
    beside = [by_start.get(start) for start in (before - 60, after + 60)]
    return all(each is not None and each["worst"] > 0 for each in beside)


def test_what_comes_live_goes_on_where_the_ledger_ends(page: Page) -> None:
    """Sheets each 7 s, folded by the page and by this test: least, greatest, last and worst of each minute."""
    page.open()
    chance = random.Random(2)
    begin = 1_795_000_020
    kept = [{"start": begin, "least": 5.0, "greatest": 5.2, "last": 5.1, "worst": 1}]
    sheets: list[dict[str, Any]] = [
        {
            "at": begin - 30 + 7 * number,
            "value": None if word == "Bad" else round(chance.uniform(4, 6), 3),
            "quality": word,
        }
        for number in range(60)
        for word in [chance.choice(["Good", "Good", "Uncertain", "Bad"])]
    ]
    found = page.promise(f"{_MODULE} return m.withLive(arguments[0], arguments[1], 60);", kept, sheets)
    wanted: dict[int, dict[str, Any]] = {begin: dict(kept[0])}
    for sheet in sheets:
        if sheet["at"] < begin:
            continue
        start = begin + (sheet["at"] - begin) // 60 * 60
        worst = ["Good", "Uncertain", "Bad"].index(sheet["quality"])
        value = sheet["value"]
        if start not in wanted:
            wanted[start] = {"start": start, "least": value, "greatest": value, "last": value, "worst": worst}
            continue
        point = wanted[start]
        values = [each for each in (point["least"], point["greatest"], value) if each is not None]
        point |= {"least": min(values, default=None), "greatest": max(values, default=None)}
        point |= {"last": value, "worst": max(point["worst"], worst)}
    assert found == list(wanted.values())


def _level(hours: int) -> float:
    """Of a tank that is filled and emptied once in four weeks."""
    return 6.0 + 3.0 * math.sin(2 * math.pi * hours / (28 * 24))


def _fill(ledger: Path, tank: str, end_s: int) -> None:
    """A year of hours: ten days without a record, five of them Bad and ten Uncertain, as packing leaves them."""
    connection = sqlite3.connect(ledger)
    number = connection.execute("SELECT id FROM tanks WHERE name = ?", (tank,)).fetchone()[0]
    first_day = end_s // _DAY_S - 365
    for day in range(365):
        if 100 <= day < 110:
            continue
        hours = {}
        for hour in range(24):
            level = _level(day * 24 + hour)
            quality = Quality.BAD if 200 <= day < 205 else Quality.UNCERTAIN if 300 <= day < 310 else Quality.GOOD
            extent = Extent(level - 0.01, level + 0.01, level, int(quality))
            if quality is Quality.BAD:
                extent = Extent(math.nan, math.nan, math.nan, int(quality))
            hours[hour] = tuple(extent if name == "level" else UNSEEN for name in TRENDED)
        block = zlib.compress(packed_block(hours))
        start = (first_day + day) * _DAY_S
        connection.execute("INSERT OR REPLACE INTO trends VALUES (?, ?, ?, ?)", (HOUR_S, number, start, block))
    connection.commit()
    connection.close()


def test_a_year_is_there_as_a_picture_a_sentence_and_a_table(own_site: DemoSite, pages: Pages) -> None:
    own_site.end()
    (ledger,) = own_site.state.glob("*.ledger")
    _fill(ledger, "TK-101", int(time.time()))
    own_site.start()
    page = pages(own_site.address)
    page.open("#/tank/TK-101")
    page.find("button", "Year").click()
    # Ten days and one before the first record, in steps of 15 hours: which of them are empty goes by the time of day.
    said = eventually(lambda: _picture(page, r"No record for (9|1[01]) d"), "the year as a sentence")
    # The middle of the wave is 6 m, its height 3 m, and each hour reaches 0.01 m to both sides; from 9.412 m on it is
    # emptied now.
    least, greatest = re.search(r"between (\d\.\d{3}) m and (\d\.\d{3}) m", said).groups()  # type: ignore[union-attr]
    assert least == "2.990", said
    assert 9.01 <= float(greatest) <= 9.413, said
    assert re.search(r"No value for part of (5|6) d", said), said
    assert "Uncertain at times." in said
    first, last = (float(each) for each in re.findall(r"(\d\.\d{3}) m at", said))
    change = re.search(r"Level above the datum\s+m\s+([+-]?\d\.\d{3}) m( \?)? since \d+ \w+ \d{4}", page.text)
    assert change, page.text[:2000]
    assert float(change[1]) == pytest.approx(last - first, abs=0.0015)
    page.script("document.querySelector('.trend-points summary').click()")
    rows = eventually(lambda: _rows(page), "a table of points")
    words = " | ".join(" ".join(row) for row in rows)
    assert re.search(r"no record for (9|10) d", words), words[:500]
    told = own_site.get(
        "/api/1/tanks/TK-101/trend?"
        + "&".join([f"from={_iso(time.time() - 366 * _DAY_S)}", f"until={_iso(time.time())}", "points=600"])
    )
    level = told["figures"]["level"]
    kept = [
        f"{last:.3f} m {'? ' if quality == 'Uncertain' else ''}{quality}" if last is not None else "no value (Bad)"
        for last, quality in zip(level["last"], level["quality"], strict=True)
        if quality is not None
    ]
    # The newest point goes on meanwhile, and the oldest may have left.
    seen = [row[1] for row in rows if len(row) > 2][::-1]
    assert len(kept) > 500
    assert seen[-500:-2] == kept[-500:-2]
    # By the keyboard: to the beginning of the time shown, a day before the first record, and a tenth of it on.
    slider, said_at = page.find("slider", "Look at one time").element, "aria-valuetext"
    slider.send_keys("\ue011")  # Home
    year = time.gmtime(time.time() - 366 * _DAY_S).tm_year
    assert re.search(rf"{year}, .*: Level above the datum no record", slider.get_attribute(said_at) or "")
    slider.send_keys("\ue00e")  # Page Up
    assert re.search(r": Level above the datum \d\.\d{3} m Good", slider.get_attribute(said_at) or "")
    assert page.script("return document.querySelector('.looked').innerText") != ""


def _picture(page: Page, wanted: str) -> str:
    return next((each.name for each in page.all("image") if re.search(f"Level above.*{wanted}", each.name)), "")


def _rows(page: Page) -> list[list[str]]:
    found: list[list[str]] = page.script(
        "return [...document.querySelectorAll('.trend-points tbody tr')].map((row) => [...row.children].map((cell) =>"
        " cell.innerText))"
    )
    return found


def _iso(seconds: float) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(seconds))
