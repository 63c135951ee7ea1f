"""Who may stay: whoever is connected is looked at again and again, as the one who let him in may have changed his mind.

A certificate that is withdrawn or over, a name that is taken out of the file of users and a password that is another
end what was begun by them. Two looks in a row have to find so: files are copied and edited by people, and for a moment
one may be empty. Whoever is connected and has no session gives his place to others.
"""

import asyncio
from typing import Any

import structlog
from asyncua import ua

from gateway.clock import utc_now
from gateway.delivery.opcua.server.gate import Gate
from gateway.delivery.opcua.server.sessions import GatedServer, GatedSession
from gateway.delivery.opcua.server.transport import GatedBinaryServer, GatedConnection

__all__ = ["LOOK_S", "Stay"]

LOOK_S = 2.0
_Codes = ua.StatusCodes
_LOGGER = structlog.get_logger("gateway.delivery.opcua")


class Stay:
    """From the loop of the server."""

    def __init__(self, port: GatedBinaryServer, sessions: GatedServer, gate: Gate, sign_in_s: float) -> None:
        """`sign_in_s`: for how long one may be connected without a session."""
        self._port = port
        self._sessions = sessions
        self._gate = gate
        self._sign_in_s = sign_in_s
        self._doubted: dict[Any, str] = {}
        """Connections and sessions of which the last look has found that they may not stay, and why."""
        self._unreadable = ""

    async def look(self) -> None:
        """Once. What it reads is read beside the loop."""
        connections = [each for each in self._port.clients if isinstance(each, GatedConnection)]
        for each in connections:
            waited_s = each.without_session_s()
            if waited_s > self._sign_in_s:
                each.cut_off(_Codes.BadTimeout, f"it has been connected for {self._sign_in_s:g} s without a session")
        if not connections and not self._sessions.open_sessions:
            self._doubted = {}
            return
        known = await asyncio.get_running_loop().run_in_executor(None, self._gate.known)
        if known.unreadable != self._unreadable:
            self._unreadable = known.unreadable
            if known.unreadable:
                hint = "whoever is signed in stays as long as that cannot be told"
                _LOGGER.error("delivery.opcua_users_unreadable", reason=known.unreadable, hint=hint)
        found: dict[Any, str] = {}
        for connection in connections:
            trouble = known.trouble_with(connection.certificate, connection.session, utc_now())
            if trouble is not None:
                found[connection] = trouble
        for session in self._sessions.gated:
            trouble = known.trouble_with(session.certificate, session, utc_now())
            if trouble is not None:
                found[session] = trouble
        doubted, self._doubted = self._doubted, found
        for one, trouble in found.items():
            if one in doubted:
                self._end(one, trouble)

    def _end(self, one: GatedConnection | GatedSession, trouble: str) -> None:
        if isinstance(one, GatedConnection):
            one.cut_off(_Codes.BadSecurityChecksFailed, trouble)
        else:
            # Else it waited, with all that it has subscribed to, for its client to come back.
            self._sessions.end(one)
