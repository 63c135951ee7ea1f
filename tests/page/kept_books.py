"""A ledger with three closed days of an invented yard, made on a clock of its own, for a gateway to be started on.

Two tanks of diesel of 18.000 m; what is moved, measured by others, late, estimated and taken back is said below.
"""

import asyncio
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from gateway.account.plan import AccountPlan
from gateway.records import Quality, Reason, ReasonCode
from tests.support.account_desk import Desk
from tests.support.account_yard import Tank, Yard

__all__ = ["KeptBooks", "kept_books"]

ZONE = "Europe/London"
_RATE_M_S = 2.0e-4
_DOUBT = Reason(ReasonCode.ELEMENT_FAILED, "element 2 of 5 has failed")


class KeptBooks:
    """Of which days they are. In the first nothing moves; a document of the second comes late; at the end of the third
    one tank moves and the other is Uncertain. The day before them has nothing to open from."""

    def __init__(self, now: datetime) -> None:
        self.boundary = now.replace(minute=0, second=0, microsecond=0) - timedelta(hours=1)
        self.begin = self.boundary - timedelta(days=3)
        local = [(self.begin + timedelta(days=each)).astimezone(ZoneInfo(ZONE)) for each in range(3)]
        self.days = [f"{each:%Y-%m-%d}" for each in local]
        self.boundary_text = f"{local[0]:%H:%M}"
        self.plan = AccountPlan(
            ZoneInfo(ZONE),
            ZONE,
            boundary=time(local[0].hour, 0),
            simulated=True,
            owners={"TK-52": "Ostrava Fuels"},
            proposes=False,
        )


def kept_books(folder: Path) -> tuple[KeptBooks, Path]:
    """Made up to an hour ago; and the file."""
    books = KeptBooks(datetime.now(UTC))
    return books, asyncio.run(_lived(folder, books))


async def _lived(folder: Path, books: KeptBooks) -> Path:
    tanks = {"TK-51": Tank("TK-51", level_m=5.0), "TK-52": Tank("TK-52", level_m=8.0)}
    yard = Yard(tanks, now=books.begin - timedelta(hours=1))
    for tank in tanks.values():
        tank.since = yard.now - timedelta(hours=6)
    desk = Desk(folder, yard=yard, plan=books.plan)
    await desk.begin()
    await _until(desk, books.begin + timedelta(hours=2))
    # The first day: nothing but its close, from which the second opens.
    await _until(desk, books.begin + timedelta(days=1, hours=2))
    await _receipt(desk)
    await _dispatch(desk)
    given = {"action": "amount", "product": "diesel", "measure": "gsv"}
    await desk.well(**given, kind="receipt", source="ship", amount="366 m3", reference="BL-2041", ticket="1")
    await _until(desk, books.begin + timedelta(days=2, hours=1))
    # Late, and of the day that is closed: it gets another revision.
    at = (books.begin + timedelta(days=1, hours=9)).strftime("%Y-%m-%dT%H:%MZ")
    late = {"kind": "dispatch", "source": "rack", "reference": "LOAD-118", "ticket": "2"}
    await desk.well(**given, **late, amount="92.4 m3", at=at, why="the rack's figures came late")
    await desk.well(**given, kind="own_use", source="meter", amount="1.5 m3", reference="MTR-7")
    await desk.well(**given, kind="own_use", source="meter", amount="1.5 m3", reference="MTR-7b")
    await desk.well(action="reverse-amount", amount="4", why="entered twice")
    await _until(desk, books.boundary - timedelta(minutes=10))
    tanks["TK-51"].quality, tanks["TK-51"].reasons = Quality.UNCERTAIN, (_DOUBT,)
    # Over the boundary 30.5 m3 run out of TK-52 in its last 10 minutes, and nobody ever says what that was.
    yard.moves("TK-52", -_RATE_M_S)
    await _until(desk, books.boundary + timedelta(minutes=20), every_s=60.0)
    yard.moves("TK-52", 0.0)
    await _until(desk, books.boundary + timedelta(minutes=55), every_s=60.0)
    await desk.keeping.close(None)
    return desk.file


async def _receipt(desk: Desk) -> None:
    """366.4 m3 observed (7200 s of 2e-4 m/s over the area of the tank) into TK-51: ticket 1."""
    await desk.well(
        action="start-transfer",
        kind="receipt",
        target="TK-51",
        partner="MT Samphire",
        reference="BL-2041",
        amount="360 m3",
    )
    await _moves(desk, "TK-51", _RATE_M_S, 7200.0)


async def _dispatch(desk: Desk) -> None:
    """91.6 m3 observed out of TK-52: ticket 2."""
    await desk.well(action="start-transfer", kind="dispatch", source="TK-52", partner="road cars", reference="LOAD-118")
    await _moves(desk, "TK-52", -_RATE_M_S, 1800.0)


async def _moves(desk: Desk, tag: str, rate_m_s: float, seconds: float) -> None:
    desk.every_s = 60.0
    desk.yard.moves(tag, rate_m_s)
    await desk.passes(seconds)
    desk.yard.moves(tag, 0.0)
    await desk.passes(2400.0)


async def _until(desk: Desk, instant: datetime, every_s: float = 600.0) -> None:
    desk.every_s = every_s
    await desk.passes((instant - desk.yard.now).total_seconds(), days=True)
