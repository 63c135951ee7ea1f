"""Failure stories of the accounts, each played through real Modbus to its ticket, its close or its report."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from gateway.account.transfer import MarkKind, TransferKind, TransferPhase
from gateway.keeping import kept_in
from gateway.records import Quality
from gateway.tank_record import EventKind
from gateway.tank_state import Motion
from tests.end_to_end.books import LEDGER, Kept, marks_of, moved
from tests.end_to_end.story import played, state, text

GOOD, UNCERTAIN, BAD = Quality.GOOD, Quality.UNCERTAIN, Quality.BAD
SOON = {"account": {"settling": "10 min"}}


async def test_story_12_a_transfer_that_was_open_over_a_reboot_has_its_opening_and_its_gap(tmp_path: Path) -> None:
    """200 m3/h into TK-101, 254.47 m2: the opening is the sheet at rest before, whichever gateway closes it."""
    keep = kept_in(tmp_path, "demo", LEDGER)
    async with played(["TK-101"], tmp_path, factor=480.0, period="30 s", site=SOON, keep=keep) as story:
        kept = Kept(story, tmp_path)
        await story.until("TK-101", lambda record: state(record).motion is Motion.AT_REST)
        await kept.ask("start-transfer", kind="receipt", target="TK-101", amount="120 m3", partner="MT Samphire")
        opening = kept.transfers()[1].sides[0].opening
        assert opening is not None
        story.simulator.tank("TK-101").set_flow(200.0)
        await story.until("TK-101", lambda record: state(record).motion is Motion.FILLING)
        boot = story.gateway.snapshot().boot
        await story.begin_anew()
        await story.until(
            "TK-101", lambda record: record.identity.boot != boot and state(record).motion is Motion.FILLING
        )
        story.simulator.tank("TK-101").set_flow(0.0)
        await kept.ask("finish-transfer", transfer="1")
        ticket = await kept.ticket()
        (side,) = ticket.sides
        assert side.opening == opening, "to the last digit"
        assert opening.boot == boot != side.closing.boot
        assert MarkKind.GAP in marks_of(ticket)
        rose_m = story.simulator.tank("TK-101").level_m - 9.412
        assert moved(ticket, "tov") == pytest.approx(254.469 * rose_m, abs=0.2)
        assert (ticket.number, ticket.transfer, ticket.kind) == (1, 1, TransferKind.RECEIPT)
        assert ticket.simulated


async def test_story_3_foam_that_is_taken_for_the_surface_is_proposed_as_no_transfer(tmp_path: Path) -> None:
    """A jump of 0.6 m for ten minutes and back, 158 m3 each way: no pump did that."""
    keep = kept_in(tmp_path, "demo", LEDGER)
    async with played(["D-1"], tmp_path, factor=480.0, period="30 s", site=SOON, keep=keep) as story:
        kept = Kept(story, tmp_path)
        await story.until("D-1", lambda record: state(record).motion is Motion.AT_REST)
        story.simulator.set_fault("LT-D1A", "offset", signal="innage", amount=0.6)
        await story.alarm("gauges_disagree", "D-1")
        story.simulator.clear_fault("LT-D1A")
        await story.over("gauges_disagree", "D-1")
        await story.passes("D-1", 1800.0)
        assert kept.transfers() == {}
        # That one is proposed where liquid does move says that the silence above is a judgement.
        story.simulator.tank("D-1").set_flow(30.0)
        proposed = await kept.transfer(lambda each: each.phase is TransferPhase.PROPOSED)
        assert [side.tank for side in proposed.sides] == ["D-1"]
        assert kept.tickets() == []


async def test_story_7_ullage_read_as_innage_moves_the_wrong_way_against_the_receipt_that_is_open(
    tmp_path: Path,
) -> None:
    """Without flow meter or contact: the receipt says that liquid comes in, the level that it goes. 200 m3/h on
    254.47 m2 is 65 mm in 5 min."""
    site = {**SOON, "tanks": {"TK-101": {"level": {"measures": "innage"}}}}
    keep = kept_in(tmp_path, "demo", LEDGER)
    async with played(["TK-101"], tmp_path, factor=480.0, period="30 s", site=site, keep=keep) as story:
        kept = Kept(story, tmp_path)
        await story.until("TK-101", lambda record: state(record).motion is Motion.AT_REST)
        await kept.ask("start-transfer", kind="receipt", target="TK-101", amount="300 m3")
        story.simulator.tank("TK-101").set_flow(200.0)
        marked = await kept.transfer(lambda each: MarkKind.WRONG_WAY in marks_of(each))
        (mark,) = [each for each in marked.marks if each.kind is MarkKind.WRONG_WAY]
        assert "the level of TK-101 fell against the direction of the transfer" in mark.text
        story.simulator.tank("TK-101").set_flow(0.0)
        await kept.ask("finish-transfer", transfer="1")
        waits = await kept.transfer(lambda each: each.waits_for)
        assert "prove the level by a dip" in waits.waits_for
        await story.passes("TK-101", 1200.0)
        assert kept.tickets() == [], "it rests, and still there is none"
        refused = await kept.try_to("close-transfer", transfer="1")
        assert (refused["code"], "against the direction" in refused["lines"][0]) == (1, True)
        await kept.ask("close-transfer", transfer="1", why="dipped: ullage and innage are the wrong way round")
        ticket = await kept.ticket()
        assert ticket.quality is UNCERTAIN
        assert moved(ticket, "tov") < 0.0, "what the gauge says is not turned round"
        assert MarkKind.WRONG_WAY in marks_of(ticket)


async def test_story_14_a_roof_in_its_critical_zone_gets_no_ticket_unless_somebody_says_why(tmp_path: Path) -> None:
    """TK-204 stands on its legs at 1.600 m and floats at 2.000 m. 600 m3/h on 452.4 m2 is 1.33 m an hour."""
    keep = kept_in(tmp_path, "demo", LEDGER)
    scenario = {"tanks": {"TK-204": {"level": "2.300 m"}}}
    async with played(
        ["TK-204"], tmp_path, factor=480.0, period="30 s", scenario=scenario, site=SOON, keep=keep
    ) as story:
        kept = Kept(story, tmp_path)
        await story.until("TK-204", lambda record: state(record).motion is Motion.AT_REST)
        await kept.ask("start-transfer", kind="dispatch", source="TK-204")
        tank = story.simulator.tank("TK-204")
        tank.set_flow(-600.0)
        await story.until("TK-204", lambda record: (record.inventory.figures.level.value or 9.0) < 1.85)
        tank.set_flow(0.0)
        await kept.ask("finish-transfer", transfer="1")
        waits = await kept.transfer(lambda each: each.waits_for)
        assert "critical" in waits.waits_for
        await story.passes("TK-204", 1800.0)
        assert kept.tickets() == []
        refused = await kept.try_to("close-transfer", transfer="1")
        assert (refused["code"], "critical zone" in refused["lines"][0]) == (1, True)
        why = "the ship has sailed; dipped by hand with the roof on its legs"
        await kept.ask("close-transfer", transfer="1", why=why)
        ticket = await kept.ticket()
        assert (ticket.quality, ticket.why, ticket.by) == (UNCERTAIN, why, "loader")
        assert MarkKind.ROOF in marks_of(ticket)


async def test_story_17_a_water_draw_has_a_ticket_of_water_and_the_product_stays_what_it_was(tmp_path: Path) -> None:
    """From 0.300 m to 0.050 m of water on 254.47 m2: 63.6 m3 less TOV and water, and GOV as before.

    How far below 0.050 m the pump stops depends on its last step.
    """
    keep = kept_in(tmp_path, "demo", LEDGER)
    draw = {"tank": "TK-101", "at": "40 min", "of": "water", "flow": "-300 m3/h", "until_level": "50 mm"}
    scenario = {"tanks": {"TK-101": {"water": "0.300 m"}}, "movements": [draw]}
    async with played(
        ["TK-101"], tmp_path, factor=480.0, period="30 s", scenario=scenario, site=SOON, keep=keep
    ) as story:
        kept = Kept(story, tmp_path)
        await story.until("TK-101", lambda record: state(record).motion is Motion.AT_REST)
        await kept.ask("start-transfer", kind="water_draw", source="TK-101")
        await story.until("TK-101", lambda record: (record.inventory.figures.water_level.value or 1.0) < 0.051)
        await kept.ask("finish-transfer", transfer="1")
        ticket = await kept.ticket()
        assert ticket.kind is TransferKind.WATER_DRAW
        drawn_m3 = 254.469 * (0.300 - story.simulator.tank("TK-101").water_m)
        assert drawn_m3 > 63.3
        assert moved(ticket, "free_water") == pytest.approx(drawn_m3, abs=0.3)
        assert moved(ticket, "tov") == pytest.approx(drawn_m3, abs=0.3)
        assert moved(ticket, "gov") == pytest.approx(0.0, abs=0.3)


TWO_PRODUCTS = {
    **SOON,
    "products": {
        "gasoline": {
            "method": "expansion_coefficient",
            "expansion": "0.001221 /degC",
            "reference_temperature": "15 degC",
            "reference_density": {"value": "742.0 kg/m3", "entered": "2026-11-25T06:00Z", "expires": "31 d"},
        }
    },
}


async def test_story_6_what_a_tank_holds_from_now_on_is_no_receipt_of_what_it_held(tmp_path: Path) -> None:
    """Diesel at the opening, gasoline at the closing: no difference of theirs is an amount of either. The record of the
    change ends the receipt with the last sheet of diesel; the ship's paper for gasoline is none of its ticket."""
    keep = kept_in(tmp_path, "demo", LEDGER)
    async with played(["TK-101"], tmp_path, factor=480.0, period="30 s", site=TWO_PRODUCTS, keep=keep) as story:
        kept = Kept(story, tmp_path)
        await story.until("TK-101", lambda record: state(record).motion is Motion.AT_REST)
        await kept.ask("start-transfer", kind="receipt", target="TK-101", partner="MT Samphire")
        story.simulator.tank("TK-101").set_flow(200.0)
        await story.until("TK-101", lambda record: state(record).motion is Motion.FILLING)
        await kept.ask("product-change", tank="TK-101", product="gasoline", why="the manifest says so")
        changed = await story.until("TK-101", lambda record: record.inventory.product == "gasoline")
        ticket = await kept.ticket()
        (side,) = ticket.sides
        assert side.opening.product == side.closing.product == ticket.product == "diesel"
        assert side.closing.instant < changed.inventory.instant
        assert ticket.quality is UNCERTAIN
        (mark,) = [each for each in ticket.marks if each.kind is MarkKind.PRODUCT]
        assert mark.text == "the product of TK-101 was changed from diesel to gasoline"
        assert kept.transfers()[1].phase is TransferPhase.CLOSED
        paper = {"kind": "receipt", "source": "ship", "amount": "200 m3", "measure": "gsv", "reference": "BL-1"}
        refused = await kept.try_to("amount", product="gasoline", ticket="1", **paper)
        assert refused["code"] == 1
        assert refused["lines"] == ["ticket 1 is of a receipt of diesel, not of a receipt of gasoline"]
        assert kept.amounts() == []


async def test_story_11_a_day_that_ends_at_half_past_two_is_closed_once_when_that_comes_twice(tmp_path: Path) -> None:
    """Rome sets its clocks from 03:00 to 02:00 on 2026-10-25: 02:30 is at 00:30 and at 01:30 UTC. The day that ends
    with the first has 24 h, the next one 25 h."""
    site = {
        "site": {"time_zone": "Europe/Rome"},
        "account": {"day_boundary": "02:30", "settling": "10 min", "close_after": "1 min"},
    }
    begins = datetime(2026, 10, 24, 20, 30, tzinfo=UTC)
    keep = kept_in(tmp_path, "demo", LEDGER)
    async with played(
        ["TK-101"], tmp_path, factor=7200.0, period="10 min", site=site, keep=keep, begins=begins
    ) as story:
        kept = Kept(story, tmp_path)
        await story.settled("TK-101")
        first = await kept.day()
        assert (first.day, first.revision) == ("2026-10-24", 1)
        assert first.end == datetime(2026, 10, 25, 0, 30, tzinfo=UTC), "the first 02:30"
        await story.until("TK-101", lambda record: record.inventory.instant > first.end + timedelta(hours=3))
        assert [(each.day, each.revision) for each in kept.days()] == [("2026-10-24", 1)]
        second = await kept.day(lambda each: each.day == "2026-10-25")
        assert (second.begin, second.end) == (first.end, first.end + timedelta(hours=25))
        (balance,) = second.balances
        assert balance.opening.value == first.balances[0].physical.value
        assert [(each.day, each.revision) for each in kept.days()] == [("2026-10-24", 1), ("2026-10-25", 1)]


VESSEL = {"kind": "lying", "height": None, "diameter": "3.000 m", "length": "18.000 m", "head_depth": "0.750 m"}
FLOOR_BELOW_PLATE_M = 0.062


async def test_story_8_a_gauge_whose_zero_is_not_that_of_the_table_is_told_by_a_known_receipt(tmp_path: Path) -> None:
    """The table counts from the floor, the gauge from a plate 62 mm above it. In a lying vessel of 3.000 m the surface
    is 37.5 m2 at 0.4 m and 60 m2 half full: so much more rises by 62 mm, about 1.4 m3 that the tank does not see of the
    50 m3 on the meter. A tank with upright walls tells nothing by a receipt: there a dip does."""
    gauge = {"signals": {"ullage": {"error": "62 mm"}}}
    vessel = {
        "shape": VESSEL,
        "reference_height": "15.240 m",
        "level": "0.462 m",
        "water": None,
        "elements": "0.1 0.8 m",
        "temperatures": "15.0 15.0 degC",
    }
    scenario = {
        "tanks": {"TK-101": vessel},
        "instruments": {"LT-101": gauge, "TT-101": None, "WT-101": None},
    }
    of_tank = {
        "shape": {
            "kind": "lying_cylinder",
            "height": None,
            "diameter": "3.000 m",
            "tangent_length": "18.000 m",
            "head": "ellipsoidal",
        },
        "free_water": "none",
        "temperature": None,
        "manual": {
            "temperature": {"value": "15 degC", "entered": "2026-11-25T06:00Z", "expires": "24 h", "reason": "x"}
        },
        "limits": {
            "minimum": "0.100 m",
            "maximum_working": "2.700 m",
            "high_high": "2.800 m",
            "critical_high": "2.900 m",
        },
    }
    site = {**SOON, "tanks": {"TK-101": of_tank}, "instruments": {"TT-101": None, "WT-101": None}}
    keep = kept_in(tmp_path, "demo", LEDGER)
    async with played(
        ["TK-101"], tmp_path, factor=480.0, period="30 s", scenario=scenario, site=site, keep=keep
    ) as story:
        kept = Kept(story, tmp_path)
        rest = await story.until("TK-101", lambda record: state(record).motion is Motion.AT_REST)
        assert rest.inventory.figures.level.value == pytest.approx(0.400, abs=0.001)
        await kept.ask("start-transfer", kind="receipt", target="TK-101", partner="pipeline")
        tank = story.simulator.tank("TK-101")
        begun_m3 = tank.mass_kg / tank.density_kg_m3
        tank.set_flow(50.0)
        await story.until("TK-101", lambda record: (record.inventory.figures.level.value or 0.0) > 1.4)
        tank.set_flow(0.0)
        metered_m3 = round(tank.mass_kg / tank.density_kg_m3 - begun_m3, 2)
        await kept.ask("finish-transfer", transfer="1")
        ticket = await kept.ticket()
        lacks_m3 = metered_m3 - moved(ticket, "tov")
        assert lacks_m3 == pytest.approx(1.4, abs=0.3)
        answer = await kept.ask(
            "amount",
            kind="receipt",
            source="meter",
            product="diesel",
            amount=f"{metered_m3:.2f} m3",
            measure="gsv",
            ticket="1",
        )
        (told,) = answer["notes"]
        assert f"{lacks_m3:.2f} m3" in told
        assert "more than the uncertainty of the tank" in told
        assert "see whether table, datum and density of the tank" in told


async def test_story_20_a_ticket_that_rests_on_a_temperature_by_hand_says_so(tmp_path: Path) -> None:
    """20 degC by hand in place of 14.7, for a day, and forgotten."""
    keep = kept_in(tmp_path, "demo", LEDGER)
    async with played(["TK-101"], tmp_path, factor=480.0, period="30 s", site=SOON, keep=keep) as story:
        kept = Kept(story, tmp_path)
        await story.until("TK-101", lambda record: state(record).motion is Motion.AT_REST)
        await kept.ask("start-transfer", kind="receipt", target="TK-101")
        await kept.ask("maintenance", instrument="TT-101", duration="24 h", why="element 2 replaced")
        await kept.ask("temperature", tank="TK-101", value="20 degC", expires="24 h", why="by portable")
        story.simulator.set_fault("TT-101", "exception", code=4)
        story.simulator.tank("TK-101").set_flow(200.0)
        await story.until("TK-101", lambda record: (record.inventory.figures.level.value or 0.0) > 9.5)
        story.simulator.tank("TK-101").set_flow(0.0)
        await kept.ask("finish-transfer", transfer="1")
        ticket = await kept.ticket()
        assert (ticket.quality, ticket.moved["gsv"].quality) == (UNCERTAIN, UNCERTAIN)
        why = text(ticket.moved["gsv"])
        assert "at the closing: manual value in place of an instrument" in why
        assert ticket.sides[0].closing.figures["liquid_temperature"].manual
        assert ticket.sides[0].closing.figures["level"].quality is GOOD
        handover = await story.gateway.acting.act({"action": "list"}, "day shift")
        assert "element 2 replaced" in str(handover["entries"])
        assert handover["transfers"] == []


async def test_a_movement_that_was_announced_calls_nobody_and_one_that_was_not_does(tmp_path: Path) -> None:
    """60 m3 on 254.47 m2 are 236 mm; 5 mm would do. After a rest of 45 min the same again, which nobody announced."""
    keep = kept_in(tmp_path, "demo", LEDGER)
    async with played(["TK-101"], tmp_path, factor=960.0, period="60 s", site=SOON, keep=keep) as story:
        kept = Kept(story, tmp_path)
        await story.until("TK-101", lambda record: state(record).motion is Motion.AT_REST)
        await story.passes("TK-101", 3600.0)
        await kept.ask("start-transfer", kind="dispatch", source="TK-101")
        tank = story.simulator.tank("TK-101")
        tank.set_flow(-60.0)
        await story.passes("TK-101", 3600.0)
        tank.set_flow(0.0)
        hidden = story.alarms("TK-101", active=False)["unscheduled_movement"]["alarm"]
        assert (hidden["phase"], hidden["reason"]["text"]) == ("suppressed", "transfer 1 is open: dispatch")
        await kept.ask("finish-transfer", transfer="1")
        await kept.ticket()
        await story.passes("TK-101", 2 * 3600.0)
        assert story.events(EventKind.ALARM_RAISED, "unscheduled_movement") == []
        assert "unscheduled_movement" not in story.alarms("TK-101", active=False), "nothing is suppressed any more"
        tank.set_flow(-60.0)
        await story.alarm("unscheduled_movement", "TK-101")
