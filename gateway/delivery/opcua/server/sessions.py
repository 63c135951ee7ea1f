"""Sessions: who is let in, and what one may ask for. Nothing that a client sends changes anything here.

Beside bounds, these of asyncua 2.1 are closed here, as whoever may reach the port could use them: a session that names
no certificate is not checked against those that are trusted; a channel without security is opened where none is
offered; tokens of sessions can be guessed; subscriptions are everybody's; sessions that are never activated are never
ended; a password is compared in the loop.
"""

import asyncio
import secrets
import uuid
from collections.abc import Awaitable, Callable, Iterable, Sequence
from typing import Any, cast

from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.crypto.permission_rules import User, UserRole
from asyncua.server.internal_server import InternalServer
from asyncua.server.internal_session import InternalSession
from asyncua.server.user_managers import UserManager

from gateway.delivery.opcua.server.monitoring import BoundedSubscriptions, Bounds

__all__ = ["ANONYMOUS", "Accepted", "GatedServer", "GatedSession", "HistoryRead"]

_Codes = ua.StatusCodes
ANONYMOUS = "anonymous"
_RSA15 = "http://www.w3.org/2001/04/xmlenc#rsa-1_5"
_LONGEST_PASSWORD = 256
_NOBODY = User(role=UserRole.Anonymous)

HistoryRead = Callable[[ua.HistoryReadParameters], Awaitable[list[ua.HistoryReadResult]]]


class Accepted(UserManager):
    """Whom asyncua is told to let in: the one whose password has just been looked at, once."""

    def __init__(self) -> None:
        self.user: User | None = None

    def get_user(
        self, iserver: InternalServer, username: str | None = None, password: str | None = None, certificate: Any = None
    ) -> User | None:
        taken, self.user = self.user, None
        return taken


class GatedSession(InternalSession):
    """Of one client."""

    iserver: "GatedServer"
    certificate: bytes = b""
    """Of the client, by its channel: the session is of nobody else."""
    connection: object | None = None
    """Over which it is used; None: that has ended, and it waits for its client to come back."""
    kept: str | None = None
    """Of the password by which it was let in, as it stood in the file of users; None: it needed none."""

    @property
    def user_name(self) -> str:
        return self.user.name or ""

    @property
    def owner(self) -> tuple[str | None, bytes]:
        """Whose the subscriptions are."""
        return self.user.name, self.certificate or self.session_id.to_string().encode()

    @property
    def _subscriptions(self) -> BoundedSubscriptions:
        assert isinstance(self.subscription_service, BoundedSubscriptions)
        return self.subscription_service

    def _check(self, asked: Sequence[Any] | None) -> None:
        if not asked:
            raise ServiceError(_Codes.BadNothingToDo)
        if len(asked) > self.iserver.bounds.of_one_call:
            raise ServiceError(_Codes.BadTooManyOperations)

    async def read(self, params: ua.ReadParameters) -> list[ua.DataValue]:
        self._check(params.NodesToRead)
        return await super().read(params)

    async def browse(self, params: ua.BrowseParameters) -> list[ua.BrowseResult]:
        self._check(params.NodesToBrowse)
        return await super().browse(params)

    async def translate_browsepaths_to_nodeids(self, params: list[ua.BrowsePath]) -> list[ua.BrowsePathResult]:
        self._check(params)
        return await super().translate_browsepaths_to_nodeids(params)

    async def history_read(self, params: ua.HistoryReadParameters) -> list[ua.HistoryReadResult]:
        self._check(params.NodesToRead)
        return await self.iserver.history_read(params)

    # What would change something

    async def write(self, params: ua.WriteParameters) -> list[ua.StatusCode]:
        self._check(params.NodesToWrite)
        return [
            ua.StatusCode(_Codes.BadNotWritable if each.NodeId in self.aspace else _Codes.BadNodeIdUnknown)
            for each in params.NodesToWrite
        ]

    async def call(self, params: list[ua.CallMethodRequest]) -> list[ua.CallMethodResult]:
        self._check(params)
        refused = ua.CallMethodResult()
        refused.StatusCode = ua.StatusCode(_Codes.BadUserAccessDenied)
        return [refused for _ in params]

    async def add_nodes(self, params: list[ua.AddNodesItem]) -> list[ua.AddNodesResult]:
        raise ServiceError(_Codes.BadServiceUnsupported)

    async def delete_nodes(self, params: ua.DeleteNodesParameters) -> list[ua.StatusCode]:
        raise ServiceError(_Codes.BadServiceUnsupported)

    async def add_references(self, params: list[ua.AddReferencesItem]) -> list[ua.StatusCode]:
        raise ServiceError(_Codes.BadServiceUnsupported)

    async def delete_references(self, params: list[ua.DeleteReferencesItem]) -> list[ua.StatusCode]:
        raise ServiceError(_Codes.BadServiceUnsupported)

    # Subscriptions, each of its owner

    async def create_subscription(
        self,
        params: ua.CreateSubscriptionParameters,
        callback: Callable[..., Any],
        request_callback: Callable[..., Any] | None = None,
    ) -> ua.CreateSubscriptionResult:
        return await self._subscriptions.create_for(self.owner, params, callback, self.session_id, request_callback)

    def modify_subscription(self, params: ua.ModifySubscriptionParameters) -> ua.ModifySubscriptionResult:
        self._subscriptions.owned(params.SubscriptionId, self.owner)
        return self._subscriptions.modify_subscription(params)

    async def delete_subscriptions(self, ids: list[int]) -> list[ua.StatusCode]:
        own = [number for number in dict.fromkeys(ids) if self._subscriptions.owners.get(number) == self.owner]
        found = dict(zip(own, await super().delete_subscriptions(own), strict=True))
        missing = ua.StatusCode(_Codes.BadSubscriptionIdInvalid)
        return [found.get(number, missing) for number in ids]

    async def create_monitored_items(
        self, params: ua.CreateMonitoredItemsParameters
    ) -> list[ua.MonitoredItemCreateResult]:
        self._check(params.ItemsToCreate)
        self._subscriptions.owned(params.SubscriptionId, self.owner)
        self._subscriptions.check_room(self.owner, len(params.ItemsToCreate))
        return await super().create_monitored_items(params)

    async def modify_monitored_items(
        self, params: ua.ModifyMonitoredItemsParameters
    ) -> list[ua.MonitoredItemModifyResult]:
        self._check(params.ItemsToModify)
        self._subscriptions.owned(params.SubscriptionId, self.owner)
        return await super().modify_monitored_items(params)

    async def delete_monitored_items(self, params: ua.DeleteMonitoredItemsParameters) -> list[ua.StatusCode]:
        self._subscriptions.owned(params.SubscriptionId, self.owner)
        return await super().delete_monitored_items(params)

    async def set_monitoring_mode(self, params: ua.SetMonitoringModeParameters) -> list[ua.StatusCode]:
        self._subscriptions.owned(params.SubscriptionId, self.owner)
        return await super().set_monitoring_mode(params)

    async def set_publishing_mode(self, params: ua.SetPublishingModeParameters) -> list[ua.StatusCode]:
        for number in params.SubscriptionIds:
            self._subscriptions.owned(number, self.owner)
        return await super().set_publishing_mode(params)

    def republish(self, params: ua.RepublishParameters) -> ua.NotificationMessage:
        self._subscriptions.owned(params.SubscriptionId, self.owner)
        message = super().republish(params)
        if not message.SequenceNumber:
            raise ServiceError(_Codes.BadMessageNotAvailable)
        return message

    def publish(self, acks: Iterable[ua.SubscriptionAcknowledgement] | None = None) -> tuple[int, list[ua.StatusCode]]:
        service = self._subscriptions
        results = []
        for each in acks or ():
            found = service.subscriptions.get(each.SubscriptionId)
            if found is None or service.owners.get(each.SubscriptionId) != self.owner:
                results.append(ua.StatusCode(_Codes.BadSubscriptionIdInvalid))
            else:
                found.publish([each.SequenceNumber])
                results.append(ua.StatusCode())
        own = len(service.of(self.owner))
        if not own:
            raise ServiceError(_Codes.BadNoSubscription)
        return own, results

    async def transfer_subscriptions(
        self, params: ua.TransferSubscriptionsParameters, callback: Callable[..., Any]
    ) -> list[ua.TransferResult]:
        self._check(params.SubscriptionIds)
        for number in params.SubscriptionIds:
            self._subscriptions.owned(number, self.owner)
        found = await super().transfer_subscriptions(params, callback)
        # asyncua 2.1 goes on answering what the connection before asked for, which nobody reads.
        taking = cast(Any, callback).__self__.get_publish_request
        for number in params.SubscriptionIds:
            self._subscriptions.subscriptions[number].pub_request_callback = taking
        return found


class GatedServer(InternalServer):
    """All sessions."""

    def __init__(self, bounds: Bounds, sessions: int) -> None:
        self.accepted = Accepted()
        super().__init__(user_manager=self.accepted)
        self.bounds = bounds
        self.sessions = sessions
        self._ending: set[asyncio.Task[None]] = set()
        self.history_read: HistoryRead = _no_history
        self.allow_remote_admin = False
        self.max_connections = sessions
        self.max_subscriptions = sessions * bounds.subscriptions
        self.max_session_timeout_ms = 120_000
        self.max_unacked_messages_per_subscription = 20
        self.max_monitored_item_queue_size = bounds.queue
        self.max_pending_messages_per_connection = 200
        # Whoever does not sign in is cut off by us, with a sentence.
        self.max_pending_activation_seconds = 0.0
        self.max_lifetime_count = 600
        self.max_keep_alive_count = 100
        InternalSession.max_connections = sessions

    @property
    def open_sessions(self) -> int:
        return len(self._external_sessions)

    @property
    def gated(self) -> list[GatedSession]:
        """All that are open, in use or waiting for their clients."""
        return [each for each in self._external_sessions.values() if isinstance(each, GatedSession)]

    def create_session(self, name: str, user: User = _NOBODY, external: bool = False) -> InternalSession:
        """Raises ServiceError where there are too many."""
        if not external:
            return super().create_session(name, user, external)
        if self.open_sessions >= self.sessions:
            self._end_one_that_waits()
        if self.open_sessions >= self.sessions:
            raise ServiceError(_Codes.BadTooManySessions)
        made = GatedSession(self, self.aspace, self.subscription_service, name, user=user, external=True)
        self.unregister_external_session(made)
        made.auth_token = ua.NodeId(uuid.UUID(bytes=secrets.token_bytes(16)), 1)
        self.register_external_session(made)
        return made

    def _end_one_that_waits(self) -> None:
        """Of sessions whose connection has ended the oldest: else who comes and goes would keep out all others."""
        for session in self._external_sessions.values():
            if isinstance(session, GatedSession) and session.connection is None:
                self.end(session)
                return

    def end(self, session: GatedSession) -> None:
        """With all that it has subscribed to."""
        self.unregister_external_session(session)
        task = asyncio.create_task(session.close_session(True), name="end of a session")
        self._ending.add(task)
        task.add_done_callback(self._ending.discard)

    def register_server(self, server: Any, conf: Any = None) -> None:
        """We are no directory of others."""
        raise ServiceError(_Codes.BadServiceUnsupported)

    def name_and_password(self, session: InternalSession, token: ua.UserNameIdentityToken) -> tuple[str, str]:
        """Raises ServiceError for what cannot be read."""
        if token.EncryptionAlgorithm == _RSA15 or not token.UserName:
            raise ServiceError(_Codes.BadIdentityTokenInvalid)
        try:
            name, password = self.decrypt_user_token(session, token)
        except Exception as error:  # whatever it is, nobody can read that token
            raise ServiceError(_Codes.BadIdentityTokenInvalid) from error
        if len(name) > _LONGEST_PASSWORD or len(password or "") > _LONGEST_PASSWORD:
            raise ServiceError(_Codes.BadIdentityTokenInvalid)
        return name, password or ""


async def _no_history(params: ua.HistoryReadParameters) -> list[ua.HistoryReadResult]:
    result = ua.HistoryReadResult()
    result.StatusCode = ua.StatusCode(_Codes.BadHistoryOperationUnsupported)
    return [result for _ in params.NodesToRead]
