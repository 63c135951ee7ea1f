"""One connection to an MQTT server: opened, used, closed, thrown away. The only module that knows paho.

The event loop calls paho's loop functions, paho calls back; both are its public interface. A higher library cannot tell
the server's receive maximum, an acknowledgement that refuses (MQTT 5), or why a connection ended. paho tries nothing
again here: entering one client twice would send what had been given up, so a client serves one connection only.
"""

import asyncio
import contextlib
import socket
import ssl
import threading
from collections.abc import Callable, Sequence
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from gateway.delivery.mqtt_wire.words import (
    ConnectionEndedError,
    Ended,
    EndedBy,
    Heard,
    Refusal,
    TooLargeError,
    Will,
    Wire,
)
from gateway.errors import DeliveryError

__all__ = ["Connection"]

_PROTOCOLS = {"3.1.1": MQTTProtocolVersion.MQTTv311, "5": MQTTProtocolVersion.MQTTv5}
_LONGEST_DIAL_S = 5.0
"""paho dials in a thread that cannot be stopped: this bounds how long it may outlive us."""
_LOOK_EVERY_S = 1.0
"""How often paho looks whether a ping is due or overdue."""
_UNSPECIFIED = 128
"""paho has this one reason for whatever closes a socket from outside."""
_NOT_ACCEPTED = "server closed the connection before accepting it"
_NOT_ACCEPTED_PLAIN = "server closed the connection before accepting it; is that port for TLS? Then give tls"
_LARGEST_MESSAGE = 131_072
"""What a server of MQTT 5 may send us, in bytes; beside our own status nothing is asked for."""
_NO_MQTT, _NO_ANSWER_TO_PING = 0x82, 0x8D
_PING, _PONG = "Sending PINGREQ", "Received PINGRESP"
_LARGEST_PACKET = 268_435_460
"""That MQTT has (MQTT 5 section 2.1.4): 268,435,455 bytes behind a head of five."""
_WITH_WILL, _TAKEN_OVER = 0x04, 0x8E
"""MQTT 5 section 3.14.2.1: a goodbye with the last will; another connection has the same client identifier."""


class Connection:
    """Call it on the event loop it was opened in.

    `settled`: a message was acknowledged, or refused, with its number and None or why (MQTT 5 alone tells). `heard`:
    a message came. `subscribed`: None, or why a subscription was refused. `wake`: the connection has ended.
    `pinged`: a ping goes out behind all that was sent (False), or its answer came (True), so that all that went before
    it has arrived at the server. `drained`: what was sent is handed over to the system.
    """

    def __init__(
        self,
        plan: Wire,
        *,
        client_id: str,
        password: str | None,
        tls_context: ssl.SSLContext | None,
        will: Will | None,
        settled: Callable[[int, Refusal | None], None],
        heard: Callable[[Heard], None],
        subscribed: Callable[[str | None], None],
        wake: Callable[[], None],
        pinged: Callable[[bool], None] | None = None,
        drained: Callable[[], None] | None = None,
    ) -> None:
        self._plan = plan
        self._settled = settled
        self._heard = heard
        self._subscribed = subscribed
        self._wake = wake
        self._pinged = pinged
        self._drained = drained
        self.unwritten = 0
        """Bytes that were sent and may still be here, all of those since there was nothing."""
        self._loop = asyncio.get_running_loop()
        self._accepted: asyncio.Future[str | None] = self._loop.create_future()
        """None, or why not. An exception would keep all of this alive by the frames in its traceback."""
        self._closed = asyncio.Event()
        self._dial: threading.Thread | None = None
        self._next_look: asyncio.TimerHandle | None = None
        self._asked: int | None = None
        self._watched: int | None = None
        """The descriptor that the loop watches."""
        self.ended: Ended | None = None
        self.receive_maximum = 65_535
        """QoS 1 messages the server lets be in flight; MQTT 5 section 3.2.2.3.3 gives the default."""
        self._largest_packet = _LARGEST_PACKET
        protocol = _PROTOCOLS[plan.protocol]
        self._client = client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id,
            clean_session=None if protocol is MQTTProtocolVersion.MQTTv5 else True,
            protocol=protocol,
            reconnect_on_failure=False,
        )
        client.username, client.password = plan.user_name, password
        client.connect_timeout = min(plan.timeout_s, _LONGEST_DIAL_S)
        client.max_inflight_messages = 0  # the window is the caller's
        if pinged is not None:
            client.on_log = self._on_log
        if will is not None:
            client.will_set(will.topic, will.payload, qos=1, retain=will.retain)
        self._not_accepted = _NOT_ACCEPTED if tls_context else _NOT_ACCEPTED_PLAIN
        if tls_context is not None:
            client.tls_set_context(tls_context)

    async def open(self) -> None:
        """Connect. Raises DeliveryError with the reason when that fails or takes too long; then nothing stays open."""
        try:
            await self._dialled()
            await self._answered()
        except BaseException:
            self.abort()
            raise

    def subscribe(self, topic: str, qos: int = 0) -> None:
        """Ask for the messages of a topic: what is retained there comes before anything sent after this."""
        self._client.subscribe(topic, qos)

    def ask(self, topic: str, qos: int) -> None:
        """What a ping proves, without one: to ask for a topic is answered behind all that was sent (3.1.1, 4.6)."""
        self._asked = self._client.subscribe(topic, qos)[1]
        self._on_log(self._client, None, 0, _PING)

    def unsubscribe(self, topic: str) -> None:
        """What was not read when a socket closes may take with it what was sent last: ask for no more."""
        self._client.unsubscribe(topic)

    def send(
        self,
        topic: str,
        payload: bytes,
        *,
        qos: int = 1,
        retain: bool = True,
        told: Sequence[tuple[str, str]] = (),
        expiry_s: int | None = None,
    ) -> int:
        """Hand a message to the connection and return its number. Never waits.

        `told`: what MQTT 5 tells beside it, names and values, and `expiry_s` how long a server is to keep it for those
        who are away; 3.1.1 has no place for either. Raises ConnectionEndedError, or TooLargeError.
        """
        properties = None
        if self._plan.protocol == "5":
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            if told:
                properties.UserProperty = list(told)
            if expiry_s is not None:
                properties.MessageExpiryInterval = expiry_s
        self._measure(topic, payload, properties)
        info = self._client.publish(topic, payload, qos=qos, retain=retain, properties=properties)
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise ConnectionEndedError(self.ended or Ended(paho.error_string(info.rc)))
        self.unwritten += len(payload)
        return info.mid

    def _measure(self, topic: str, payload: bytes, properties: Properties | None) -> None:
        """Raises TooLargeError for what the server would end the connection at (MQTT 5 section 3.1.2.11.4)."""
        if properties is None or self._largest_packet == _LARGEST_PACKET:
            return
        beside: bytes = properties.pack()  # type: ignore[no-untyped-call]
        # Lengths before topic and behind it the number of the message: two bytes each.
        rest = 2 + len(topic.encode()) + 2 + len(beside) + len(payload)
        # The first byte, and the length of the rest in seven bits a byte.
        size = 1 + max(1, -(-rest.bit_length() // 7)) + rest
        if size > self._largest_packet:
            raise TooLargeError(size, self._largest_packet)

    @property
    def dialling(self) -> bool:
        """Whether the thread that dials is still at it, be it that nobody waits for it any more."""
        return self._dial is not None and self._dial.is_alive()

    async def close(self, *, with_will: bool = False) -> None:
        """Disconnect in good order, so that the server keeps the last will to itself. Waits until that is written.

        `with_will`: MQTT 5 lets it tell the last will all the same (section 3.14.2.1); 3.1.1 has no word for that.
        """
        reason = ReasonCode(PacketTypes.DISCONNECT, identifier=_WITH_WILL) if with_will else None
        self._client.disconnect(reason if self._plan.protocol == "5" else None)
        await self._closed.wait()

    def abort(self) -> None:
        """Close the socket at once and without a word: the server then publishes the last will."""
        client = self._client
        client.on_socket_register_write = client.on_socket_unregister_write = client.on_socket_close = None
        client.on_connect = client.on_disconnect = client.on_publish = client.on_message = client.on_subscribe = None
        client.on_log = None
        self._unwatch()
        opened = client.socket()
        if opened is not None:
            opened.close()

    async def _dialled(self) -> None:
        """The name looked up, the connection made, TLS agreed and CONNECT sent, all in a thread."""
        dialled: asyncio.Future[str | None] = self._loop.create_future()

        def settle(trouble: str | None) -> None:
            if dialled.done():  # given up: close what came too late
                self.abort()
            else:
                dialled.set_result(trouble)

        def dial() -> None:
            trouble = None
            try:
                self._client.connect(
                    self._plan.host, self._plan.port, self._plan.keepalive_s, properties=_wishes(self._plan)
                )
            except Exception as exc:  # noqa: BLE001 - told to whoever waits
                trouble = self._why_not_dialled(exc)
            with contextlib.suppress(RuntimeError):  # the loop is closed: nobody waits, and paho closes its own socket
                self._loop.call_soon_threadsafe(settle, trouble)

        # For a thread of the loop's own the process would wait at its end, however long a name server is silent.
        self._dial = threading.Thread(target=dial, name="mqtt dial", daemon=True)
        self._dial.start()
        longest_s = 2 * self._client.connect_timeout + self._plan.timeout_s
        try:
            async with asyncio.timeout(longest_s):
                trouble = await dialled
        except TimeoutError:
            raise DeliveryError(f"server did not answer within {longest_s:g} s") from None
        if trouble is not None:
            raise DeliveryError(trouble)

    def _why_not_dialled(self, exc: Exception) -> str:
        if isinstance(exc, TimeoutError):
            return f"server did not answer within {self._client.connect_timeout:g} s"
        if isinstance(exc, ssl.SSLCertVerificationError):
            return f"server certificate not accepted: {exc.verify_message}"
        if isinstance(exc, OSError) and exc.strerror:
            return exc.strerror
        # A host name that IDNA refuses, for example.
        return str(exc) or type(exc).__name__

    async def _answered(self) -> None:
        """Accepted by the server."""
        client = self._client
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        client.on_subscribe = self._on_subscribe
        client.on_socket_register_write = self._on_socket_register_write
        client.on_socket_unregister_write = self._on_socket_unregister_write
        client.on_socket_close = self._on_socket_close
        opened = client.socket()
        if not isinstance(opened, socket.socket):
            raise DeliveryError(self._not_accepted)
        opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._watched = opened.fileno()
        self._loop.add_reader(self._watched, self._read)
        self._look()
        self._write()
        try:
            async with asyncio.timeout(self._plan.timeout_s):
                refusal = await self._accepted
        except TimeoutError:
            raise DeliveryError(f"server did not answer within {self._plan.timeout_s:g} s") from None
        if refusal is not None:
            raise DeliveryError(refusal)

    # What the loop calls

    def _read(self) -> None:
        self._guarded(self._client.loop_read)
        # What TLS has deciphered beyond one message makes no socket readable.
        while (
            self._watched is not None
            and isinstance(opened := self._client.socket(), ssl.SSLSocket)
            and opened.pending()
        ):
            self._guarded(self._client.loop_read)

    def _write(self) -> None:
        """Write all that is waiting, and wait for the socket only where it does not take it."""
        self._guarded(self._client.loop_write)
        # None where that write has closed the socket: its descriptor may be another's by now.
        if self._watched is not None and self._client.socket() is not None and self._client.want_write():
            self._loop.add_writer(self._watched, self._write)
        elif self.unwritten:
            self.unwritten = 0
            if self._drained is not None:
                self._drained()

    def _look(self) -> None:
        self._guarded(self._client.loop_misc)
        if self._watched is not None:
            self._next_look = self._loop.call_later(_LOOK_EVERY_S, self._look)

    def _guarded(self, step: Callable[[], object]) -> None:
        """Whatever paho raises, of bytes that are no MQTT for example, ends the connection and nothing else."""
        try:
            step()
        except Exception as exc:  # noqa: BLE001
            self._end(Ended(f"what the server sent is not understood: {type(exc).__name__} {exc}"))
            self.abort()

    def _unwatch(self) -> None:
        if self._watched is not None:
            self._loop.remove_reader(self._watched)
            self._loop.remove_writer(self._watched)
            self._watched = None
        if self._next_look is not None:
            self._next_look.cancel()
        self._closed.set()

    def _end(self, ended: Ended) -> None:
        if self.ended is None:
            self.ended = ended
        if not self._accepted.done():
            closed = ended.by is EndedBy.SERVER
            self._accepted.set_result(self._not_accepted if closed else ended.reason)
        self._wake()

    # What paho calls

    def _on_socket_register_write(self, client: paho.Client, data: object, opened: object) -> None:
        self._loop.call_soon(self._write_if_open)

    def _write_if_open(self) -> None:
        if self._watched is not None:
            self._write()

    def _on_socket_unregister_write(self, client: paho.Client, data: object, opened: object) -> None:
        if self._watched is not None:
            self._loop.remove_writer(self._watched)

    def _on_socket_close(self, client: paho.Client, data: object, opened: object) -> None:
        self._unwatch()

    def _on_connect(
        self, client: paho.Client, data: object, flags: paho.ConnectFlags, code: ReasonCode, properties: Any
    ) -> None:
        if self._accepted.done():
            return
        if not code.is_failure:
            self.receive_maximum = getattr(properties, "ReceiveMaximum", self.receive_maximum)
            self._largest_packet = getattr(properties, "MaximumPacketSize", self._largest_packet)
        self._accepted.set_result(f"server refused the connection: {code}" if code.is_failure else None)

    def _on_disconnect(
        self, client: paho.Client, data: object, flags: paho.DisconnectFlags, code: ReasonCode, properties: Any
    ) -> None:
        if flags.is_disconnect_packet_from_server:  # MQTT 5 only
            by = EndedBy.TAKEOVER if code.value == _TAKEN_OVER else EndedBy.OTHER
            self._end(Ended(f"server ended the connection: {code}", by))
        elif code.value == _UNSPECIFIED:
            self._end(Ended("server closed the connection", EndedBy.SERVER))
        elif code.value == _NO_ANSWER_TO_PING:
            self._end(Ended(str(code), EndedBy.SILENCE))
        elif code.value == _NO_MQTT:
            self._end(Ended("what the server sent is not MQTT"))
        else:
            self._end(Ended(str(code)))

    def _on_publish(
        self, client: paho.Client, data: object, number: int, code: ReasonCode, properties: Properties
    ) -> None:
        self._settled(number, Refusal(code.value, str(code)) if code.is_failure else None)

    def _on_message(self, client: paho.Client, data: object, message: paho.MQTTMessage) -> None:
        self._heard(Heard(message.topic, bytes(message.payload), message.retain))

    def _on_log(self, client: paho.Client, data: object, level: int, text: str) -> None:
        """Nothing else of paho's tells of pings."""
        if self._pinged is not None and text in (_PING, _PONG):
            self._pinged(text == _PONG)

    def _on_subscribe(
        self, client: paho.Client, data: object, number: int, codes: list[ReasonCode], properties: Any
    ) -> None:
        self._subscribed(next((str(code) for code in codes if code.is_failure), None))
        if number == self._asked:
            self._on_log(client, data, 0, _PONG)


def _wishes(plan: Wire) -> Properties | None:
    """What CONNECT asks for beside what its arguments say. MQTT 3.1.1 has no words for it."""
    if plan.protocol != "5":
        return None
    wishes = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    wishes.MaximumPacketSize = _LARGEST_MESSAGE
    return wishes
