"""The page, joined to the rest of the gateway: what it is told comes from here, and nothing there waits for it."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple, Protocol

from gateway import __version__
from gateway.account.days.boundary import day_of
from gateway.actions.second_person import Waiting
from gateway.approving import Approving
from gateway.binding import TankBinding
from gateway.calculation.plan import TankPlan
from gateway.clock import Clock
from gateway.deliveries import Deliveries
from gateway.delivery.slices import joined
from gateway.desk.site_accounts import SiteAccounts
from gateway.house_watch import HouseWatch
from gateway.keeping import Keeping
from gateway.page_answers.joining import page_answers
from gateway.page_answers.parts import Parts
from gateway.page_site import Told, site_pieces
from gateway.payload.alarms import alarm_documents
from gateway.payload.lines import lines_json
from gateway.payload.page_view import AtWork, destination_documents, entered_documents, line_documents
from gateway.payload.plain import iso_time
from gateway.payload.readings import readings_pieces
from gateway.payload.told import sentence_documents
from gateway.pipeline import Pipeline
from gateway.settings import SiteSettings
from gateway.site_desk.answers import SiteAnswers
from gateway.site_desk.desk import SiteDesk
from gateway.status import GatewaySnapshot, LineStatus
from gateway.tank_record import TankRecord
from gateway.tank_state import AlarmNow, AlarmPhase
from gateway.watched_tank import Tank
from gateway.web.assets import Assets
from gateway.web.interface.part import Interface
from gateway.web.part import WebPart
from gateway.web.stream.feed import Feed
from gateway.web.stream.routes import LiveView

__all__ = ["Around", "Page", "lines_now", "readings_now"]

_FOLDER = Path(__file__).resolve().parent / "web" / "page"


@cache
def _files() -> Assets:
    """Read once, when somebody serves them."""
    return Assets(_FOLDER)


class Gateway(Protocol):
    """What the page asks of a running gateway. Each is cheap: what it gives is there already."""

    acting: Approving

    @property
    def settings(self) -> SiteSettings: ...

    @property
    def http_port(self) -> int | None: ...

    def line_statuses(self) -> Iterable[LineStatus]: ...

    def snapshot(self) -> GatewaySnapshot: ...


class Around(NamedTuple):
    """Of the gateway, by what the page shows of it."""

    pipeline: Pipeline
    accounts: SiteAccounts
    acting: Approving
    deliveries: Deliveries
    house: HouseWatch
    keeping: Keeping


class Page:
    """A `LiveSource`, and what the servers of the gateway get of it."""

    def __init__(
        self, gateway: Gateway, boot: str, time_factor: float, around: Around, clock: Clock, machine: Clock
    ) -> None:
        """`clock`: of tanks and their readings; `machine`: of all else."""
        self._gateway = gateway
        self._around = around
        self._clock = clock
        self._machine = machine
        self._told = Told(__version__, boot, time_factor)
        self._feed = Feed(self)
        parts = Parts(gateway, around.pipeline, around.keeping, clock)
        self.site_desk = SiteDesk(parts)
        self.answers = {**page_answers(parts), **SiteAnswers(parts, self.site_desk).handlers()}
        """What is asked for and done, by the name of its endpoint."""
        self._tanks: Sequence[Tank] = ()
        """Of the pipeline, when it was last looked at what is watched."""
        self._watched: tuple[SiteSettings, Sequence[TankPlan]] | None = None
        self._version = 0
        self._alarmed: tuple[tuple[AlarmNow, ...], Mapping[str, Any]] = (), {"alarms": [], "sentences": []}
        """As they stood when they were last told of, and what was told."""
        self._site = 0, b""
        """By the version of which it is."""

    def heard(self, record: TankRecord) -> None:
        """Every record of every tank."""
        self._feed.heard(record)

    def parts(self) -> Sequence[WebPart]:
        """Of one server."""
        return (_files(), LiveView(self._feed, self), Interface(self.answers))

    async def run(self) -> None:
        """As a loop of the gateway, which can do without it."""
        await self._feed.run()

    # What the live view is made from

    @property
    def boot(self) -> str:
        return self._told.boot

    def now(self) -> datetime:
        return datetime.fromtimestamp(self._clock.utc_ns() / 1e9, UTC)

    def machine_now(self) -> datetime:
        return datetime.fromtimestamp(self._machine.utc_ns() / 1e9, UTC)

    def records(self) -> Sequence[TankRecord]:
        return self._around.pipeline.records()

    def maintenance(self) -> Mapping[str, Sequence[AtWork]]:
        return {
            tank.plan.tank: [AtWork(each.instrument, each.until, each.by) for each in tank.binding.maintenance]
            for tank in self._around.pipeline.watched()
            if tank.binding.maintenance
        }

    def alarms(self) -> Mapping[str, Any]:
        found = (*self._around.house.alarms(), *self._around.pipeline.alarms())
        if found == self._alarmed[0]:
            return self._alarmed[1]
        standings = [each.standing for each in found]
        reasons = [each.reason for each in standings if each.reason is not None and each.phase is not AlarmPhase.NORMAL]
        made = {"alarms": alarm_documents(found), "sentences": sentence_documents(reasons)}
        self._alarmed = found, made
        return made

    def others(self) -> Mapping[str, Any]:
        around = self._around
        return {
            "lines": line_documents(self._gateway.line_statuses(), around.house.alarms()),
            "destinations": destination_documents(around.deliveries.statuses()),
            "transfers": around.accounts.open_transfers(),
            "next_day_close": iso_time(day_of(self._gateway.settings.account, self.now()).end),
            "entered": entered_documents(around.acting.entered()),
            "waiting": [_waiting(each) for each in around.acting.waiting()],
            "site_file": [each._asdict() for each in self.site_desk.briefs()],
        }

    def site_version(self) -> int:
        """Counts. Where something was reloaded, it is looked at once whether that is another."""
        tanks = self._around.pipeline.watched()
        if tanks is not self._tanks:
            now = self._gateway.settings, [tank.plan for tank in tanks]
            self._version += now != self._watched
            self._tanks, self._watched = tanks, now
        return self._version

    def _watched_now(self) -> list[tuple[TankPlan, TankBinding]]:
        return [(tank.plan, tank.binding) for tank in self._around.pipeline.watched()]

    async def site(self) -> bytes:
        version = self.site_version()
        if self._site[0] != version:
            made = await joined(site_pieces(self._gateway.settings, self._watched_now(), self._told))
            self._site = version, made
        return self._site[1]


def _waiting(waiting: Waiting) -> dict[str, Any]:
    """What its like is for whoever only counts it: what it would do, and why, is told where it is decided on."""
    return {
        "request": waiting.number,
        "action": str(waiting.asked.get("action", "")),
        "tank": str(waiting.asked["tank"]) if "tank" in waiting.asked else None,
        "by": waiting.by,
        "ends": iso_time(waiting.ends),
    }


def lines_now(snapshot: GatewaySnapshot, machine: Clock) -> bytes:
    """By the machine's time, as lines go and count, also where the site has a time of its own."""
    return lines_json(snapshot._replace(instant=datetime.fromtimestamp(machine.utc_ns() / 1e9, UTC)))


def readings_now(snapshot: GatewaySnapshot, settings: SiteSettings, pipeline: Pipeline) -> Iterator[bytes]:
    """In pieces."""
    addresses = {line.name: str(line.primary) for line in settings.lines}
    return readings_pieces(snapshot, addresses, pipeline.readings(), settings.signal_units)
