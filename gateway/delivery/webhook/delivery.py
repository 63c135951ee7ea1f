"""Events to an address of somebody's own by HTTP, each at least once and in order.

What the server has answered with 2xx leaves the outbox. A request that it can never take is given up, counted and said;
everything else is tried again, as long as it takes.
"""

import asyncio
import time
from collections.abc import Callable, Sequence
from importlib.util import find_spec

import structlog

from gateway.backoff import Backoff
from gateway.delivery.contract import Outbox, Surroundings, Wants
from gateway.delivery.faults import DeliveryFault, FaultKind
from gateway.delivery.from_outbox import nothing_to_do, status_from_outbox
from gateway.delivery.secrets import secret, tls_context
from gateway.delivery.server_name import ServerName
from gateway.delivery.webhook.answers import Verdict, redirected, verdict_of
from gateway.delivery.webhook.plan import MOST_REDIRECTS, WebhookPlan
from gateway.delivery.webhook.request import SIGNATURE, request_of, signature
from gateway.errors import DeliveryError
from gateway.history import Entry, KeptEvent
from gateway.process.tasks import apart
from gateway.status import DestinationStatus, Trouble
from gateway.tank_record import TankRecord

if find_spec("httpx") is not None:
    from gateway.delivery.webhook.connection import Connection

__all__ = ["WebhookDelivery", "missing_part"]

_LOOK_S = 1.0
_MOST_TOLD = 100
_NO_LEDGER = "nothing is kept here, so that there are no events to deliver"
_LOGGER = structlog.get_logger("gateway.delivery.webhook")


def missing_part() -> str | None:
    """What is not installed that this kind of destination needs, in a sentence; None: nothing."""
    if find_spec("httpx") is not None:
        return None
    return "httpx is not installed, so that nothing goes to the webhook; pip install 'tank-gateway[webhook]'"


class _AskedToWait(DeliveryFault):
    def __init__(self, text: str, wait_s: float) -> None:
        self.wait_s = wait_s
        super().__init__(FaultKind.PASSING, text)


class WebhookDelivery:
    """A `Destination` of events."""

    wants = Wants(live=False, history=False, events=True)

    def __init__(
        self, plan: WebhookPlan, around: Surroundings, *, monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        self._plan = plan
        self._around = around
        self._monotonic = monotonic
        self._backoff = Backoff(plan.backoff_first_s, plan.backoff_longest_s, around.random)
        self._name = ServerName(plan.host, plan.port)
        self._connected = False
        self._begun_s = self._well_s = 0.0
        self._trouble: Trouble | None = None
        self._refused = 0
        self._refusal = ""
        self._refusals_told: set[str] = set()
        self._complaints: set[str] = set()
        self._log = _LOGGER.bind(server=f"{plan.host}:{plan.port}", destination=plan.name)

    def offer(self, record: TankRecord) -> None:
        """Live records are not for a webhook."""

    def finish(self, records: Sequence[TankRecord]) -> None:
        """What has not arrived is kept, and sent after the next start."""

    def status(self) -> DestinationStatus:
        troubles = [] if self._trouble is None else [self._trouble]
        if self._refused:
            text = f"{self._refused} events are refused and lost there; the last: {self._refusal}"
            troubles.append(Trouble("records_refused", text))
        return status_from_outbox(self._plan.name, self._connected, troubles, self._around.outbox)

    async def run(self) -> None:
        """Send, and try again; ends only by cancellation."""
        lacking, outbox = missing_part(), self._around.outbox
        if lacking is not None or outbox is None:
            await self._be_of_no_use(lacking or _NO_LEDGER)
            return
        try:
            while True:
                self._around.came_round(0.0)
                outbox.rewind()
                self._begun_s = self._well_s = self._monotonic()
                least_s = 0.0
                try:
                    await self._one_client(outbox)
                except _AskedToWait as exc:
                    self._complain(exc)
                    least_s = min(exc.wait_s, self._plan.retry_after_s)
                except DeliveryError as exc:
                    self._complain(exc)
                    if not isinstance(exc, DeliveryFault) or exc.kind is FaultKind.PERSON:
                        # Somebody has to do something first.
                        least_s = self._plan.backoff_longest_s
                wait_s = max(least_s, self._backoff.after(self._well_s - self._begun_s))
                self._around.came_round(wait_s)
                await asyncio.sleep(wait_s)
        finally:
            self._connected = False

    async def _be_of_no_use(self, why: str) -> None:
        self._trouble = Trouble("destination_unusable", why)
        self._log.error("delivery.webhook_unusable", reason=why)
        await nothing_to_do(self._around.came_round)

    async def _one_client(self, outbox: Outbox) -> None:
        """Until something is wrong, which raises DeliveryError."""
        plan = self._plan
        word = await secret(plan.secret_file, plan.secret_variable, plan.timeout_s)
        if word is not None and plan.secret == "bearer" and not (word.isascii() and word.isprintable()):
            # Not told with it: it is a secret.
            raise DeliveryFault(FaultKind.PERSON, "the secret has a character in it that a bearer token cannot have")
        connection = Connection(plan.timeout_s, await tls_context(plan))
        try:
            while True:
                self._around.came_round(_LOOK_S)
                entries = await self._next(outbox)
                # An outbox of events has no records; one of more than that does no harm.
                events = [entry for entry in entries if isinstance(entry, KeptEvent)]
                if events:
                    await self._deliver(connection, word, events, outbox)
                if entries:
                    outbox.delivered(entries[-1].position)
                elif not self._complaints:
                    # Nothing can be asked of it but to take an event: as far as is known, all is well.
                    self._connected = True
        finally:
            await connection.close()

    async def _next(self, outbox: Outbox) -> Sequence[Entry]:
        try:
            async with asyncio.timeout(_LOOK_S):
                return await outbox.take(self._plan.together)
        except TimeoutError:
            return ()

    async def _deliver(
        self, connection: "Connection", word: str | None, events: Sequence[KeptEvent], outbox: Outbox
    ) -> None:
        verdict = await self._post(connection, word, events)
        if verdict.kind is FaultKind.ENTRY and len(events) > 1:
            # One of them may be the reason, and the others are not to be lost with it.
            for event in events:
                await self._deliver(connection, word, [event], outbox)
            return
        refused: tuple[int, ...] = ()
        if verdict.kind is FaultKind.ENTRY:
            refused = (events[0].position,)
            self._give_up(events[0], verdict.text)
        elif verdict.kind is not None:
            if verdict.wait_s is not None:
                raise _AskedToWait(verdict.text, verdict.wait_s)
            raise DeliveryFault(verdict.kind, verdict.text)
        self._goes_well()
        outbox.delivered(events[-1].position, refused)

    async def _post(self, connection: "Connection", word: str | None, events: Sequence[KeptEvent]) -> Verdict:
        plan = self._plan
        simulated = self._around.snapshot().simulated
        request = request_of(events, as_list=plan.together > 1, simulated=simulated)
        headers = {
            "Content-Type": "application/json",
            "User-Agent": "tank-gateway",
            "Idempotency-Key": f'"{request.key}"',
        }
        if word is not None and plan.secret == "bearer":
            headers["Authorization"] = f"Bearer {word}"
        elif word is not None and plan.secret == "signature":
            headers[SIGNATURE] = signature(word, request.body)
        await self._name.is_known(plan.timeout_s)
        url = plan.url
        for _ in range(1 + MOST_REDIRECTS):
            self._around.came_round(0.0)
            answer = await apart(connection.post(url, request.body, headers), f"webhook {plan.host}")
            target = redirected(url, answer)
            if target is None:
                return verdict_of(answer)
            url = target
        return Verdict(FaultKind.PERSON, "server sends us from one address to the next; write the last of them")

    def _give_up(self, event: KeptEvent, why: str) -> None:
        identity = event.identity
        self._refused += 1
        self._refusal = f"{identity.tank or 'the gateway'} {identity.boot} {identity.sequence} {event.number}: {why}"
        if why in self._refusals_told or len(self._refusals_told) >= _MOST_TOLD:
            return
        self._refusals_told.add(why)
        self._log.error(
            "delivery.webhook_event_refused",
            tank=identity.tank,
            boot=identity.boot,
            sequence=identity.sequence,
            number=event.number,
            reason=why,
        )

    def _goes_well(self) -> None:
        self._well_s = self._monotonic()
        self._connected = True
        self._trouble = None
        if self._complaints:
            self._complaints.clear()
            self._log.info("delivery.webhook_delivers_again")

    def _complain(self, exc: DeliveryError) -> None:
        """In the log once for each reason."""
        text = str(exc)
        self._connected = False
        passing = isinstance(exc, DeliveryFault) and exc.kind is FaultKind.PASSING
        # A file of a secret that cannot be read is for a person too.
        self._trouble = None if passing else Trouble("destination_refuses", text)
        if text not in self._complaints and len(self._complaints) < _MOST_TOLD:
            self._complaints.add(text)
            self._log.warning("delivery.webhook_not_delivering", reason=text, hint="nothing is lost: it waits")
