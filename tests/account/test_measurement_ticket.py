"""The measurement ticket of a tank against what is published, through the real calculation and the real watch.

Published: the chain of a static tank measurement of API MPMS 17 as quoted publicly (TOV - FW = GOV, GOV * VCF = GSV at
opening and closing; GSV of the opening less GSV of the closing is the GSV transferred, and never the difference of the
observed volumes at one temperature); what a measurement ticket by tank gauging has to carry: 43 CFR 3174.12(a); a
worked gauging of the US Army's training course QM 5180, "Example of Volume Correction (Innage Gaging)".
"""

import pytest

from gateway.account.commands import Described, StartTransfer
from gateway.account.gauging import Gauging, gauging_of
from gateway.account.ticket import Ticket
from gateway.account.transfer import Direction, MarkKind, Side, Transfer, TransferKind, TransferPhase
from gateway.account.transfers.acts import act
from gateway.account.transfers.book import TransferBook, book_of
from gateway.account.transfers.follow import follow
from gateway.account.transfers.moved import between, ticket_side, uncertainty_of
from gateway.account.transfers.restart import resumed
from gateway.account.uncertainty import of_sides
from gateway.ledger.document_reading import ticket_from
from gateway.records import Figure, Quality, ReasonCode, TankInput
from gateway.tank_record import Identity, TankRecord
from gateway.tank_state import TankState
from tests.support.account_yard import AREA_M2, PLAN, Tank, Yard
from tests.watch.course.life import Life as Watched
from tests.watch.course.life import demo_tank

US_GALLON_M3 = 0.003785411784
HOUR = 3600.0


class Depot:
    """TK-101 of the demo site (practice.md section 5): its sheets, its watch, and the book of its transfers."""

    def __init__(self, noise_m: float = 0.0) -> None:
        self.watched = Watched(demo_tank("TK-101"), noise_m=noise_m)
        self.book: TransferBook = book_of()
        self.tickets: list[Ticket] = []
        self.records: list[TankRecord] = []
        self.boot = "boot-1"

    def told(self) -> None:
        """What was watched since goes to the book, sheet by sheet."""
        for each in self.watched.told[len(self.records) :]:
            course = each.course
            state = TankState(course.motion, course.since, course.rate, course.level_rate, (), course.activity)
            identity = Identity("demo", "TK-101", self.boot, len(self.records) + 1)
            given = TankInput("TK-101", each.inventory.instant, steady_s=self.watched.steady_off_s + each.second)
            self.records.append(TankRecord(identity, given, each.inventory, state, plan="plan-1"))
            self.take(follow(self.book, PLAN, self.records[-1]))

    def restarts(self) -> None:
        """All that is not kept is gone."""
        last = {"TK-101": self.records[-1]}
        self.book = book_of(self.book.transfers.values(), self.tickets)
        self.boot = "boot-2"
        self.take(resumed(self.book, last, self.watched.instant()))

    def take(self, result: object) -> None:
        if isinstance(result, tuple):
            self.book, outcome = result
            self.tickets += [ticket_from(paper.document) for paper in outcome.papers if paper.key.startswith("ticket")]

    def starts(self, kind: TransferKind, source: str | None, target: str | None) -> None:
        sheets = {"TK-101": self.records[-1]}
        command = StartTransfer(None, kind, source, target, Described(), "ann")
        self.take(act(self.book, PLAN, command, sheets, (), sheets["TK-101"].inventory.instant))

    @property
    def only_transfer(self) -> Transfer:
        (transfer,) = self.book.transfers.values()
        return transfer


def amount(figure: Figure) -> float:
    assert figure.value is not None
    return figure.value


def test_a_dispatch_from_tk_101_by_hand() -> None:
    """1,200 m3 leave, and the liquid is 0.9 degC warmer when it has settled.

    Opening, as practice.md section 5 prints it: 9.412 m, water 0.035 m, 14.70 degC: TOV 2395.1, FW 8.9, GOV 2386.2,
    CTL 1.00025, GSV 2386.8 m3, mass 2000.1 t. Closing, worked by hand: 9.412 - 1200/254.46900 = 4.696298 m; TOV
    1195.0623, FW 8.9064, GOV 1186.1559 m3; at 15.6 degC x = 0.000846 * 0.6 = 0.0005076, CTL = exp(-x (1 + 0.8 x)) =
    0.99949232, GSV 1185.5537 m3, mass 993.4940 t. Moved: GSV 2386.7614 - 1185.5537 = 1201.2077 m3; mass 1006.6121 t.
    """
    depot = Depot()
    depot.watched.rest(2400, 9.412, 14.7)
    depot.told()
    depot.starts(TransferKind.DISPATCH, "TK-101", None)
    level_m = depot.watched.flow(4 * HOUR, 9.412, -300.0, 14.7)
    depot.watched.rest(2400, level_m, 15.6)
    depot.told()
    (ticket,) = depot.tickets
    opening, closing = ticket.sides[0].opening, ticket.sides[0].closing
    shown = {name: round(opening.value(name) or 0.0, 1) for name in ("tov", "free_water", "gov", "gsv")}
    assert shown == {"tov": 2395.1, "free_water": 8.9, "gov": 2386.2, "gsv": 2386.8}
    assert round((opening.value("mass") or 0.0) / 1000.0, 1) == 2000.1
    assert closing.value("level") == pytest.approx(4.696298, abs=1e-6)
    assert closing.value("ctl") == pytest.approx(0.99949232, abs=1e-8)
    assert amount(ticket.moved["tov"]) == pytest.approx(1200.0, abs=1e-6)
    assert amount(ticket.moved["gsv"]) == pytest.approx(2386.7614 - 1185.5537, abs=2e-4)
    assert amount(ticket.moved["mass"]) / 1000.0 == pytest.approx(1006.6121, abs=2e-4)
    assert ticket.quality is Quality.GOOD
    # Not what a difference of observed volumes would give at the temperature of either end.
    assert abs(amount(ticket.moved["gsv"]) - 1200.0 * (opening.value("ctl") or 0.0)) > 0.5
    assert abs(amount(ticket.moved["gsv"]) - 1200.0 * (closing.value("ctl") or 0.0)) > 0.5


def test_the_army_s_worked_gauging_is_what_leaves_a_tank_that_is_emptied_to_its_water() -> None:
    """QM 5180: 17,181.4 gal less 255.6 gal of bottoms are 16,925.8 gal; by 0.9950 they are 16,841.2 gal at 60 degF.

    Emptied down to the bottoms there are 255.6 gal in the tank and no product.
    """
    full = _gauged(17_181.4, 255.6, 0.9950)
    empty = _gauged(255.6, 255.6, 0.9950)
    moved = between(Direction.OUT_OF, full, empty)
    assert amount(moved["gov"]) / US_GALLON_M3 == pytest.approx(16_925.8)
    assert round(amount(moved["gsv"]) / US_GALLON_M3, 1) == 16_841.2
    assert amount(between(Direction.INTO, full, empty)["gsv"]) == -amount(moved["gsv"])


def _gauged(tov_gal: float, water_gal: float, vcf: float) -> Gauging:
    sheet = gauging_of(Yard({"TK-1": Tank("TK-1")}).sheet("TK-1"))
    gov_gal = tov_gal - water_gal
    given = {"tov": tov_gal, "free_water": water_gal, "gov": gov_gal, "gsv": gov_gal * vcf}
    figures = {name: Figure(value * US_GALLON_M3, Quality.GOOD, (), 0.0) for name, value in given.items()}
    return sheet._replace(figures={**sheet.figures, **figures})


def test_a_ticket_carries_what_the_law_asks_of_a_measurement_ticket_by_tank_gauging() -> None:
    """43 CFR 3174.12(a): a unique number; (2) the tank; (3) opening and closing dates and times; (4) gauges and
    observed temperatures; (5) observed volumes; (6) the total gross standard volume; (7, 8) the density, and at which
    temperature; (9) S&W; (11) who. Lease (1), seals (10) and operator (12) are none of a tank gauge's."""
    depot = Depot()
    depot.watched.rest(2400, 9.412, 14.7)
    depot.told()
    depot.starts(TransferKind.DISPATCH, "TK-101", None)
    level_m = depot.watched.flow(HOUR, 9.412, -300.0, 14.7)
    depot.watched.rest(2400, level_m, 14.7)
    depot.told()
    (ticket,) = depot.tickets
    assert ticket.number == 1
    (side,) = ticket.sides
    assert side.tank == "TK-101"
    assert side.opening.instant < side.closing.instant
    for gauging in (side.opening, side.closing):
        for name in ("level", "liquid_temperature", "tov", "reference_density", "observed_density"):
            assert gauging.value(name) is not None, name
        assert "sediment_water" in gauging.figures
        assert gauging.reference_temperature_c == 15.0
    assert amount(ticket.moved["gsv"]) > 0.0
    assert ticket.by == "", "the gateway by itself, and says so"


@pytest.mark.parametrize("flow_m3_h", [30.0, 300.0, -300.0])
def test_a_movement_that_the_watch_notices_late_is_proposed_whole(flow_m3_h: float) -> None:
    """With noise of 0.5 mm and steps of 1 mm the watch hears of 300 m3/h after a minute, of 30 m3/h after five: by then
    2.5 m3 are in the tank."""
    depot = Depot(noise_m=0.0005)
    depot.watched.rest(3600, 5.0)
    level_m = depot.watched.flow(2 * HOUR, 5.0, flow_m3_h)
    depot.watched.rest(3600, level_m)
    depot.told()
    transfer = depot.only_transfer
    assert transfer.phase is TransferPhase.PROPOSED
    (side,) = transfer.sides
    assert side.opening is not None
    assert side.closing is not None
    moved = between(side.direction, side.opening, side.closing)
    # Either end is off by the noise of one reading: 1 mm is 0.25 m3.
    assert amount(moved["gsv"]) == pytest.approx(abs(flow_m3_h) * 2.0, abs=1.0)


@pytest.mark.parametrize("extra_m3", [0.0, 60.0])
def test_a_reboot_in_the_middle_through_the_real_watch(extra_m3: float) -> None:
    """300 m3/h for 20 min, 15 min without a gateway, 20 min more: 275 m3, and what came besides in the meantime."""
    depot = Depot(noise_m=0.0005)
    depot.watched.rest(2400, 5.0)
    depot.told()
    depot.starts(TransferKind.RECEIPT, None, "TK-101")
    level_m = depot.watched.flow(1200, 5.0, 300.0)
    depot.told()
    depot.watched.restart(900.0)
    depot.restarts()
    level_m = depot.watched.flow(1200, level_m + (75.0 + extra_m3) / AREA_M2, 300.0)
    depot.watched.rest(2400, level_m)
    depot.told()
    (ticket,) = depot.tickets
    assert amount(ticket.moved["gsv"]) == pytest.approx(275.0 + extra_m3, abs=1.0)
    assert [mark.kind for mark in ticket.marks] == [MarkKind.GAP]
    if extra_m3:
        assert [reason.code for reason in ticket.reasons] == [ReasonCode.UNWATCHED]
        assert ticket.quality is Quality.UNCERTAIN
    else:
        assert ticket.quality is Quality.GOOD


def test_how_well_the_amount_is_known_stands_on_the_ticket() -> None:
    """By the rules of GUM, of `account.uncertainty`: handed in, so that site and gauge decide."""
    yard = Yard({"TK-1": Tank("TK-1", level_m=9.0)})
    opening = gauging_of(yard.sheet("TK-1"))
    yard.tanks["TK-1"].level_m = 4.0
    closing = gauging_of(yard.sheet("TK-1"))
    side = ticket_side(Side("TK-1", Direction.OUT_OF), opening, closing)
    alone = of_sides([side])
    found = uncertainty_of(TransferKind.DISPATCH, [side], lambda first, last: of_sides([side]))
    assert found == pytest.approx(alone)
    two = uncertainty_of(TransferKind.DISPATCH, [side, side], lambda first, last: {"gsv": 3.0, "mass": 4.0})
    # sqrt(3^2 + 3^2), sqrt(4^2 + 4^2)
    assert two == pytest.approx({"gsv": 4.242640687, "mass": 5.656854249})
    unknown = uncertainty_of(TransferKind.DISPATCH, [side], lambda first, last: {})
    assert unknown == {}
