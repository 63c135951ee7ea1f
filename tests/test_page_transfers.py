"""Open transfers as the page lists them: valid, with the figures of a transfer that can be checked in the head."""

from datetime import datetime
from typing import Any

import pytest

from gateway.account.commands import Described, PlanTransfer, TransferDeed, TransferVerb
from gateway.account.transfer import TransferKind
from gateway.page_transfers import open_transfers
from tests.account.test_transfer_progress import FLOW_M3_S, running
from tests.account.transfers_life import Life
from tests.payload.test_page_view import view_of


def _told(it: Life) -> list[dict[str, Any]]:
    found = open_transfers(it.plan, it.book, it.latest, it.yard.now)
    told: list[dict[str, Any]] = view_of({}, transfers=found)["transfers"]
    return told


def test_one_that_runs() -> None:
    """3600 s at 0.07634 m3/s: 274.83 m3 of 1000; 725.17 m3 are missing, which take 9,499 s more."""
    it = running()
    it.passes(3600.0)
    (told,) = _told(it)
    assert (told["number"], told["kind"], told["phase"], told["measure"]) == (1, "receipt", "running", "gsv")
    assert told["tanks"] == [{"tank": "TK-1", "direction": "into"}]
    assert told["ordered"] == {"v": 1000.0, "u": "m3"}
    assert told["moved"]["v"] == pytest.approx(274.8265, abs=1e-3)
    assert told["missing"]["v"] == pytest.approx(725.1735, abs=1e-3)
    assert told["rate"]["v"] == pytest.approx(FLOW_M3_S)
    left = datetime.fromisoformat(told["finish"]) - it.yard.now
    assert left.total_seconds() == pytest.approx(9499.2, abs=0.1)
    assert told["waits_for"] is None


def test_one_that_is_planned_has_moved_nothing_yet() -> None:
    it = Life()
    it.passes(60.0)
    it.does(PlanTransfer(TransferKind.RECEIPT, None, "TK-1", Described(partner="MT Samphire"), "ann"))
    (told,) = _told(it)
    assert (told["phase"], told["moved"], told["ordered"], told["missing"], told["began"]) == ("planned", *[None] * 4)
    assert told["partner"] == "MT Samphire"


def test_where_the_level_is_lost_nothing_is_known_and_that_is_said() -> None:
    it = running()
    it.passes(600.0)
    it.yard.tanks["TK-1"].is_lost = True
    it.passes(60.0)
    (told,) = _told(it)
    for name in ("moved", "missing", "rate"):
        assert (told[name]["v"], told[name]["q"]) == (None, "Bad")
        assert told[name]["r"]["text"]
    assert told["finish"] is None


def test_those_that_are_over_are_not_told() -> None:
    it = running()
    it.passes(600.0)
    it.does(TransferDeed(TransferVerb.CANCEL, 1, "ann", "it was the wrong tank"))
    assert _told(it) == []
