"""One connection to an MQTT server: opened, used, closed, thrown away. The only module that knows aiomqtt and paho.

aiomqtt leaves some things to be done here. It does not tell the server's receive maximum; it takes any PUBACK for
success, though in MQTT 5 one may carry a refusal; a publish that waits when the connection breaks learns of it only by
its own timeout; a connection that ends before CONNACK leaves no reason but a timeout; and a failed or cancelled connect
leaves its socket registered with the loop. For each publish it wakes the loop from outside and watches the socket for a
chance to write, though it is called on the loop and the socket nearly always takes what it is given. Entering one
client twice would also send again what had been given up, so a client serves one connection only.
"""

import asyncio
import contextlib
import socket
import ssl
from collections.abc import Callable
from typing import Any

import aiomqtt
import paho.mqtt.client as paho
from aiomqtt.types import PahoSocket
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from gateway.delivery.plan import MqttPlan
from gateway.errors import DeliveryError
from gateway.tasks import end

__all__ = ["Connection"]

_PROTOCOLS = {"3.1.1": aiomqtt.ProtocolVersion.V311, "5": aiomqtt.ProtocolVersion.V5}
_LONGEST_DIAL_S = 5.0
"""paho dials in a thread that cannot be stopped: this bounds how long it may outlive us."""
_PATIENCE_S = 1.0
"""How long a cancelled `open` waits for that thread, so as to clean up behind it."""


class Connection(aiomqtt.Client):
    """`settled` is called when a message was acknowledged or refused, with its number and None or the reason of the
    refusal; `wake` when the connection ended."""

    def __init__(
        self,
        plan: MqttPlan,
        *,
        client_id: str,
        password: str | None,
        tls_context: ssl.SSLContext | None,
        will: aiomqtt.Will,
        settled: Callable[[int, str | None], None],
        wake: Callable[[], None],
    ) -> None:
        protocol = _PROTOCOLS[plan.protocol]
        super().__init__(
            plan.host,
            plan.port,
            username=plan.user_name,
            password=password,
            identifier=client_id,
            protocol=protocol,
            will=will,
            clean_session=None if protocol is aiomqtt.ProtocolVersion.V5 else True,
            timeout=plan.timeout_s,
            keepalive=plan.keepalive_s,
            max_inflight_messages=plan.window,
            tls_context=tls_context,
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        )
        self.pending_calls_threshold = plan.window + 1
        self.receive_maximum = 65_535
        """QoS 1 messages the server lets be in flight; MQTT 5 section 3.2.2.3.3 gives the default."""
        self._client.connect_timeout = min(plan.timeout_s, _LONGEST_DIAL_S)
        self._given_up = False
        self._open = False
        """Whether the server has accepted us: from then on paho is called on the loop only."""
        self._dialled = asyncio.Event()
        self._end_reason: str | None = None
        self._settled = settled
        self._wake = wake
        # aiomqtt replaces this future when the server accepts and ends the connection in one breath: watch it from now.
        self._disconnected.add_done_callback(self._note_end)

    async def open(self) -> None:
        """Connect. Raises DeliveryError with the reason when that fails or takes too long."""
        attempt = asyncio.create_task(self.__aenter__(), name="connect")
        longest_s = 2 * self._client.connect_timeout + 2 * self.timeout
        try:
            async with asyncio.timeout(longest_s):
                # The dial runs in a thread that cannot be stopped, and aiomqtt would forget it if cancelled there.
                await asyncio.shield(attempt)
        except TimeoutError:
            await self._give_up(attempt)
            raise DeliveryError(f"no connection within {longest_s:g} s") from None
        except aiomqtt.MqttError as exc:
            self.abort()
            raise DeliveryError(self._why_not_connected(exc)) from exc
        except (OSError, ValueError) as exc:  # ValueError: a host name that IDNA refuses
            self.abort()
            raise DeliveryError(str(exc)) from exc
        except BaseException:
            await self._give_up(attempt)
            raise
        self._open = True
        self._disconnected.add_done_callback(self._note_end)

    def send(self, topic: str, payload: bytes) -> int:
        """Hand a retained QoS 1 message to the connection and return its number. Never waits.

        Raises DeliveryError when the connection has ended.
        """
        info = self._client.publish(topic, payload, qos=1, retain=True)
        if info.rc != paho.MQTT_ERR_SUCCESS:
            raise DeliveryError(paho.error_string(info.rc))
        return info.mid

    @property
    def ended(self) -> str | None:
        """Why the connection ended; None while it stands."""
        return self._end_reason

    async def close(self) -> None:
        """Disconnect in good order, so that the server keeps the last will to itself."""
        try:
            with contextlib.suppress(aiomqtt.MqttError, OSError):
                await self.__aexit__(None, None, None)
        finally:
            self.abort()

    def abort(self) -> None:
        """Close the socket at once and without a word: the server then publishes the last will."""
        self._given_up = True
        self._client._sock_close()
        if self._misc_task is not None:
            self._misc_task.cancel()
        if self._disconnected.done() and not self._disconnected.cancelled():
            self._disconnected.exception()  # else asyncio complains that nobody looked at it

    def _note_end(self, disconnected: "asyncio.Future[None]") -> None:
        if disconnected.cancelled():
            return
        exc = disconnected.exception()
        if self._end_reason is None:
            self._end_reason = str(exc or "connection closed")
        self._wake()

    async def _give_up(self, attempt: "asyncio.Task[Any]") -> None:
        self._given_up = True
        dialled = asyncio.create_task(self._dialled.wait(), name="dial")
        try:
            # No asyncio.timeout: in a task that is being cancelled CPython 3.11.2 ends it in CancelledError.
            await asyncio.wait([dialled], timeout=_PATIENCE_S)
        finally:
            try:
                # With the dial done it is the wait for CONNACK that ends. Without, the thread closes its own socket.
                await end([dialled, attempt])
            finally:
                self.abort()

    def _client_connect(self) -> None:
        """In a thread of its own: dial, and undo it if nobody waits for it any more."""
        try:
            super()._client_connect()
            if self._given_up:
                self._client._sock_close()
        finally:
            with contextlib.suppress(RuntimeError):  # the loop is closed: nobody waits
                self._loop.call_soon_threadsafe(self._dialled.set)

    def _on_socket_open(self, client: paho.Client, userdata: Any, sock: PahoSocket) -> None:
        if not self._given_up:
            super()._on_socket_open(client, userdata, sock)

    def _on_socket_register_write(self, client: paho.Client, userdata: Any, sock: PahoSocket) -> None:
        if self._open:
            self._loop.call_soon(self._write, sock)
        elif not self._given_up:
            super()._on_socket_register_write(client, userdata, sock)

    def _write(self, sock: PahoSocket) -> None:
        """Write all that is waiting, and wait for the socket only where it does not take it."""
        if self._given_up:
            return
        try:
            self._client.loop_write()
        except Exception as exc:  # noqa: BLE001 - whatever paho raises ends the connection, as it does in aiomqtt
            if not self._disconnected.done():
                self._disconnected.set_exception(exc)
            return
        if self._client.want_write() and not self._given_up and sock.fileno() >= 0:
            # At once: by the next turn of the loop its number may be another's, or none where the write closed it.
            self._loop.add_writer(sock.fileno(), self._write, sock)

    def _on_connect(
        self,
        client: paho.Client,
        userdata: Any,
        flags: paho.ConnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        self.receive_maximum = getattr(properties, "ReceiveMaximum", self.receive_maximum)
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_disconnect(
        self,
        client: paho.Client,
        userdata: Any,
        flags: paho.DisconnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        if not self._connected.done() and not self._given_up:
            self._connected.set_exception(aiomqtt.MqttError("server closed the connection before accepting it"))
        if self._end_reason is None:
            self._end_reason = _why_ended(flags, reason_code)
        super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _on_publish(
        self, client: paho.Client, userdata: Any, mid: int, reason_code: ReasonCode, properties: Properties
    ) -> None:
        # Not handed on: aiomqtt keeps account of its own publishes only, and `send` goes past it.
        self._settled(mid, str(reason_code) if reason_code.is_failure else None)

    def _why_not_connected(self, exc: aiomqtt.MqttError) -> str:
        if isinstance(exc, aiomqtt.MqttCodeError):
            return f"server refused the connection: {exc.rc}"
        # aiomqtt keeps only the text of what went wrong below it; the error itself is still its context.
        cause = exc.__context__
        if isinstance(cause, ssl.SSLCertVerificationError):
            return f"server certificate not accepted: {cause.verify_message}"
        if isinstance(cause, OSError) and cause.strerror:
            return cause.strerror
        if isinstance(cause, TimeoutError):
            # A socket that timed out says so; the wait for CONNACK says nothing.
            waited_s = self._client.connect_timeout if cause.args else self.timeout
            return f"server did not answer within {waited_s:g} s"
        return str(exc)


def _why_ended(flags: paho.DisconnectFlags, reason_code: ReasonCode) -> str:
    if flags.is_disconnect_packet_from_server:  # MQTT 5 only
        return f"server ended the connection: {reason_code}"
    # paho has one code for whatever closes a socket from outside.
    return "server closed the connection" if reason_code.value == 128 else str(reason_code)
