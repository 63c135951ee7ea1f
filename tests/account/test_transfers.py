"""A transfer from its plan to its ticket, in the yard: each story of the trade that ends at a ticket."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from gateway.account.commands import (
    AccountRefusedError,
    ChangeTransfer,
    Described,
    PlanTransfer,
    ReverseTicket,
    StartTransfer,
    TransferDeed,
    TransferVerb,
)
from gateway.account.ticket import Ticket
from gateway.account.transfer import Direction, MarkKind, TransferKind, TransferPhase
from gateway.account.transfers.moved import changed_between
from gateway.account.transfers.progress import progress
from gateway.account.transfers.words import amount_words
from gateway.records import Figure, Quality, Reason, ReasonCode
from gateway.states import RoofZone
from gateway.tank_record import EventKind
from gateway.tank_state import AlarmKind
from tests.account.transfers_life import NOTHING_SAID, Life
from tests.support.account_yard import AREA_M2, PLAN, Tank, Yard, ctl_of

RATE_M_S = 0.0003
"""275 m3/h in a tank of 18 m."""
DOUBT = Reason(ReasonCode.CLOCK_UNTRUSTED, "the clock was never set")


def life() -> Life:
    """Two tanks that have rested for twenty minutes."""
    begun = Life()
    begun.passes(1200.0)
    return begun


def flows(yard_life: Life, tank: str, rate_m_s: float, seconds: float) -> None:
    """A flow, and rest again."""
    yard_life.yard.moves(tank, rate_m_s)
    yard_life.passes(seconds)
    yard_life.yard.moves(tank, 0.0)


def gsv(ticket: Ticket) -> float:
    value = ticket.moved["gsv"].value
    assert value is not None
    return value


def refused(yard_life: Life, verb: TransferVerb, number: int, why: str = "") -> str:
    before = yard_life.book
    with pytest.raises(AccountRefusedError) as caught:
        yard_life.deed(verb, number, why)
    assert yard_life.book is before
    assert caught.value.hint
    return str(caught.value)


def test_a_receipt_is_closed_by_itself_when_it_has_settled() -> None:
    it = life()
    transfer = it.starts(TransferKind.RECEIPT, target="TK-1")
    assert transfer.phase is TransferPhase.RUNNING
    flows(it, "TK-1", RATE_M_S, 3600.0)
    it.passes(10.0)
    assert it.transfer(1).phase is TransferPhase.SETTLING
    it.passes(1780.0)
    assert it.transfer(1).phase is TransferPhase.SETTLING, "it has rested for 29 min 50 s"
    it.passes(20.0)
    assert it.transfer(1).phase is TransferPhase.CLOSED
    (ticket,) = it.tickets()
    # 0.0003 m/s for 3600 s in 254.469 m2, at 15 degC.
    assert gsv(ticket) == pytest.approx(0.0003 * 3600 * AREA_M2, rel=1e-9)
    assert ticket.quality is Quality.GOOD
    assert (ticket.by, ticket.why, ticket.reasons) == ("", "", ())
    kinds = [event.kind for outcome in it.outcomes for _, event in outcome.events]
    assert kinds == [
        EventKind.TRANSFER_STARTED,
        EventKind.TRANSFER_SETTLING,
        EventKind.TICKET_MADE,
        EventKind.TRANSFER_CLOSED,
    ]


def test_a_movement_is_proposed_from_before_it_was_noticed() -> None:
    """The watch hears of a flow when its window shows it: the opening is older than that."""
    it = life()
    for _ in range(18):
        # Three minutes of a flow that the watch still calls rest.
        it.yard.passes(10.0)
        it.yard.tanks["TK-1"].level_m += RATE_M_S * 10.0
        it.sheet("TK-1")
    flows(it, "TK-1", RATE_M_S, 600.0)
    transfer = it.transfer(1)
    assert transfer.phase is TransferPhase.PROPOSED
    opening = transfer.sides[0].opening
    assert opening is not None
    assert opening.value("level") == 5.0
    it.passes(1900.0)
    assert it.transfer(1).phase is TransferPhase.PROPOSED, "nobody has said what it was"
    assert it.transfer(1).sides[0].closing is not None
    assert it.tickets() == []
    it.does(StartTransfer(1, TransferKind.RECEIPT, None, None, Described(partner="MT Aster"), "ann"))
    (ticket,) = it.tickets()
    assert gsv(ticket) == pytest.approx(RATE_M_S * 780.0 * AREA_M2, rel=1e-9)
    assert ticket.partner == "MT Aster"


def test_what_was_begun_while_it_moved_already_has_its_opening_before_the_flow() -> None:
    it = life()
    it.does(PlanTransfer(TransferKind.DISPATCH, "TK-1", None, Described(100.0, "gsv"), "ann"))
    it.yard.moves("TK-1", -RATE_M_S)
    it.passes(1800.0)
    assert list(it.book.transfers) == [1], "what is planned is not proposed"
    it.does(StartTransfer(1, None, None, None, NOTHING_SAID, "ann"))
    opening = it.transfer(1).sides[0].opening
    assert opening is not None
    assert opening.value("level") == 5.0


def test_warming_is_no_transfer() -> None:
    it = life()
    it.yard.tanks["TK-1"].activity = "thermal"
    flows(it, "TK-1", RATE_M_S / 100.0, 3600.0)
    assert it.book.last_transfer == 0


def test_a_level_that_jumps_or_stands_still_books_nothing() -> None:
    """Failure stories 3 and 19."""
    it = life()
    tank = it.yard.tanks["TK-1"]
    tank.quality, tank.reasons = Quality.UNCERTAIN, (Reason(ReasonCode.RATE_IMPLAUSIBLE, "it jumped"),)
    flows(it, "TK-1", 0.05, 10.0)
    assert it.book.last_transfer == 0
    tank.level_m, tank.quality, tank.reasons = 5.0, Quality.GOOD, ()
    it.passes(60.0)
    it.starts(TransferKind.RECEIPT, target="TK-1")
    tank.alarms = (AlarmKind.LEVEL_FROZEN,)
    it.passes(60.0)
    # Quality: by the word of the watch it had rested for a minute only.
    assert [mark.kind for mark in it.transfer(1).marks] == [MarkKind.QUALITY, MarkKind.FROZEN]
    it.deed(TransferVerb.FINISH, 1)
    it.passes(2000.0)
    assert it.transfer(1).phase is TransferPhase.SETTLING
    assert "stands still" in it.transfer(1).waits_for
    assert "stands still" in refused(it, TransferVerb.CLOSE, 1)
    it.deed(TransferVerb.CLOSE, 1, "dipped: 5,000 mm")
    (ticket,) = it.tickets()
    assert ticket.quality is Quality.UNCERTAIN
    assert ticket.why == "dipped: 5,000 mm"


def test_a_level_that_goes_the_wrong_way_is_marked_and_waits() -> None:
    """Failure story 7: ullage read as innage, fills look like drains."""
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    it.passes(60.0)
    flows(it, "TK-1", -RATE_M_S, 1200.0)
    it.passes(4000.0)
    transfer = it.transfer(1)
    assert [mark.kind for mark in transfer.marks] == [MarkKind.WRONG_WAY]
    assert transfer.phase is TransferPhase.SETTLING
    assert "prove the level by a dip" in transfer.waits_for
    assert it.tickets() == []


def test_from_tank_to_tank_counts_what_came_in_and_tells_the_rest() -> None:
    it = life()
    it.starts(TransferKind.TANK_TO_TANK, "TK-1", "TK-2")
    it.yard.moves("TK-1", -RATE_M_S)
    it.yard.moves("TK-2", RATE_M_S * 0.99)
    it.passes(3600.0)
    it.yard.moves("TK-1", 0.0)
    it.yard.moves("TK-2", 0.0)
    it.passes(1900.0)
    (ticket,) = it.tickets()
    out, into = ticket.sides
    assert (out.direction, into.direction) == (Direction.OUT_OF, Direction.INTO)
    assert ticket.moved == into.moved
    left, came = (RATE_M_S * 3600.0 * AREA_M2 * part for part in (1.0, 0.99))
    assert out.moved["gsv"].value == pytest.approx(left)
    assert gsv(ticket) == pytest.approx(came)
    (told,) = ticket.reasons
    assert told.code is ReasonCode.SIDES_DIFFER
    # 274.83 m3 left and 272.08 m3 came in.
    assert told.text == "274.83 m3 left and 272.08 m3 came in: -2.75 m3 between the two tanks"
    assert ticket.quality is Quality.GOOD


def test_one_level_that_stands_while_that_of_the_other_tank_goes_is_marked() -> None:
    """Failure story 19: the float hangs, the pump runs, and the level is perfect and dead."""
    it = life()
    it.starts(TransferKind.TANK_TO_TANK, "TK-1", "TK-2")
    it.yard.moves("TK-1", -RATE_M_S)
    it.passes(900.0)
    assert it.transfer(1).marks == ()
    it.passes(900.0)
    (mark,) = it.transfer(1).marks
    assert (mark.kind, mark.text) == (MarkKind.FROZEN, "the level of TK-2 stood still while that of TK-1 moved")


def test_two_proposals_become_one_transfer_from_tank_to_tank() -> None:
    it = life()
    it.yard.moves("TK-1", -RATE_M_S)
    it.yard.moves("TK-2", RATE_M_S)
    it.passes(1800.0)
    it.yard.moves("TK-1", 0.0)
    it.yard.moves("TK-2", 0.0)
    it.passes(2000.0)
    assert [each.phase for each in it.transfers()] == [TransferPhase.PROPOSED] * 2
    # To say the other tank is enough.
    it.does(StartTransfer(1, None, None, "TK-2", NOTHING_SAID, "ann"))
    assert [each.phase for each in it.transfers()] == [TransferPhase.CLOSED, TransferPhase.CANCELLED]
    (ticket,) = it.tickets()
    assert gsv(ticket) == pytest.approx(RATE_M_S * 1800.0 * AREA_M2)
    assert ticket.sides[0].moved["gsv"].value == pytest.approx(gsv(ticket))


def test_a_water_draw_tells_the_water_and_that_the_product_stayed() -> None:
    """Failure story 17: TOV falls, GOV is conserved."""
    it = life()
    tank = it.yard.tanks["TK-1"]
    it.starts(TransferKind.WATER_DRAW, "TK-1")
    it.yard.moves("TK-1", -0.0005)
    for _ in range(6):
        it.passes(10.0)
        tank.water_m -= 0.005
    it.yard.moves("TK-1", 0.0)
    it.passes(1900.0)
    (ticket,) = it.tickets()
    water = 0.03 * AREA_M2
    assert ticket.moved["free_water"].value == pytest.approx(water)
    assert ticket.moved["tov"].value == pytest.approx(water)
    assert ticket.moved["gov"].value == pytest.approx(0.0, abs=1e-9)
    assert ticket.moved["gsv"].value == pytest.approx(0.0, abs=1e-9)
    assert ticket.reasons[0].code is ReasonCode.WATER_DRAW


def test_a_circulation_moves_nothing() -> None:
    it = life()
    it.starts(TransferKind.CIRCULATION, "TK-1")
    it.passes(3600.0)
    it.deed(TransferVerb.FINISH, 1)
    (ticket,) = it.tickets()
    assert gsv(ticket) == 0.0
    assert ticket.quality is Quality.GOOD


def test_a_busy_tank_can_be_planned_and_not_started() -> None:
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    outcome = it.does(PlanTransfer(TransferKind.DISPATCH, "TK-1", None, NOTHING_SAID, "ann"))
    assert "another transfer" in outcome.notes[0]
    with pytest.raises(AccountRefusedError, match="belongs to transfer 1, which is running"):
        it.does(StartTransfer(2, None, None, None, NOTHING_SAID, "ann"))
    with pytest.raises(AccountRefusedError, match="belongs to transfer 1"):
        it.starts(TransferKind.TANK_TO_TANK, "TK-2", "TK-1")


def test_what_was_planned_of_one_product_is_not_started_in_a_tank_that_holds_another() -> None:
    it = life()
    it.does(PlanTransfer(TransferKind.RECEIPT, None, "TK-1", NOTHING_SAID, by="kim"))
    it.yard.tanks["TK-1"].product = "gasoline"
    it.passes(1200.0)
    before = it.book
    with pytest.raises(AccountRefusedError) as caught:
        it.does(StartTransfer(1, None, None, None, NOTHING_SAID, by="kim"))
    assert str(caught.value) == "transfer 1: it was planned of diesel, and TK-1 holds gasoline"
    assert it.book is before
    it.yard.tanks["TK-1"].product = "diesel"
    it.passes(1200.0)
    it.does(StartTransfer(1, None, None, None, NOTHING_SAID, by="kim"))
    assert it.transfer(1).phase is TransferPhase.RUNNING


def test_a_ticket_over_a_change_of_the_site_file_says_so_at_its_head() -> None:
    """Another table may have made all of its amount: whoever reads the ticket reads that first."""
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    flows(it, "TK-1", RATE_M_S, 1800.0)
    it.yard.tanks["TK-1"].basis = "basis-2"
    it.passes(3600.0)
    (ticket,) = it.tickets()
    assert ticket.quality is Quality.UNCERTAIN
    assert [reason.code for reason in ticket.reasons] == [ReasonCode.BASIS_CHANGED]


def test_whether_it_fits_is_said_at_the_opening() -> None:
    """Room to 13.200 m of a tank at 5.000 m, 18 m wide: 8.2 m * 254.469 m2 = 2,086.6 m3, rounded down."""
    it = life()
    fits = it.does(StartTransfer(None, TransferKind.RECEIPT, None, "TK-1", Described(2000.0, "gov"), "ann"))
    assert fits.lines[-1] == (
        "TK-1: room to the maximum working level 2,086 m3: the planned amount fits, with 86.6 m3 to spare"
    )
    too_much = it.does(PlanTransfer(TransferKind.RECEIPT, None, "TK-2", Described(2100.0, "gov"), "ann"))
    assert too_much.lines[-1] == (
        "TK-2: room to the maximum working level 2,086 m3: the planned amount does not fit, it is 13.4 m3 too much"
    )


def test_one_that_pauses_goes_on_and_one_that_has_moved_too_little_waits() -> None:
    it = life()
    it.does(StartTransfer(None, TransferKind.RECEIPT, None, "TK-1", Described(500.0, "gsv"), "ann"))
    flows(it, "TK-1", RATE_M_S, 3600.0)
    it.passes(4000.0)
    assert it.transfer(1).phase is TransferPhase.RUNNING, "275 m3 of 500 m3: another truck comes"
    it.deed(TransferVerb.PAUSE, 1, "night")
    it.passes(600.0)
    it.deed(TransferVerb.RESUME, 1)
    flows(it, "TK-1", RATE_M_S, 3000.0)
    it.passes(1900.0)
    (ticket,) = it.tickets()
    assert gsv(ticket) == pytest.approx(RATE_M_S * 6600.0 * AREA_M2)
    assert [mark.kind for mark in ticket.marks] == [MarkKind.PAUSED, MarkKind.RESUMED]


def test_what_moves_while_it_is_paused_is_of_the_transfer_and_marked() -> None:
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    flows(it, "TK-1", RATE_M_S, 600.0)
    it.deed(TransferVerb.PAUSE, 1)
    it.passes(600.0)
    flows(it, "TK-1", RATE_M_S, 600.0)
    it.passes(2000.0)
    assert it.transfer(1).phase is TransferPhase.PAUSED
    it.deed(TransferVerb.FINISH, 1)
    (ticket,) = it.tickets()
    assert [mark.text for mark in ticket.marks] == ["paused", "TK-1 moved while the transfer was paused"]
    assert gsv(ticket) == pytest.approx(RATE_M_S * 1200.0 * AREA_M2)


def test_a_flow_that_begins_again_before_it_has_settled_is_the_same_transfer() -> None:
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    flows(it, "TK-1", RATE_M_S, 600.0)
    it.passes(600.0)
    assert it.transfer(1).phase is TransferPhase.SETTLING
    flows(it, "TK-1", RATE_M_S, 600.0)
    it.passes(1900.0)
    (ticket,) = it.tickets()
    assert gsv(ticket) == pytest.approx(RATE_M_S * 1200.0 * AREA_M2)
    assert [mark.kind for mark in ticket.marks] == [MarkKind.RESUMED]


def test_no_ticket_while_the_clock_is_not_trusted_unless_somebody_says_why() -> None:
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    flows(it, "TK-1", RATE_M_S, 600.0)
    it.yard.clock_doubt = DOUBT
    it.passes(4000.0)
    assert it.transfer(1).waits_for == "the clock is not trusted: the clock was never set"
    assert "clock" in refused(it, TransferVerb.CLOSE, 1)
    it.deed(TransferVerb.CLOSE, 1, "the watch of the jetty says 14:10")
    (ticket,) = it.tickets()
    assert ticket.quality is Quality.UNCERTAIN
    assert ReasonCode.CLOCK_UNTRUSTED in {reason.code for reason in ticket.reasons}


def test_it_closes_by_itself_once_the_clock_is_right() -> None:
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    flows(it, "TK-1", RATE_M_S, 600.0)
    it.yard.clock_doubt = DOUBT
    it.passes(4000.0)
    it.yard.clock_doubt = None
    it.passes(10.0)
    (ticket,) = it.tickets()
    assert ticket.quality is Quality.GOOD
    assert [mark.kind for mark in ticket.marks] == [MarkKind.CLOCK]


@pytest.mark.parametrize("at_opening", [True, False])
def test_no_ticket_where_the_roof_is_in_its_critical_zone(at_opening: bool) -> None:
    """Failure story 14."""
    it = life()
    tank = it.yard.tanks["TK-1"]
    tank.roof = RoofZone.CRITICAL if at_opening else RoofZone.FLOATING
    it.passes(10.0)
    it.starts(TransferKind.RECEIPT, target="TK-1")
    flows(it, "TK-1", RATE_M_S, 600.0)
    tank.roof = RoofZone.FLOATING if at_opening else RoofZone.CRITICAL
    it.passes(4000.0)
    assert "critical zone" in it.transfer(1).waits_for
    it.deed(TransferVerb.CLOSE, 1, "surveyed")
    (ticket,) = it.tickets()
    assert ticket.quality is Quality.UNCERTAIN


def test_a_bad_figure_gives_a_bad_amount_and_never_a_zero() -> None:
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    flows(it, "TK-1", RATE_M_S, 600.0)
    it.yard.tanks["TK-1"].is_lost = True
    it.passes(60.0)
    it.deed(TransferVerb.FINISH, 1)
    it.passes(4000.0)
    assert "the closing of TK-1 has no level" in it.transfer(1).waits_for
    it.deed(TransferVerb.CLOSE, 1, "the gauge is gone; the meter counts")
    (ticket,) = it.tickets()
    assert ticket.quality is Quality.BAD
    for figure in ticket.moved.values():
        assert figure.value is None
    assert ticket.moved["gsv"].quality is Quality.BAD


def test_of_simulated_values_no_ticket_is_made_on_a_real_site() -> None:
    it = life()
    it.plan = replace(it.plan, simulated=False)
    it.starts(TransferKind.RECEIPT, target="TK-1")
    flows(it, "TK-1", RATE_M_S, 600.0)
    it.passes(4000.0)
    assert "simulated" in it.transfer(1).waits_for
    assert "simulated" in refused(it, TransferVerb.CLOSE, 1, "please")
    assert it.tickets() == []


def test_a_simulated_ticket_says_so() -> None:
    it = life()
    it.starts(TransferKind.CIRCULATION, "TK-1")
    it.deed(TransferVerb.FINISH, 1)
    assert it.tickets()[0].simulated


def test_a_ticket_over_midnight() -> None:
    it = Life(Yard({"TK-1": Tank("TK-1")}, now=datetime(2026, 3, 14, 23, 0, tzinfo=UTC)))
    it.yard.tanks["TK-1"].since = it.yard.now - timedelta(hours=2)
    it.passes(1200.0)
    it.starts(TransferKind.RECEIPT, target="TK-1")
    flows(it, "TK-1", RATE_M_S, 7200.0)
    it.passes(1900.0)
    (ticket,) = it.tickets()
    assert ticket.began == datetime(2026, 3, 14, 23, 20, tzinfo=UTC)
    assert ticket.ended.date() == datetime(2026, 3, 15, tzinfo=UTC).date()
    assert gsv(ticket) == pytest.approx(RATE_M_S * 7200.0 * AREA_M2)


def test_another_product_ends_the_transfer_of_the_one_before() -> None:
    """Capability 21: the last sheet of the old product is the closing, and the ticket is Uncertain."""
    it = life()
    tank = it.yard.tanks["TK-1"]
    it.starts(TransferKind.DISPATCH, "TK-1")
    it.yard.moves("TK-1", -RATE_M_S)
    it.passes(1200.0)
    tank.product = "gasoline"
    it.passes(10.0)
    transfer, (ticket,) = it.transfer(1), it.tickets()
    assert transfer.phase is TransferPhase.CLOSED
    assert ticket.product == "diesel"
    assert ticket.sides[0].closing.product == "diesel"
    assert gsv(ticket) == pytest.approx(RATE_M_S * 1200.0 * AREA_M2)
    assert ticket.quality is Quality.UNCERTAIN
    assert MarkKind.PRODUCT in {mark.kind for mark in ticket.marks}


def test_what_was_changed_while_nobody_watched_has_no_standard_volume() -> None:
    it = life()
    it.starts(TransferKind.DISPATCH, "TK-1")
    flows(it, "TK-1", -RATE_M_S, 1200.0)
    it.latest.clear()
    it.yard.tanks["TK-1"].product = "gasoline"
    it.restarts(60.0)
    it.passes(4000.0)
    assert "while nobody watched" in it.transfer(1).waits_for
    it.deed(TransferVerb.CLOSE, 1, "as the operator says")
    (ticket,) = it.tickets()
    assert ticket.moved["tov"].value == pytest.approx(RATE_M_S * 1200.0 * AREA_M2)
    assert ticket.moved["gsv"].value is None
    assert ticket.moved["mass"].quality is Quality.BAD


def test_another_density_in_the_middle_is_no_movement_of_mass() -> None:
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    flows(it, "TK-1", RATE_M_S, 600.0)
    it.yard.tanks["TK-1"].density = 840.0
    it.passes(1900.0)
    (ticket,) = it.tickets()
    assert ticket.quality is Quality.UNCERTAIN
    assert ticket.moved["gov"].quality is Quality.GOOD
    assert ticket.moved["mass"].quality is Quality.UNCERTAIN
    assert "another density" in ticket.moved["mass"].reasons[-1].text


def test_what_people_enter_in_the_middle_is_no_other_basis() -> None:
    """A dip, a limit: another plan, and not of what the amounts rest on."""
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    flows(it, "TK-1", RATE_M_S, 600.0)
    it.yard.tanks["TK-1"].plan = "plan-2"
    it.passes(1900.0)
    (ticket,) = it.tickets()
    assert ticket.quality is Quality.GOOD


def test_another_table_in_the_middle_is_another_basis_of_every_amount() -> None:
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    flows(it, "TK-1", RATE_M_S, 600.0)
    it.yard.tanks["TK-1"].basis = "basis-2"
    it.passes(1900.0)
    (ticket,) = it.tickets()
    assert ticket.moved["tov"].quality is Quality.UNCERTAIN
    assert "table, product or instruments" in ticket.moved["tov"].reasons[-1].text


def test_another_share_of_water_in_the_middle_is_no_movement_of_net_amounts() -> None:
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    opening = it.transfer(1).sides[0].opening
    assert opening is not None
    share = Figure(0.004, Quality.GOOD, (), 0.0)
    closing = opening._replace(figures={**opening.figures, "sediment_water": share})
    changed = changed_between(opening, closing)
    assert {name for name, reasons in changed.items() if reasons} == {"nsv", "net_mass", "net_weight_in_air"}


def test_a_reboot_in_the_middle_keeps_the_opening_and_marks_the_gap() -> None:
    """Failure story 12."""
    it = life()
    opening = it.starts(TransferKind.RECEIPT, target="TK-1").sides[0].opening
    it.yard.moves("TK-1", RATE_M_S)
    it.passes(1200.0)
    it.yard.tanks["TK-1"].level_m += RATE_M_S * 900.0
    it.restarts(900.0)
    it.passes(600.0)
    it.yard.moves("TK-1", 0.0)
    it.passes(1900.0)
    (ticket,) = it.tickets()
    assert ticket.sides[0].opening == opening
    assert gsv(ticket) == pytest.approx(RATE_M_S * 2700.0 * AREA_M2)
    assert [mark.kind for mark in ticket.marks] == [MarkKind.GAP]
    assert ticket.quality is Quality.GOOD, "the level went as far as its rates say"


def test_after_a_gap_that_the_rates_do_not_bear_out_the_ticket_is_uncertain() -> None:
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    it.yard.moves("TK-1", RATE_M_S)
    it.passes(1200.0)
    # As far as it would have gone, and half a metre more.
    it.yard.tanks["TK-1"].level_m += RATE_M_S * 900.0 + 0.5
    it.restarts(900.0)
    it.passes(600.0)
    it.yard.moves("TK-1", 0.0)
    it.passes(1900.0)
    (ticket,) = it.tickets()
    assert ticket.quality is Quality.UNCERTAIN
    assert [reason.code for reason in ticket.reasons] == [ReasonCode.UNWATCHED]


def test_a_restart_without_the_last_record_of_a_tank_is_a_gap_that_nothing_bears_out() -> None:
    """It is damaged, or the ledger is an older one: the ticket of the transfer is not Good."""
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    it.yard.moves("TK-1", RATE_M_S)
    it.passes(600.0)
    it.latest.clear()
    it.restarts(600.0)
    it.passes(600.0)
    it.yard.moves("TK-1", 0.0)
    it.passes(4000.0)
    (ticket,) = it.tickets()
    assert [mark.kind for mark in ticket.marks] == [MarkKind.GAP]
    assert (ticket.quality, [reason.code for reason in ticket.reasons]) == (Quality.UNCERTAIN, [ReasonCode.UNWATCHED])


def test_a_lost_level_in_the_middle_is_a_gap() -> None:
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    it.yard.moves("TK-1", RATE_M_S)
    it.passes(600.0)
    it.yard.tanks["TK-1"].is_lost = True
    it.passes(600.0)
    it.yard.tanks["TK-1"].is_lost = False
    it.passes(600.0)
    (gap,) = it.transfer(1).gaps
    assert gap.is_borne_out
    assert [mark.kind for mark in it.transfer(1).marks] == [MarkKind.GAP]
    it.yard.moves("TK-1", 0.0)
    it.passes(1900.0)
    assert it.tickets()[0].quality is Quality.GOOD


def test_a_clock_that_is_set_in_the_middle_is_marked() -> None:
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    it.yard.moves("TK-1", RATE_M_S)
    it.passes(600.0)
    it.yard.is_set(-3600.0)
    it.passes(600.0)
    it.yard.moves("TK-1", 0.0)
    it.passes(2000.0)
    (ticket,) = it.tickets()
    assert [mark.text for mark in ticket.marks] == ["the clock was set by -60 min"]
    assert gsv(ticket) == pytest.approx(RATE_M_S * 1200.0 * AREA_M2)


def test_a_ticket_is_taken_back_and_another_stands_in_its_place() -> None:
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    flows(it, "TK-1", RATE_M_S, 600.0)
    it.passes(1900.0)
    (first,) = it.tickets()
    it.does(ReverseTicket(1, "ann", "it went out, not in", TransferKind.DISPATCH, "MT Aster"))
    _, back, other = it.tickets()
    assert (back.number, back.reverses, back.moved, back.sides) == (2, 1, first.moved, first.sides)
    assert (other.number, other.replaces, other.partner) == (3, 1, "MT Aster")
    assert gsv(other) == -gsv(first)
    assert it.tickets()[0] == first
    with pytest.raises(AccountRefusedError, match="ticket 2 has taken it back already"):
        it.does(ReverseTicket(1, "ann", "again"))
    with pytest.raises(AccountRefusedError, match="takes ticket 1 back"):
        it.does(ReverseTicket(2, "ann", "again"))
    with pytest.raises(AccountRefusedError, match="needs a reason"):
        it.does(ReverseTicket(3, "ann", " "))


def test_what_is_said_of_it_can_be_changed_until_it_is_closed() -> None:
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    it.does(ChangeTransfer(1, Described(300.0, "gsv", partner="MT Aster"), "ann"))
    assert it.transfer(1).partner == "MT Aster"
    with pytest.raises(AccountRefusedError, match="nothing was to be changed"):
        it.does(ChangeTransfer(1, Described(partner="MT Aster"), "ann"))
    it.deed(TransferVerb.FINISH, 1)
    (ticket,) = it.tickets()
    assert ticket.partner == "MT Aster"
    with pytest.raises(AccountRefusedError, match="it is over"):
        it.does(ChangeTransfer(1, Described(partner="MT Bellis"), "ann"))


def test_what_was_cancelled_is_not_proposed_again_and_its_reverse_is() -> None:
    it = life()
    it.yard.moves("TK-1", RATE_M_S)
    it.passes(600.0)
    it.deed(TransferVerb.CANCEL, 1, "the mixer")
    it.passes(600.0)
    it.yard.moves("TK-1", 0.0)
    it.passes(4000.0)
    assert it.book.last_transfer == 1
    flows(it, "TK-1", -RATE_M_S, 600.0)
    assert it.transfer(2).kind is TransferKind.DISPATCH


def test_what_moved_while_the_gateway_was_down_is_proposed() -> None:
    it = life()
    it.yard.tanks["TK-1"].level_m += 0.4
    it.restarts(7200.0)
    it.passes(10.0)
    transfer = it.transfer(1)
    assert transfer.kind is TransferKind.RECEIPT
    assert transfer.phase is TransferPhase.PROPOSED
    assert [mark.kind for mark in transfer.marks] == [MarkKind.GAP]
    it.passes(1900.0)
    it.does(StartTransfer(1, None, None, None, NOTHING_SAID, "ann"))
    assert gsv(it.tickets()[0]) == pytest.approx(0.4 * AREA_M2)


def test_an_afternoon_of_sun_over_an_outage_is_no_movement() -> None:
    """+5 degC is +0.42 % of 5 m: 21 mm, and no product."""
    it = life()
    tank = it.yard.tanks["TK-1"]
    tank.temperature_c = 20.0
    product_m = 5.0 - tank.water_m
    tank.level_m = tank.water_m + product_m / ctl_of(20.0)
    assert tank.level_m - 5.0 > 0.02
    it.restarts(7200.0)
    it.passes(600.0)
    assert it.book.last_transfer == 0


def test_water_that_left_over_an_outage_is_no_dispatch() -> None:
    it = life()
    tank = it.yard.tanks["TK-1"]
    tank.level_m, tank.water_m = 5.0 - 0.03, 0.035 - 0.03
    it.restarts(7200.0)
    it.passes(600.0)
    assert it.book.last_transfer == 0


def test_what_the_disk_did_not_take_does_not_hold_and_comes_again() -> None:
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    flows(it, "TK-1", RATE_M_S, 600.0)
    it.disk_fails = True
    it.passes(4000.0)
    assert it.book.transfers[1].phase is TransferPhase.RUNNING
    it.disk_fails = False
    it.passes(20.0)
    assert [ticket.number for ticket in it.tickets()] == [1]
    assert gsv(it.tickets()[0]) == pytest.approx(RATE_M_S * 600.0 * AREA_M2)


def test_the_wrong_way_is_told_after_the_clock_was_set_back_too() -> None:
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    it.yard.is_set(-7200.0)
    it.yard.moves("TK-1", -RATE_M_S)
    it.passes(600.0)
    assert MarkKind.WRONG_WAY in {mark.kind for mark in it.transfer(1).marks}


def test_a_proposal_of_what_was_no_movement_ends_by_itself() -> None:
    """A mixer: up and down again. The sun: +5 degC over 5 m of diesel, 21 mm and no product."""
    it = life()
    flows(it, "TK-1", RATE_M_S, 600.0)
    flows(it, "TK-1", -RATE_M_S, 600.0)
    it.passes(1900.0)
    assert it.transfer(1).phase is TransferPhase.CANCELLED
    assert it.transfer(1).marks[-1].text == "no product has moved after all"
    tank = it.yard.tanks["TK-2"]
    warm_m = tank.water_m + (5.0 - tank.water_m) / ctl_of(20.0)
    flows(it, "TK-2", (warm_m - 5.0) / 600.0, 600.0)
    tank.temperature_c = 20.0
    it.passes(1900.0)
    assert it.transfer(2).phase is TransferPhase.CANCELLED


def test_a_proposed_dispatch_of_water_is_a_water_draw() -> None:
    it = life()
    it.yard.moves("TK-1", -0.0005)
    for _ in range(6):
        it.passes(10.0)
        it.yard.tanks["TK-1"].water_m -= 0.005
    it.yard.moves("TK-1", 0.0)
    it.passes(1900.0)
    transfer = it.transfer(1)
    assert (transfer.kind, transfer.phase) == (TransferKind.WATER_DRAW, TransferPhase.PROPOSED)


def test_a_plan_for_the_day_after_tomorrow_does_not_hide_what_moves_now() -> None:
    it = life()
    later = Described(begins=it.yard.now + timedelta(days=2))
    it.does(PlanTransfer(TransferKind.RECEIPT, None, "TK-1", later, "ann"))
    flows(it, "TK-1", RATE_M_S, 600.0)
    assert it.transfer(2).phase is TransferPhase.PROPOSED


def test_an_amount_is_as_good_as_the_worse_of_its_sheets_and_says_why() -> None:
    it = life()
    tank = it.yard.tanks["TK-1"]
    tank.quality, tank.reasons = Quality.UNCERTAIN, (Reason(ReasonCode.STRATIFIED, "it is in layers"),)
    it.passes(10.0)
    it.starts(TransferKind.RECEIPT, target="TK-1")
    tank.quality, tank.reasons = Quality.GOOD, ()
    flows(it, "TK-1", RATE_M_S, 600.0)
    it.passes(1900.0)
    (ticket,) = it.tickets()
    moved = ticket.moved["gsv"]
    assert moved.quality is Quality.UNCERTAIN
    assert [reason.text for reason in moved.reasons] == ["at the opening: it is in layers"]
    assert ticket.quality is Quality.UNCERTAIN
    assert gsv(ticket) == pytest.approx(RATE_M_S * 600.0 * AREA_M2)


def test_a_reason_whose_numbers_go_on_is_no_news() -> None:
    """Or a transfer that waits would be kept anew with every sheet."""
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    flows(it, "TK-1", RATE_M_S, 600.0)
    it.passes(100.0)
    kept = len(it.papers)
    for second in range(20):
        it.yard.clock_doubt = Reason(ReasonCode.CLOCK_UNTRUSTED, f"the clock is off by {second} s")
        it.passes(10.0)
    # That the clock is not trusted: a mark, and what it waits for.
    assert len(it.papers) - kept <= 2
    assert it.transfer(1).waits_for == "the clock is not trusted: the clock is off by 0 s"


def test_a_planned_standard_volume_or_mass_is_held_against_the_room_as_it_is_warm() -> None:
    """At 30 degC x = 0.000846 * 15 = 0.01269, CTL = exp(-x (1 + 0.8 x)) = 0.987263: 2,065 m3 GSV are 2,091.6 m3, and
    1,708.4 t are 1,708,400 / (838.0 * 0.987263) = 2,064.9 m3; there is room for 2,086.6 m3."""
    it = life()
    it.yard.tanks["TK-1"].temperature_c = 30.0
    it.passes(10.0)
    gsv_lines = it.does(PlanTransfer(TransferKind.RECEIPT, None, "TK-1", Described(2065.0, "gsv"), "ann")).lines
    assert gsv_lines[-1].endswith("the planned amount does not fit, it is 5.0 m3 too much")
    mass_lines = it.does(PlanTransfer(TransferKind.RECEIPT, None, "TK-1", Described(1_708_400.0, "mass"), "ann")).lines
    assert mass_lines[-1].endswith("the planned amount fits, with 21.6 m3 to spare")


def test_a_tank_that_says_nothing_more_is_what_its_transfer_waits_for() -> None:
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    it.yard.moves("TK-1", RATE_M_S)
    it.passes(600.0)
    it.deed(TransferVerb.FINISH, 1)
    assert "has not come to rest: it is filling" in it.transfer(1).waits_for
    it.latest.clear()
    it.ticks()
    assert it.transfer(1).waits_for == "there is no sheet of TK-1 yet"
    kept = len(it.papers)
    it.ticks()
    assert len(it.papers) == kept
    assert "there is no sheet" in refused(it, TransferVerb.CLOSE, 1, "it is gone")


def unheard(it: Life, seconds: float) -> None:
    """A flow that the watch still calls rest."""
    for _ in range(round(seconds / 10.0)):
        it.yard.passes(10.0)
        it.yard.tanks["TK-1"].level_m += RATE_M_S * 10.0
        it.sheet("TK-1")


def test_a_flow_that_the_watch_has_not_heard_of_is_not_settled_when_somebody_says_that_it_is_over() -> None:
    """By the word of the watch the tank has rested for hours: its level has not."""
    it = life()
    it.passes(3600.0)
    it.starts(TransferKind.RECEIPT, target="TK-1")
    unheard(it, 240.0)
    it.deed(TransferVerb.FINISH, 1)
    assert it.transfer(1).phase is TransferPhase.SETTLING
    assert "had not settled" in refused(it, TransferVerb.CLOSE, 1)
    # The pump runs down for a minute more.
    unheard(it, 60.0)
    it.passes(1700.0)
    assert it.transfer(1).phase is TransferPhase.SETTLING, "of 30 min since it was said to be over 29 min 20 s are over"
    it.passes(60.0)
    (ticket,) = it.tickets()
    # 300 s of 0.0003 m/s in 254.469 m2, at 15 degC.
    assert gsv(ticket) == pytest.approx(0.0003 * 300.0 * AREA_M2, rel=1e-9)
    assert ticket.quality is Quality.GOOD


def test_a_second_flow_that_is_not_heard_of_is_not_settled_either() -> None:
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    it.does(ChangeTransfer(1, Described(1000.0, "gsv"), "ann", ""))
    flows(it, "TK-1", RATE_M_S, 1800.0)
    it.passes(3600.0)
    unheard(it, 120.0)
    it.deed(TransferVerb.FINISH, 1)
    assert it.transfer(1).phase is TransferPhase.SETTLING
    it.passes(2400.0)
    (ticket,) = it.tickets()
    assert gsv(ticket) == pytest.approx(RATE_M_S * 1920.0 * AREA_M2, rel=1e-9)
    assert ticket.quality is Quality.GOOD


def test_what_came_to_rest_long_ago_is_closed_as_soon_as_somebody_says_that_it_is_over() -> None:
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    it.does(ChangeTransfer(1, Described(1000.0, "gsv"), "ann", ""))
    flows(it, "TK-1", RATE_M_S, 1800.0)
    it.passes(3600.0)
    it.deed(TransferVerb.FINISH, 1)
    assert it.transfer(1).phase is TransferPhase.CLOSED


def test_an_opening_says_what_the_loader_asks_of_it() -> None:
    """Practice, section 2: level 1 mm, 0.1 degC, water, TOV and GSV; by the clock of the site, and in UTC."""
    it = Life(plan=replace(PLAN, zone=ZoneInfo("Europe/Rome")))
    it.passes(1200.0)
    outcome = it.does(StartTransfer(None, TransferKind.RECEIPT, None, "TK-1", NOTHING_SAID, "ann"))
    # 5.000 m of 254.469 m2 are 1,272.3 m3; at 15 degC GSV is that less 0.035 m of water, 8.9 m3.
    assert outcome.lines[1] == (
        "TK-1: opening 2026-03-14 13:20 CET (2026-03-14 12:20 UTC), level 5,000 mm, 15.0 degC, water 35 mm, "
        "TOV 1,272 m3, GSV 1,263 m3, mass 1,058.8 t; Good"
    )
    assert [note for note in outcome.notes if "settled" in note] == []


def test_whoever_begins_before_the_tank_has_settled_is_told_how_long_still() -> None:
    it = life()
    flows(it, "TK-1", RATE_M_S, 600.0)
    it.does(TransferDeed(TransferVerb.CANCEL, 1, "ann", "a test of the pump"))
    it.passes(300.0)
    planned = it.does(PlanTransfer(TransferKind.DISPATCH, "TK-1", None, Described(100.0, "gsv"), "ann"))
    assert "TK-1 has not settled: still 25 min" in planned.notes
    started = it.does(StartTransfer(2, None, None, None, NOTHING_SAID, "ann"))
    said = "TK-1 had not settled at the opening: 25 min of rest were wanting"
    assert said in started.notes
    assert [mark.text for mark in it.transfer(2).marks] == [said], "whoever reads the ticket has to know"


@pytest.mark.parametrize(
    ("value", "measure", "words"),
    [
        (-0.0135, "gsv", "0.0 m3"),
        (-11.4, "mass", "0.0 t"),
        (0.25, "gsv", "0.3 m3"),
        (999.96, "tov", "1,000 m3"),
        (-1010.36, "gsv", "-1,010 m3"),
    ],
)
def test_amounts_in_sentences_are_rounded_as_on_the_screen(value: float, measure: str, words: str) -> None:
    """Half up, a tenth below a thousand, and never a minus before nothing."""
    assert amount_words(value, measure) == words


def test_whoever_cancels_what_has_moved_is_told_that_it_counts_in_no_book() -> None:
    """0.0003 m/s for 600 s in 254.469 m2: 45.8 m3."""
    it = life()
    it.starts(TransferKind.RECEIPT, target="TK-1")
    flows(it, "TK-1", RATE_M_S, 600.0)
    cancelled = it.does(TransferDeed(TransferVerb.CANCEL, 1, "ann", "a test of the pump"))
    (note,) = cancelled.notes
    assert note == "45.8 m3 GSV has moved since its opening: it counts in no book, and stands in the day's gain or loss"
    it.passes(3600.0)
    it.starts(TransferKind.RECEIPT, target="TK-1")
    assert it.does(TransferDeed(TransferVerb.CANCEL, 2, "ann", "no ship")).notes == ()
    it.starts(TransferKind.TANK_TO_TANK, source="TK-2", target="TK-1")
    flows(it, "TK-1", RATE_M_S, 600.0)
    assert it.does(TransferDeed(TransferVerb.CANCEL, 3, "ann", "a mixer")).notes == ()


def test_a_water_draw_is_told_by_its_water() -> None:
    """0.020 m of 254.469 m2 are 5.1 m3; the product stays what it was."""
    it = life()
    it.starts(TransferKind.WATER_DRAW, source="TK-1")
    tank = it.yard.tanks["TK-1"]
    it.yard.moves("TK-1", -0.02 / 600.0)
    for _ in range(60):
        tank.water_m -= 0.02 / 60.0
        it.passes(10.0)
    it.yard.moves("TK-1", 0.0)
    told = progress(it.transfer(1), it.latest, it.yard.now)
    assert told.measure == "free_water"
    it.deed(TransferVerb.FINISH, 1)
    it.passes(1700.0)
    closed = it.deed(TransferVerb.CLOSE, 1, "it is enough")
    assert closed.lines[0].startswith("ticket 1: 5.1 m3 free water, ")
