"""Connections within bounds: whoever sends nonsense, or too much, or reads too slowly, is cut off with a sentence."""

import asyncio
import socket
import struct
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import structlog
from asyncua import ua
from asyncua.common.utils import Buffer, ServiceError
from asyncua.crypto.permission_rules import User, UserRole
from asyncua.crypto.security_policies import SecurityPolicyNone
from asyncua.server.binary_server_asyncio import BinaryServer, OPCUAProtocol
from asyncua.server.uaprocessor import UaProcessor
from asyncua.ua.ua_binary import header_from_binary, struct_from_binary

from gateway.clock import utc_now
from gateway.delivery.opcua.server.gate import Gate, Refusal, uris_in
from gateway.delivery.opcua.server.leaving import Leaving
from gateway.delivery.opcua.server.limits import LIMITS, LONGEST_CHUNK, Body, Limits, RefusedError, asked_of, too_much
from gateway.delivery.opcua.server.sessions import ANONYMOUS, GatedServer, GatedSession

__all__ = ["GatedBinaryServer", "GatedConnection", "GatedProcessor"]

_Codes = ua.StatusCodes
_Ids = ua.ObjectIds
_TYPES = (b"HEL", b"OPN", b"MSG", b"CLO")
_HEAD = 8
_LONGEST_HELLO = 8_192
_SHORTEST_HELLO = 32
_SMALLEST_BUFFER = 8_192
"""OPC 10000-6, 7.1.2.3."""
_MOST_UNREAD = 8_000_000
"""Bytes that wait for a client to read them."""
_CHUNK_S = 10.0
"""For how long a chunk may be under way."""
_UNNAMED_S = 2.0
"""For so long one may be connected without a session, however many wait."""
_DEAD_MS = 30_000
"""After so long without an acknowledgement a half-open connection is ended by the system."""
_NEVER_OFFERED = (
    _Ids.RegisterServerRequest_Encoding_DefaultBinary,
    _Ids.RegisterServer2Request_Encoding_DefaultBinary,
)
_DISCOVERY = (
    _Ids.GetEndpointsRequest_Encoding_DefaultBinary,
    _Ids.FindServersRequest_Encoding_DefaultBinary,
    _Ids.CloseSecureChannelRequest_Encoding_DefaultBinary,
)
_LONG_WORK_S = 0.02
_LONGEST_REST_S = 1.0
_MOST_TOLD = 30
"""Sentences in the log a minute: a flood of refusals tells nothing more."""
_LOGGER = structlog.get_logger("gateway.delivery.opcua")


class GatedProcessor(UaProcessor):
    """What one client asks for."""

    iserver: GatedServer

    def __init__(self, connection: "GatedConnection", gate: Gate, none_offered: bool) -> None:
        assert connection.transport is not None
        super().__init__(connection.iserver, connection.transport, connection.limits)
        self._own = connection
        self._gate = gate
        self._none_offered = none_offered

    @property
    def peer_certificate(self) -> bytes:
        """By which the channel is secured; empty: by none. What is shown without security proves nothing, and has been
        looked at by nobody."""
        policy = self._connection.security_policy
        return b"" if policy.URI == SecurityPolicyNone.URI else policy.peer_certificate or b""

    def send_response(
        self, requesthandle: Any, seqhdr: Any, response: Any, msgtype: Any = ua.MessageType.SecureMessage
    ) -> None:
        if self._own.is_over:
            return
        super().send_response(requesthandle, seqhdr, response, msgtype)
        if self._transport.get_write_buffer_size() > _MOST_UNREAD:
            self._own.cut_off(_Codes.BadTcpNotEnoughResources, "it does not read what it asked for")

    def open_secure_channel(self, algohdr: Any, seqhdr: Any, body: Any) -> None:
        if algohdr.SecurityPolicyURI != SecurityPolicyNone.URI:
            trouble = self._gate.trouble_with_certificate(algohdr.SenderCertificate)
            if trouble is not None:
                raise RefusedError(_Codes.BadSecurityChecksFailed, trouble)
        super().open_secure_channel(algohdr, seqhdr, Body.of(body))

    async def process_message(self, seqhdr: Any, body: Any) -> Any:
        bounded = Body.of(body)
        goes_on = await super().process_message(seqhdr, bounded)
        if bounded.is_too_much:  # it has been answered so, and may not try again
            raise too_much()
        return goes_on

    async def _process_message(self, typeid: Any, requesthdr: Any, seqhdr: Any, body: Any) -> Any:
        kind = typeid.Identifier
        if kind in _NEVER_OFFERED:
            raise ServiceError(_Codes.BadServiceUnsupported)
        if asked_of(kind, body) > self.iserver.bounds.of_one_call:
            raise ServiceError(_Codes.BadTooManyOperations)
        if not self.peer_certificate and not self._none_offered and kind not in _DISCOVERY:
            self._own.refused = "a session without security, which is not offered"
            raise ServiceError(_Codes.BadSecurityPolicyRejected)
        if kind == _Ids.CreateSessionRequest_Encoding_DefaultBinary:
            self._check_creation(struct_from_binary(ua.CreateSessionParameters, body.copy()))
            found = await super()._process_message(typeid, requesthdr, seqhdr, body)
            if isinstance(self.session, GatedSession):
                self.session.certificate = self.peer_certificate
                self.session.connection = self._own
            return found
        if kind == _Ids.ActivateSessionRequest_Encoding_DefaultBinary:
            await self._check_activation(requesthdr, struct_from_binary(ua.ActivateSessionParameters, body.copy()))
            found = await super()._process_message(typeid, requesthdr, seqhdr, body)
            if isinstance(self.session, GatedSession):
                self.session.connection = self._own
            assert isinstance(self._limits, Limits)
            self._limits.is_signed_in = True
            return found
        return await super()._process_message(typeid, requesthdr, seqhdr, body)

    def get_publish_request(self, subscription_id: Any) -> Any:
        # What an ended connection still has of them would swallow what is new.
        return None if self._own.is_over else super().get_publish_request(subscription_id)

    def _should_close_session_on_transport_loss(self) -> bool:
        has_gone_on = isinstance(self.session, GatedSession) and self.session.connection not in (None, self._own)
        return not has_gone_on and bool(super()._should_close_session_on_transport_loss())

    def _check_creation(self, params: ua.CreateSessionParameters) -> None:
        if self.session is not None and self.session.state.name != "Closed":
            raise ServiceError(_Codes.BadTooManySessions)
        own = self.peer_certificate
        if own:
            if params.ClientCertificate != own:
                raise ServiceError(_Codes.BadCertificateInvalid)
            if params.ClientDescription.ApplicationUri not in uris_in(own):
                self._own.refused = "an application URI that is not in its certificate"
                raise ServiceError(_Codes.BadCertificateUriInvalid)
        self._own.application = str(params.ClientDescription.ApplicationUri or "")[:120]

    async def _check_activation(self, requesthdr: Any, params: ua.ActivateSessionParameters) -> None:
        session = self.session or self.iserver.lookup_external_session(requesthdr.AuthenticationToken)
        if not isinstance(session, GatedSession):
            raise ServiceError(_Codes.BadSessionIdInvalid)
        if session.certificate != self.peer_certificate:
            raise ServiceError(_Codes.BadSecurityChecksFailed)
        name, kept = await self._name(session, params.UserIdentityToken)
        if session.is_activated() and session.user.name != name:
            raise ServiceError(_Codes.BadIdentityChangeNotSupported)
        self._own.name = name
        session.kept = kept
        # Taken by asyncua in the same step of the loop in which it activates the session.
        self.iserver.accepted.user = User(role=UserRole.User, name=name)

    async def _name(self, session: GatedSession, token: Any) -> tuple[str, str | None]:
        """Who it is, and what is kept of its password. Raises ServiceError."""
        if isinstance(token, ua.UserNameIdentityToken):
            name, password = self.iserver.name_and_password(session, token)
            answer = await self._gate.admit(name, password, self._own.address.rpartition(":")[0])
            if not isinstance(answer, Refusal):
                return name, answer.kept
            self._own.refused = f"a log-in: {answer.text}"
            self._own.tell("delivery.opcua_log_in_refused", answer.text, user=name[:60])
            raise ServiceError(_Codes.BadTcpServerTooBusy if answer.is_busy else _Codes.BadUserAccessDenied)
        is_nobody = isinstance(token, ua.AnonymousIdentityToken) or (
            isinstance(token, ua.ExtensionObject) and token.TypeId == ua.NodeId(_Ids.Null)
        )
        if is_nobody and self._gate.anonymous:
            return ANONYMOUS, None
        self._own.refused = "a log-in without a name" if is_nobody else "a log-in of a kind that is not offered"
        self._own.tell("delivery.opcua_log_in_refused", self._own.refused)
        raise ServiceError(_Codes.BadIdentityTokenRejected)


class GatedConnection(OPCUAProtocol):
    """One connection."""

    iserver: GatedServer
    transport: asyncio.Transport | None
    _buffer: bytes

    def __init__(self, server: "GatedBinaryServer") -> None:
        super().__init__(server.iserver, server.policies, server.clients, server.closing_tasks, server.limits)
        self._server = server
        self.address = ""
        self.since = utc_now()
        self.name: str | None = None
        self.application = ""
        self.refused = ""
        self._has_greeted = False
        self._is_cut_off = False
        self._late: asyncio.TimerHandle | None = None
        self._without_since_s: float | None = server.steady_s()

    @property
    def certificate(self) -> bytes:
        """Of the client, by its channel; empty: it has shown none."""
        return self.processor.peer_certificate if isinstance(self.processor, GatedProcessor) else b""

    @property
    def session(self) -> GatedSession | None:
        """That is in use over this connection."""
        session = None if self.processor is None else self.processor.session
        if not isinstance(session, GatedSession) or not session.is_activated() or session.connection is not self:
            return None
        return session

    def without_session_s(self) -> float:
        """How long it has been so, as far as it was asked."""
        if self.session is not None:
            self._without_since_s = None
            return 0.0
        now_s = self._server.steady_s()
        self._without_since_s = now_s if self._without_since_s is None else self._without_since_s
        return now_s - self._without_since_s

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        peer = transport.get_extra_info("peername")
        self.address = f"{peer[0]}:{peer[1]}" if peer else "?"
        if len(self.clients) >= self.iserver.max_connections:
            self._make_room()
        if len(self.clients) >= self.iserver.max_connections:
            assert isinstance(transport, asyncio.Transport)
            self.transport = transport
            self.cut_off(_Codes.BadTcpServerTooBusy, f"{len(self.clients)} are connected already, as many as may")
            self.transport = None
            return
        taken = transport.get_extra_info("socket")
        if taken is not None:
            with suppress(OSError):
                taken.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
                taken.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, 10)
                taken.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, 5)
                taken.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, _DEAD_MS)
        super().connection_made(transport)
        self.processor = GatedProcessor(self, self._server.gate, self._server.none_offered)
        self.processor.set_policies(self.policies)

    def _make_room(self) -> None:
        """Whoever has not signed in gives way, the first to come first: else a few who never do would keep out all."""
        for other in self.clients:
            if isinstance(other, GatedConnection) and other.name is None:
                if (utc_now() - other.since).total_seconds() > _UNNAMED_S:
                    other.cut_off(_Codes.BadTcpServerTooBusy, "it has not signed in while another one waits")
                return

    def connection_lost(self, ex: BaseException | None) -> None:
        self._no_longer_late()
        self._give_up_place()
        super().connection_lost(ex)

    def _give_up_place(self) -> None:
        """And the session: whoever comes next may have both."""
        session = None if self.processor is None else self.processor.session
        if isinstance(session, GatedSession) and session.connection is self:
            session.connection = None
        if self in self.clients:
            self.clients.remove(self)

    def data_received(self, data: bytes) -> None:
        if self.is_over:
            return
        self._buffer += data
        while len(self._buffer) >= _HEAD:
            kind, size = self._buffer[:3], struct.unpack_from("<I", self._buffer, 4)[0]
            if kind not in _TYPES or self._buffer[3:4] not in (b"F", b"C", b"A"):
                self.cut_off(_Codes.BadTcpMessageTypeInvalid, "it sends something that is not OPC UA")
                return
            if not _HEAD < size <= (_LONGEST_HELLO if kind == b"HEL" else LONGEST_CHUNK):
                self.cut_off(_Codes.BadTcpMessageTooLarge, f"it sends a chunk of {size} bytes")
                return
            if len(self._buffer) < size:
                break
            if kind == b"HEL" and not self._is_hello(self._buffer[:size]):
                return
            if not self._take(self._buffer[:size]):
                return
            self._buffer = self._buffer[size:]
            self._no_longer_late()
        if self._buffer and self._late is None:
            sentence = f"it has begun a chunk and not ended it within {_CHUNK_S:.0f} s"
            self._late = asyncio.get_running_loop().call_later(_CHUNK_S, self.cut_off, _Codes.BadTimeout, sentence)

    def _is_hello(self, chunk: bytes) -> bool:
        """One on each connection. Smaller chunks than the standard allows would make a thousand of one answer."""
        if self._has_greeted or len(chunk) < _SHORTEST_HELLO:
            self.cut_off(_Codes.BadTcpMessageTypeInvalid, "it sends a greeting that is none")
            return False
        self._has_greeted = True
        if min(struct.unpack_from("<II", chunk, 12)) < _SMALLEST_BUFFER:
            self.cut_off(_Codes.BadConnectionRejected, f"it wants chunks of less than {_SMALLEST_BUFFER} bytes")
            return False
        return True

    def _no_longer_late(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None

    def _take(self, chunk: bytes) -> bool:
        try:
            buffer = Buffer(chunk)
            self.messages.put_nowait((header_from_binary(buffer), buffer))
        except asyncio.QueueFull:
            self.cut_off(_Codes.BadTcpNotEnoughResources, "it sends requests faster than they can be answered")
            return False
        except Exception as error:  # noqa: BLE001 - whatever a stranger's bytes do to the library
            self.cut_off(_Codes.BadDecodingError, f"it sends a chunk that cannot be read: {type(error).__name__}")
            return False
        return True

    async def _process_one_msg(self, header: Any, buf: Buffer) -> bool:
        if self.processor is None or self.transport is None or self.is_over:
            return False
        begun_s = self._server.steady_s()
        try:
            goes_on = await self.processor.process(header, buf)
        except RefusedError as error:
            self.cut_off(error.code, error.text)
            return False
        except asyncio.CancelledError:
            raise
        except Exception as error:  # noqa: BLE001 - likewise: a channel that has failed once is not gone on with
            code = getattr(error, "code", _Codes.BadDecodingError)
            self.cut_off(code, f"it sends a message that cannot be taken: {str(error)[:200] or type(error).__name__}")
            return False
        if goes_on is None:  # it has been answered that it may not
            self.cut_off(_Codes.BadSessionIdInvalid, "it asks for something without a session")
            return False
        if not goes_on:
            self.transport.close()
            return False
        took_s = self._server.steady_s() - begun_s
        if took_s > _LONG_WORK_S:
            # Whoever asks for much waits as long as it took, so that others have their turn.
            await asyncio.sleep(min(took_s, _LONGEST_REST_S))
        return True

    @property
    def is_over(self) -> bool:
        """Nothing is read or written any more."""
        return self._is_cut_off or self.transport is None or self.transport.is_closing()

    def cut_off(self, code: int, sentence: str) -> None:
        """End the connection, with a sentence to the other end and to the log."""
        if self.transport is None or self.is_over:
            return
        self._is_cut_off = True
        self._give_up_place()
        self.tell("delivery.opcua_client_cut_off", sentence)
        self._server.leaving.end(self.transport, code, sentence)

    def tell(self, event: str, sentence: str, **more: str) -> None:
        self._server.tell(event, sentence, client=self.address, **more)


class GatedBinaryServer(BinaryServer):
    """The port."""

    iserver: GatedServer

    def __init__(
        self,
        server: GatedServer,
        host: str,
        port: int,
        gate: Gate,
        steady_s: Callable[[], float],
        *,
        none_offered: bool,
    ) -> None:
        super().__init__(server, host, port, LIMITS)
        self.gate = gate
        self.steady_s = steady_s
        self.none_offered = none_offered
        self._told, self._told_since_s = 0, steady_s()
        self.leaving = Leaving()

    @property
    def policies(self) -> list[Any]:
        return self._policies

    def _make_protocol(self) -> OPCUAProtocol:
        return GatedConnection(self)

    def tell(self, event: str, sentence: str, *, client: str, **more: str) -> None:
        now_s = self.steady_s()
        if now_s - self._told_since_s > 60.0:
            self._told, self._told_since_s = 0, now_s
        self._told += 1
        if self._told <= _MOST_TOLD:
            _LOGGER.warning(event, client=client, reason=sentence, **more)
        elif self._told == _MOST_TOLD + 1:
            _LOGGER.warning("delivery.opcua_refusals_not_told", reason=f"more than {_MOST_TOLD} a minute")
