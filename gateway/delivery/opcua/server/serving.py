"""The server put together: asyncua's, with what is bounded and gated in its place, fed by what the gateway tells."""

import asyncio
import logging
from collections.abc import Callable, Mapping
from typing import Any

import structlog
from asyncua import Server, ua

from gateway.cautions import MONITORING, NOT_FOR_CUSTODY
from gateway.clock import utc_now
from gateway.delivery.opcua.certificates import Certificates, application_uri, own_names
from gateway.delivery.opcua.plan import NO_SECURITY, OpcuaPlan
from gateway.delivery.opcua.server.events import Events
from gateway.delivery.opcua.server.gate import Gate
from gateway.delivery.opcua.server.history import MOST_NODES, History, ReadPage
from gateway.delivery.opcua.server.monitoring import BoundedSubscriptions, Bounds
from gateway.delivery.opcua.server.sessions import GatedServer
from gateway.delivery.opcua.server.space import NAMESPACE, Space
from gateway.delivery.opcua.server.stay import Stay
from gateway.delivery.opcua.server.transport import GatedBinaryServer, GatedConnection
from gateway.errors import GatewayError

__all__ = ["CAUTIONS", "OpcuaServer"]

CAUTIONS = f"{MONITORING} Not for control. {NOT_FOR_CUSTODY}"
_POLICIES = {
    "Aes256_Sha256_RsaPss": (
        ua.SecurityPolicyType.Aes256Sha256RsaPss_SignAndEncrypt,
        ua.SecurityPolicyType.Aes256Sha256RsaPss_Sign,
    ),
    "Basic256Sha256": (
        ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt,
        ua.SecurityPolicyType.Basic256Sha256_Sign,
    ),
    NO_SECURITY: (ua.SecurityPolicyType.NoSecurity,),
}
_WELL = 255
_NO_DATA = 1
"""ServiceLevel, OPC 10000-4, 6.6.2.4.2: whether this server is worth reading."""
_Ids = ua.ObjectIds
_LOGGER = structlog.get_logger("gateway.delivery.opcua")


class _Server(Server):
    """The policies of its endpoints, for a port of our own."""

    async def policies(self) -> list[Any]:
        await self._setup_server_nodes()
        return self._policies


class OpcuaServer:
    """From its loop. `start`, then what the gateway tells, then `stop`."""

    def __init__(
        self,
        plan: OpcuaPlan,
        told: Mapping[str, Any],
        steady_s: Callable[[], float],
        read_page: ReadPage | None,
        bounds: Bounds | None = None,
    ) -> None:
        self._plan = plan
        self._told = told
        self._steady_s = steady_s
        self._read_page = read_page
        self._bounds = bounds or Bounds(shortest_interval_ms=plan.shortest_interval_s * 1000)
        self.certificates = Certificates(plan.certificates)
        self._server = _Server(iserver=GatedServer(self._bounds, plan.sessions))
        self._port: GatedBinaryServer | None = None
        self._stay: Stay | None = None
        self._is_gone = False
        self.space: Space
        self.events: Events

    async def start(self) -> None:
        """Raises OSError where the port cannot be had, GatewayError where the folder of certificates cannot."""
        # What a stranger's bytes do to the library is told by us, within bounds.
        logging.getLogger("asyncua").setLevel(logging.CRITICAL)
        server, iserver = self._server, self._gated
        await server.init()
        await self._describe()
        if await server.register_namespace(NAMESPACE) != 2:
            raise RuntimeError("the name space of the tanks has to be the second")
        self.space = Space(iserver.aspace, self._read_page is not None, self._steady_s)
        self.events = Events(server)
        await self.events.begin()
        self.space.begin(str(self._told["site"]), str(self._told["version"]), bool(self._told["simulated"]), CAUTIONS)
        service = BoundedSubscriptions(iserver.aspace, iserver, self._bounds, self.space.ranges, self.events.is_subtype)
        iserver.subscription_service = iserver.isession.subscription_service = service
        if self._read_page is not None:
            iserver.history_read = History(self.space, self._read_page).read
        await self._limits()
        await self._open()

    @property
    def _gated(self) -> GatedServer:
        assert isinstance(self._server.iserver, GatedServer)
        return self._server.iserver

    @property
    def port(self) -> int:
        assert self._port is not None
        return self._port.port

    async def _describe(self) -> None:
        site, server = str(self._told["site"]), self._server
        marked = " (SIMULATED)" if self._told["simulated"] else ""
        server.name = f"tank-gateway {site}{marked}: monitoring only, not for control, not for custody transfer"
        server.product_uri = "urn:tank-gateway"
        server.application_type = ua.ApplicationType.Server
        host = "localhost" if self._plan.host in ("0.0.0.0", "::") else self._plan.host
        server.set_endpoint(f"opc.tcp://{host}:{self._plan.port}")
        server.socket_address = (self._plan.host, self._plan.port)
        await server.set_application_uri(application_uri(site))
        await server.set_build_info(
            "urn:tank-gateway", "tank-gateway", server.name, str(self._told["version"]), "", utc_now()
        )

    async def _limits(self) -> None:
        """What clients are told, so that they ask for no more."""
        each = self._bounds.of_one_call
        prefix = "Server_ServerCapabilities_OperationLimits_"
        for name in (
            "MaxNodesPerRead",
            "MaxNodesPerBrowse",
            "MaxNodesPerTranslateBrowsePathsToNodeIds",
            "MaxMonitoredItemsPerCall",
        ):
            await self._write(getattr(_Ids, prefix + name), each, ua.VariantType.UInt32)
        await self._write(getattr(_Ids, prefix + "MaxNodesPerHistoryReadData"), MOST_NODES, ua.VariantType.UInt32)
        has_history = self._read_page is not None
        await self._write(
            _Ids.HistoryServerCapabilities_AccessHistoryDataCapability, has_history, ua.VariantType.Boolean
        )

    async def _write(self, number: int, value: Any, kind: ua.VariantType) -> None:
        node = ua.NodeId(number)
        if node in self._gated.aspace:
            made = ua.DataValue(ua.Variant(value, kind), ua.StatusCode(), utc_now(), utc_now())
            await self._gated.write_attribute_value(node, made)

    async def _open(self) -> None:
        plan, server, iserver = self._plan, self._server, self._gated
        tokens: list[type] = [ua.UserNameIdentityToken]
        if plan.anonymous:
            tokens.append(ua.AnonymousIdentityToken)
        server.set_identity_tokens(tokens)
        await asyncio.get_running_loop().run_in_executor(None, self._have_certificate)
        await server.load_certificate(self.certificates.own)
        await server.load_private_key(self.certificates.key)
        server.set_security_policy([kind for word in plan.security for kind in _POLICIES[word]])
        policies = await server.policies()
        await iserver.start()
        gate = Gate(self.certificates, plan.users_file, plan.anonymous, self._steady_s)
        self._port = GatedBinaryServer(
            iserver, plan.host, plan.port, gate, self._steady_s, none_offered=NO_SECURITY in plan.security
        )
        self._port.set_policies(policies)
        await self._port.start()
        self._stay = Stay(self._port, iserver, gate, plan.sign_in_s)

    def _have_certificate(self) -> None:
        """One of our own, made where there is none. Raises GatewayError."""
        try:
            self.certificates.make_folders()
            self.certificates.check_own()
            if not self.certificates.own.exists() or not self.certificates.key.exists():
                names = own_names(self._plan.host)
                self.certificates.make_own(str(self._told["site"]), names, utc_now())
                _LOGGER.info("delivery.opcua_certificate_made", file=str(self.certificates.own))
        except OSError as error:
            where = error.filename or self.certificates.folder
            raise GatewayError(f"the folder of certificates cannot be used: {where}: {error.strerror}") from error

    async def take(self, told: Mapping[str, Any]) -> None:
        """What the gateway tells, in one line."""
        if "tanks" in told:
            await self.space.set_tanks(told["tanks"])
        if "transfers" in told:
            await self.space.transfers(told["transfers"])
        if "alarms" in told:
            self.space.alarms(told["alarms"])
        if "sheets" in told:
            # Both processes go by one clock of the machine: what was under way for long holds for so much less.
            under_way_s = max(0.0, self._steady_s() - told["told_s"])
            for sheet in told["sheets"]:
                await self.space.show(sheet, under_way_s)
        for event in told.get("events", ()):
            await self.events.happened(event, event["tank"] in self.space.tanks)
        if self._is_gone:
            self._is_gone = False
            await self._level(_WELL, ua.ServerState.Running)

    async def gone(self) -> None:
        """The gateway is silent: everything is Bad until it is heard again."""
        await self.space.gone()
        if not self._is_gone:
            self._is_gone = True
            await self._level(_NO_DATA, ua.ServerState.CommunicationFault)

    async def _level(self, level: int, state: ua.ServerState) -> None:
        await self._write(_Ids.Server_ServiceLevel, level, ua.VariantType.Byte)
        await self._write(_Ids.Server_ServerStatus_State, state, ua.VariantType.Int32)

    def clients(self) -> list[tuple[str, float, str | None, str]]:
        """Address, UTC seconds since it came, name, what it was refused."""
        if self._port is None:
            return []
        return [
            (each.address, each.since.timestamp(), each.name, each.refused)
            for each in self._port.clients
            if isinstance(each, GatedConnection)
        ]

    async def look_again(self) -> None:
        """Whether all who are connected may stay."""
        if self._stay is not None:
            await self._stay.look()

    async def stop(self) -> None:
        if self._port is not None:
            await self._port.stop()
