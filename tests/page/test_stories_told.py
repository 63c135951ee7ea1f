"""Failure stories that end on the page outside a tank's own, out of documents as the gateway tells them.

What is told stands in the documents of the running demo, in which the story is put as its own test of the gateway sees
it (`tests/end_to_end/test_failure_stories_*.py`): so no site of its own is needed, and no hours pass.
"""

import json
import re
import struct
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from gateway.account.transfer import Gap, Mark, MarkKind, TransferKind, TransferPhase
from gateway.account.transfers.progress import progress
from gateway.payload.outside import outside
from gateway.records import ReasonCode
from tests.page.conftest import Pages
from tests.page.reading import Page
from tests.page.site_process import DemoSite, eventually
from tests.support.account_days import gauging, transfer

_RECORDED = """
const told = %s;
const asked = window.fetch;
window.fetch = (path, options) => {
  const { pathname } = new URL(path, location);
  if (!(pathname in told)) return asked(path, options);
  const headers = { "Content-Type": "application/json" };
  return Promise.resolve(new Response(JSON.stringify(told[pathname]), { headers }));
};
"""


def _opened(page: Page, place: str, recorded: Mapping[str, Any]) -> Page:
    """With these documents in the place of the gateway's own."""
    page.at_start(_RECORDED % json.dumps(recorded))
    page.open(place)
    return page


def test_4_two_devices_with_one_address_are_suspected_beside_their_instrument(page: Page, site: DemoSite) -> None:
    lines, readings = site.get("/lines"), site.get("/readings")
    (gauge,) = [each for each in lines["instruments"] if each["instrument"] == "LT-101"]
    gauge |= {"up": False, "duplicate_address_suspicions": 2, "errors": {"duplicate_address": 7, "bad_frame": 12}}
    reason = {"code": ReasonCode.DUPLICATE_ADDRESS.value, "text": "possible duplicate address: two values by turns"}
    for each in readings["readings"]:
        if each["instrument"] == "LT-101":
            each |= {"value": None, "quality": "Bad", "reason": reason}
    _opened(page, "#/lines", {"/lines": lines, "/readings": readings})
    page.says("Possibly two instruments with one address (2 signs)")
    page.says("does not answer")
    page.find("button", re.compile("LT-101")).click()
    page.says("possible duplicate address: two values by turns")
    assert "no value" in page.find("region", re.compile(gauge["line"])).text
    # It stands first among those of its line: whoever was called out looks there.
    first = page.script("return document.querySelector('.instrument .disclose').innerText")
    assert "LT-101" in first


def test_13_a_second_master_is_suspected_at_the_line_itself(page: Page, site: DemoSite) -> None:
    lines = site.get("/lines")
    lines["lines"][0] |= {
        "second_master_suspected": True,
        "second_master_suspicions": 3,
        "unsolicited_frames": 41,
    }
    _opened(page, "#/lines", {"/lines": lines})
    page.says("somebody else asks on the line")
    section = page.find("region", re.compile(lines["lines"][0]["line"]))
    assert "3 signs of a second master" in section.text
    assert "41" in section.text
    other = page.find("region", re.compile(lines["lines"][1]["line"]))
    assert "second master" not in other.text


def test_5_all_orders_of_the_bytes_stand_together(page: Page, site: DemoSite) -> None:
    """TK-204 sends its words swapped: which order is right is proved by a dip, out of all of them."""
    readings = site.get("/readings")
    (words,) = [
        each["raw"] for each in readings["readings"] if (each["instrument"], each["signal"]) == ("XT-204", "innage")
    ]
    _opened(page, "#/lines", {"/readings": readings})
    page.find("button", re.compile("XT-204")).click()
    row = eventually(
        lambda: page.script(
            "const row = [...document.querySelectorAll('tr')].find((each) => each.innerText.startsWith('innage'));"
            "row?.querySelector('button').click(); return row?.innerText;"
        ),
        "the row of the level",
    )
    assert " ".join(f"{word:04X}" for word in words) in row
    shown = eventually(
        lambda: page.script("return [...document.querySelectorAll('.decodings li')].map((each) => each.innerText)"),
        "all decodings",
    )
    a, b, c, d = struct.pack(">2H", *words)
    orders = {"ABCD": (a, b, c, d), "CDAB": (c, d, a, b), "BADC": (b, a, d, c), "DCBA": (d, c, b, a)}
    for order, placed in orders.items():
        (told,) = [each for each in shown if each.startswith(f"float32 {order}")]
        (expected,) = struct.unpack(">f", bytes(placed))
        assert float(told.split()[-1]) == pytest.approx(expected, rel=1e-6, nan_ok=True), (order, told)
        (told,) = [each for each in shown if each.startswith(f"uint32 {order}")]
        assert int(told.split()[-1]) == int.from_bytes(bytes(placed))
    # The one that means the level is among them, and is no other.
    level = site.inventory("TK-204")["figures"]["level"]["value"]
    near = [each for each in shown if each.startswith("float32") and abs(_number(each) - level) < 0.01]
    assert [each.split()[1] for each in near] == ["CDAB"]


def _number(text: str) -> float:
    try:
        return float(text.split()[-1])
    except ValueError:
        return float("nan")


def _told_transfer(**changed: Any) -> dict[str, Any]:
    """A receipt into TK-101 that runs since an hour ago, as /transfers tells it."""
    begun = datetime.now(UTC).replace(microsecond=0) - timedelta(hours=1)
    running = transfer(7, TransferKind.RECEIPT, TransferPhase.RUNNING, gauging("TK-101", begun, 500.0))
    made = running._replace(partner="MT Samphire", reference="BL-2041", **changed)
    return {"key": made.key, **outside(made), "progress": outside(progress(made, {}, datetime.now(UTC)))}


@pytest.mark.parametrize(
    ("story", "kind", "word", "text"),
    [
        (7, MarkKind.WRONG_WAY, "wrong way", "TK-101 empties while it is to be filled"),
        (12, MarkKind.GAP, "not watched", "nobody watched TK-101 for 12 min: the gateway was down"),
    ],
)
def test_7_and_12_what_happened_to_a_transfer_is_marked_at_it(
    pages: Pages, site: DemoSite, story: int, kind: MarkKind, word: str, text: str
) -> None:
    """Ullage that is read as innage goes the wrong way; after a reboot there is a gap, borne out or not."""
    instant = datetime.now(UTC).replace(microsecond=0) - timedelta(minutes=30)
    gap = Gap("TK-101", instant, 5.0, 1e-4, instant + timedelta(minutes=12), is_borne_out=False)
    told = _told_transfer(marks=(Mark(kind, instant, text),), gaps=(gap,) if story == 12 else ())
    document = {**site.get("/transfers"), "transfers": [told]}
    page = _opened(pages(site.address), "#/transfers", {"/transfers": document})
    card = page.find("article", re.compile("receipt into TK-101"))
    assert word in card.text
    assert text in card.text
    assert "MT Samphire" in card.text
    if story == 12:
        assert "TK-101 was not watched for a while, and its level did not go as far as its rate said" in card.text
