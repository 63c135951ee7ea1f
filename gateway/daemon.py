"""The running gateway: sources, pipeline, destinations and the HTTP interface wired together, each loop supervised."""

import random
import secrets
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

import structlog

from gateway import __version__
from gateway.acquisition.source import Sink, Source, SourcePlan
from gateway.acquisition.source import Surroundings as SourceSurroundings
from gateway.acquisition.source_kinds import make_source
from gateway.approving import Approving
from gateway.asked_late import AskedLate
from gateway.changes import Changes, changes_between
from gateway.clock import Clock, SystemClock
from gateway.clock_watch import is_impossible
from gateway.deliveries import Deliveries, Walled, loop_name
from gateway.delivery.contract import GOODBYE_S, DeliveryPlan, Destination
from gateway.delivery.contract import Surroundings as DeliverySurroundings
from gateway.delivery.destinations import make_destination, takes_history, takes_records
from gateway.delivery.metrics import Metrics
from gateway.delivery.slices import joined
from gateway.desk.site_accounts import SiteAccounts
from gateway.end_clock import EndClock
from gateway.house_watch import HouseWatch
from gateway.keeping import Open, nothing_kept
from gateway.page_joining import Around, Page, lines_now, readings_now
from gateway.payload.alarms import alarms_json
from gateway.payload.writer import inventories_pieces
from gateway.pipeline import Pipeline
from gateway.process.progress import Progress
from gateway.process.service_manager import ServiceManager
from gateway.process.stop_time import StopTime
from gateway.process.supervision import Loops
from gateway.process.tasks import Loop
from gateway.process.time_sync import synchronised_ns
from gateway.readiness import readiness_of
from gateway.remembering import Remembering
from gateway.rounds import look_after, tell_manager, tick
from gateway.scenario_time import ScenarioClock
from gateway.settings import SiteSettings
from gateway.site_access import access_of, access_status
from gateway.site_alarms import SiteAlarms
from gateway.status import GatewaySnapshot, LineStatus
from gateway.tank_record import TankRecord
from gateway.tank_scales import TankScales
from gateway.watch.house import House
from gateway.web.plan import HttpPlan, Readiness
from gateway.web.server import HttpServer

__all__ = ["Daemon"]

GATEWAY_STARTED = "gateway.started"
GATEWAY_STOPPED = "gateway.stopped"

_TICK_S = 0.5
_SHORTEST_TICK_S = 0.02
_TICK_LATE_S = 30.0
_LOOP_LATE_S = 120.0
"""More than a loop waits to be begun again."""
_SOURCES_END_S = 3.0
"""Longest a reload waits for what reads."""


class Daemon:
    """One site. `run` until cancelled; `snapshot` at any time from the same loop."""

    def __init__(
        self,
        settings: SiteSettings,
        *,
        clock: Clock | None = None,
        time_factor: float = 1.0,
        jitter: random.Random | None = None,
        log_lines_dropped: Callable[[], int] = lambda: 0,
        manager: ServiceManager | None = None,
        keep: Open = nothing_kept,
        people: Path | None = None,
    ) -> None:
        self._settings = settings
        self._scales = TankScales(lambda: self._settings.tanks)
        self._manager = ServiceManager() if manager is None else manager
        self._log_lines_dropped = log_lines_dropped
        self._machine: Clock = SystemClock() if clock is None else clock
        """Of loops, destinations and the service manager."""
        assert time_factor == 1.0 or settings.simulated, "the time of a real site is the machine's"
        self._time_factor = time_factor
        self._scenario = ScenarioClock(self._machine, time_factor) if time_factor != 1.0 else None
        self._clock: Clock = self._machine if self._scenario is None else self._scenario
        """Of tanks and their readings."""
        self._jitter = random.Random() if jitter is None else jitter
        self._boot = secrets.token_hex(16)
        self._started_ns = self._clock.utc_ns()
        self._log = structlog.get_logger("gateway.daemon")
        self._progress = Progress(self._machine)
        """Of what the gateway cannot do without."""
        self._deliveries_progress = Progress(self._machine)
        self.site_file_refused = False
        """Whether the file, as it was last read again, is not what is watched."""
        self._loops = Loops(self._machine, self._jitter, self._begun)
        self._deliveries = Deliveries(self._loops, self._destination)
        self._keeping = keep(self._boot, self._clock)
        self._ends = EndClock(self._clock, synchronised_ns)
        self.acting = Approving(
            settings,
            self._keeping,
            self._clock,
            lambda binding: self._pipeline.rebind(binding),
            refit=lambda setup: self._pipeline.refit(setup.plan, setup.binding, setup.watch),
            ends=self._ends,
        )
        self._pipeline = Pipeline(
            settings.name,
            self._boot,
            self.acting.watched(settings),
            self._take,
            self._clock,
            settings.maps,
            self.acting.watches(),
            self._ends,
        )
        self._accounts = SiteAccounts(self._boot, settings, self._keeping, self._clock, self._pipeline, self.acting)
        self._house_watch = HouseWatch(self._house, self._clock, self._keeping.events)
        self.acting.alarms = SiteAlarms(self._pipeline, self._house_watch, self._clock)
        self._remembering = Remembering(self._keeping, self._pipeline, self._house_watch)
        self._remembering.go_on()
        self._sources = {plan.name: self._source(plan) for plan in settings.sources}
        self._deliveries.add(self._deliveries.made(settings.deliveries))
        self._keep_outboxes()
        self._metrics = Metrics(self.snapshot)
        self.access = access_of(people, settings.name, self._machine, self._keeping, self.acting)
        watching = (self._pipeline, self._accounts, self.acting, self._deliveries, self._house_watch)
        self._page = Page(self, self._boot, time_factor, Around(*watching, self._keeping), self._clock, self._machine)
        self.site_desk = self._page.site_desk
        self._http = None if settings.http is None else self._server(settings.http)

    async def run(self, beside: Mapping[str, Loop] | None = None) -> None:
        """Poll, calculate and deliver until cancelled. Expected faults stay inside; nothing else ends it.

        `beside`: loops by name that are kept going with the gateway and end first of all.
        """
        self._log.info(
            GATEWAY_STARTED,
            site=self._settings.name,
            version=__version__,
            boot=self._boot,
            tanks=len(self._settings.tanks),
            lines=len(self._sources),
            simulated=self._settings.simulated,
        )
        self._deliveries.begin()
        if self._http is not None:
            self._loops.begin("http", self._http.run)
        self._loops.begin("page", self._page.run)
        self._loops.begin("people", self.access.run)
        self._loops.begin("deliveries", self._look_after_deliveries)
        self._loops.begin("tick", self._tick)
        self._loops.begin("entries", self.acting.run)
        self._accounts.begin(self._loops)
        self._begin_sources([plan for plan in self._settings.sources if plan.instruments])
        if self._keeping.remembers:
            self._loops.begin("memory", self._remembering.run)
        if self._manager.listens:
            self._loops.begin(
                "service manager",
                lambda: tell_manager(self._manager, self.readiness, self._progress, self._machine),
            )
        for name, loop in (beside or {}).items():
            self._loops.begin(name, loop)
        try:
            raise await self._loops.fault()
        finally:
            await self._stop(beside or {})

    async def _stop(self, beside: Mapping[str, Loop]) -> None:
        """In the order in which data flows: sources, pipeline, destinations, what is kept."""
        left = StopTime(self._machine)
        try:
            await self._loops.end(beside, within_s=left.for_sources())
        finally:
            try:
                tellers = {*map(loop_name, self._deliveries.plans), "http"}
                others = [name for name in self._loops.names if name not in tellers]
                await self._loops.end(others, within_s=left.for_sources())
            finally:
                try:
                    # Nothing is read any more: now those who tell the world may say so, and end.
                    last = self._pipeline.finish()
                    self._deliveries.finish(last)
                    for record in last:
                        self._keeping.offer(record, self._pipeline.plan_text, self._pipeline.watch_memory)
                finally:
                    written = self._keeping.keep(self._remembering.memories(whole=True))
                    await self._loops.end_all(within_s=left.for_deliveries(GOODBYE_S))
                    await self._keeping.close(written, left.for_keeping())
                    self._log.info(GATEWAY_STOPPED, site=self._settings.name)

    @property
    def settings(self) -> SiteSettings:
        """What it watches."""
        return self._settings

    async def take_over(self, settings: SiteSettings) -> Changes:
        """Watch what another site file describes; what is the same in both goes on undisturbed.

        `settings` are of the same site. All that is new is made, and has its port, before anything is ended: where that
        fails, the error leaves this and all goes on as it was.
        """
        self.acting.refuse(settings)
        old, changes = self._settings, changes_between(self._settings, settings)
        server: HttpServer | None = None
        try:
            if changes.http and settings.http is not None:
                server = self._server(settings.http)
                await server.reserve(port_is_own=old.http is not None and old.http.port == settings.http.port)
            sources = {plan.name: self._source(plan) for plan in settings.sources if plan.name in changes.sources.begun}
            begun = [plan for plan in settings.deliveries if plan.name in changes.deliveries.begun]
            destinations = self._deliveries.made(begun)
        except BaseException:
            self._forget(changes.sources.added, changes.deliveries.added)
            # Nothing is held back for a destination that never came to be.
            self._keep_outboxes()
            if old.http is None:
                self._progress.forget("http")
            raise
        await self._loops.end([f"line {name}" for name in changes.sources.ended], within_s=_SOURCES_END_S)
        # From here on without a pause until all that reads and calculates is what the new file says.
        self._sources = {plan.name: sources.get(plan.name) or self._sources[plan.name] for plan in settings.sources}
        self._settings = settings
        self._keeping.take_over(settings.ledger)
        self._accounts.take_over(settings)
        self._forget(changes.sources.removed, ())
        tanks = self.acting.watched(settings)
        last = self._pipeline.change(tanks, changes.forgotten, settings.maps, self.acting.watches())
        for record in last:
            self._take(record)
        self._remembering.tanks_changed()
        self._begin_sources([plan for plan in settings.sources if plan.name in sources and plan.instruments])
        await self._change_deliveries(old, changes, destinations, last)
        if changes.http:
            await self._loops.end(["http"], within_s=GOODBYE_S)
            self._http = server
            if server is not None:
                self._loops.begin("http", server.run)
            else:
                self._progress.forget("http")
        return changes._replace(sentences=(*changes.sentences, *self.acting.remarks()))

    async def _change_deliveries(
        self, old: SiteSettings, changes: Changes, begun: Sequence[Walled], last: Sequence[TankRecord]
    ) -> None:
        """Where another writes to the same place from now on, no tank is said to be unwatched there.

        `last` are the last words of tanks that are gone, which their topics have to say.
        """
        places = {plan.place for plan in self._settings.deliveries}
        before = {plan.place for plan in old.deliveries}
        gone = [plan for plan in old.deliveries if plan.name in changes.deliveries.ended]
        farewell = self._pipeline.farewell() if any(plan.place not in places for plan in gone) else []
        ended = self._deliveries.take_out([(plan, () if plan.place in places else farewell) for plan in gone])
        self._forget((), changes.deliveries.removed)
        self._deliveries.add(begun)
        self._deliveries.arrange(self._settings.deliveries)
        for walled in begun:
            for record in (*(last if walled.plan.place in before else ()), *self._pipeline.records()):
                walled.offer(record)
        await self._deliveries.replace(ended, begun)
        self._keep_outboxes()

    def _keep_outboxes(self) -> None:
        self._keeping.keep_outboxes(self._deliveries.takers_of_history)

    def _take(self, record: TankRecord) -> None:
        """Live first: it waits for no disk."""
        self._deliveries.offer(record)
        self._keeping.offer(record, self._pipeline.plan_text, self._pipeline.watch_memory)
        self._house_watch.heard(record.events)
        self._accounts.heard(record)
        self._page.heard(record)

    def _forget(self, sources: Sequence[str], deliveries: Sequence[str]) -> None:
        for name in sources:
            self._progress.forget(f"line {name}")
        for name in deliveries:
            self._deliveries_progress.forget(f"delivery {name}")

    def snapshot(self) -> GatewaySnapshot:
        """The present state, for metrics, pages and the gateway's own status."""
        sources = tuple(self._sources.values())
        return GatewaySnapshot(
            site=self._settings.name,
            boot=self._boot,
            version=__version__,
            simulated=self._settings.simulated,
            started_ns=self._started_ns,
            instant=datetime.fromtimestamp(self._clock.utc_ns() / 1e9, UTC),
            inventories=self._pipeline.records(),
            lines=self.line_statuses(),
            instruments=AskedLate(lambda: [each for source in sources for each in source.instrument_statuses()]),
            destinations=AskedLate(self._deliveries.statuses),
            calculation_errors=self._pipeline.calculation_errors,
            tanks=tuple(tank.plan.tank for tank in self._settings.tanks),
            time_zone=self._settings.time_zone,
            log_lines_dropped=self._log_lines_dropped(),
            time_factor=self._time_factor,
            ledger=self._keeping.status(),
            site_file_refused=self.site_file_refused,
            alarms=(*self._house_watch.alarms(), *self._pipeline.alarms()),
            entered=self.acting.entered(),
            alarms_before=self._remembering.alarms_before,
            accounts=self._accounts.status(),
            access=None if self._settings.http is None else access_status(self.access),
        )

    def line_statuses(self) -> list[LineStatus]:
        """How each line does."""
        return [source.status() for source in self._sources.values()]

    def healthy(self) -> bool:
        """Whether the gateway's own loops have come round lately. Says nothing about instruments or brokers."""
        return not self._progress.late()

    def readiness(self) -> Readiness:
        """Whether all that is watched can be: every line in use connected, no tank Bad or without a sheet."""
        return readiness_of(self._pipeline.records(), self._used_lines(), len(self._settings.tanks))

    def _used_lines(self) -> list[LineStatus]:
        return [self._sources[plan.name].status() for plan in self._settings.sources if plan.instruments]

    def _house(self) -> House:
        return House(
            self._settings.gateway_alarms,
            self._used_lines(),
            self._deliveries.statuses(),
            self._keeping.status(),
            is_impossible(self._clock.utc_ns()),
            self.site_file_refused,
            self._ends.jump_s,
        )

    @property
    def http_port(self) -> int | None:
        """The port of the HTTP interface once it is bound; None before, and where the site file has no `web`."""
        return None if self._http is None else self._http.port

    # What it is made of

    def _source(self, plan: SourcePlan) -> Source:
        came_round = self._progress.of(f"line {plan.name}", _LOOP_LATE_S + plan.longest_turn_s)
        if not plan.instruments:
            self._progress.forget(f"line {plan.name}")
        sink: Sink = self._pipeline.take
        if self._scenario is not None:
            plan, sink = plan.faster(self._time_factor), self._scenario.dated(sink)
        return make_source(plan, SourceSurroundings(sink, self._machine, self._jitter, came_round))

    def _destination(self, plan: DeliveryPlan) -> Destination:
        came_round = self._deliveries_progress.of(loop_name(plan), _LOOP_LATE_S + plan.longest_turn_s)
        outbox = self._keeping.outbox(plan.name, records=takes_records(plan)) if takes_history(plan) else None
        around = DeliverySurroundings(
            self._settings.name, self._boot, self.snapshot, self._jitter, came_round, outbox, self._scales
        )
        return make_destination(plan, around)

    def _server(self, plan: HttpPlan) -> HttpServer:
        return HttpServer(
            plan,
            metrics=self._metrics.render_in_slices,
            packed_metrics=self._metrics.packed_in_slices,
            inventories=lambda: joined(inventories_pieces(self.snapshot())),
            healthy=self.healthy,
            readiness=self.readiness,
            came_round=self._progress.of("http", _LOOP_LATE_S),
            readings=lambda: joined(readings_now(self.snapshot(), self._settings, self._pipeline)),
            lines=lambda: lines_now(self.snapshot(), self._machine),
            alarms=lambda: alarms_json(self.snapshot()),
            accounts=self._accounts.pages,
            parts=self._page.parts(),
            access=self.access,
        )

    def _begun(self, name: str) -> None:
        self._progress.begun(name)
        self._deliveries_progress.begun(name)

    def _begin_sources(self, plans: "list[SourcePlan]") -> None:
        for plan in plans:
            self._loops.begin(f"line {plan.name}", self._sources[plan.name].run)

    async def _tick(self) -> None:
        came_round = self._progress.of("tick", _TICK_LATE_S)
        period_s = max(_SHORTEST_TICK_S, _TICK_S / self._time_factor)
        await tick(self._pipeline, self._house_watch, self._clock, self._ends, came_round, period_s)

    async def _look_after_deliveries(self) -> None:
        await look_after(self._deliveries, self._deliveries_progress, self._machine, self._pipeline.records)
