"""The address space: one object for each tank, with a variable for each figure and state, all read only.

Node ids are texts made of tag and key (`TK-1/gsv`), so that they stay what they are over restarts, whatever tanks come
and go. Nodes are made as asyncua keeps them, without its services, which take many times as long for the same.
"""

import asyncio
import gc
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from asyncua import ua
from asyncua.server.address_space import AddressSpace, AttributeValue

from gateway.clock import utc_now
from gateway.delivery.opcua.names import FIGURES, STATES, Variable
from gateway.delivery.opcua.server.moments import moment
from gateway.delivery.opcua.server.nodes import (
    NAMESPACE_INDEX,
    NULL,
    READ,
    READ_HISTORY,
    TYPES,
    VARIANTS,
    NodeMaker,
    node_id,
    std,
)
from gateway.delivery.opcua.server.status import GONE, NOT_YET, STALE, status_of
from gateway.delivery.opcua.server.units import UNECE_NAMESPACE, UNITS, unit_id

__all__ = ["NAMESPACE", "TANKS", "Space", "TankNodes"]

NAMESPACE = "urn:tank-gateway:tanks"
_Ids = ua.ObjectIds
_RANGES = {
    "m": (0.0, 50.0),
    "degC": (-60.0, 250.0),
    "m3": (0.0, 200_000.0),
    "kg": (0.0, 2e8),
    "kg/m3": (0.0, 2000.0),
    "Pa": (-1e5, 2e6),
    "m3/s": (-5.0, 5.0),
    "m/s": (-0.1, 0.1),
    "1": (0.0, 2.0),
}
"""Where nothing of the tank is known."""

_OF_THE_MOTION = ("motion", "since", "activity")
_OF_THE_WATCH = (*_OF_THE_MOTION, "alarms", "unacknowledged", "worst_alarm")
"""Not known where the watch has said nothing."""

TANKS = node_id("tanks")
TANK_TYPE = node_id("TankType")


class TankNodes:
    """The variables of one tank, and until when what they show holds."""

    def __init__(self, tank: str) -> None:
        self.tank = tank
        self.values: list[AttributeValue] = []
        """Of FIGURES, then of STATES."""
        self.place: Mapping[str, Any] = {}
        self.until_s: float | None = None
        """By the steady clock; None: what is shown now is Bad already."""
        self.transfer: Sequence[Any] = (None, "", "")
        self.alarms: frozenset[str] = frozenset()
        """Those that the tank has at all."""


class Space:
    """All of the gateway's own nodes. From the loop."""

    def __init__(self, address_space: AddressSpace, has_history: bool, steady_s: Callable[[], float]) -> None:
        self._space = address_space
        self._nodes = NodeMaker(address_space)
        self._level = READ_HISTORY if has_history else READ
        self._has_history = has_history
        self._steady_s = steady_s
        self.tanks: dict[str, TankNodes] = {}
        self.ranges: dict[ua.NodeId, tuple[float, float]] = {}
        """Of each analogue item: its EURange, for deadbands in per cent."""
        self._units = {symbol: self._unit(symbol) for symbol in UNITS}

    def begin(self, site: str, version: str, simulated: bool, cautions: str) -> None:
        """The folder of tanks, the type of a tank, and what is said of the gateway."""
        self._nodes.add(TANK_TYPE, "TankType", ua.NodeClass.ObjectType, std(_Ids.BaseObjectType), _Ids.HasSubtype, None)
        title = f"Tanks of {site}" + (" (SIMULATED)" if simulated else "")
        self._nodes.add(
            TANKS,
            "tanks",
            ua.NodeClass.Object,
            std(_Ids.ObjectsFolder),
            _Ids.Organizes,
            std(_Ids.FolderType),
            title=title,
            description=cautions,
        )
        self._nodes.notifies(std(_Ids.Server), TANKS)
        told = {"cautions": cautions, "site": site, "version": version, "simulated": simulated}
        for key, value in told.items():
            kind = "yes" if isinstance(value, bool) else "text"
            self._nodes.property_of(TANKS, node_id(f"tanks/{key}"), ua.QualifiedName(key, NAMESPACE_INDEX), kind, value)

    async def set_tanks(self, places: Iterable[Mapping[str, Any]]) -> None:
        """These and no others. Who subscribed to one that goes is told that its nodes are no more."""
        wanted = {place["tank"]: place for place in places}
        gc.disable()
        for name in [name for name, nodes in self.tanks.items() if wanted.get(name) != nodes.place]:
            await self._remove(name)
        for name, place in wanted.items():
            if name not in self.tanks:
                self._make(name, place)
                await asyncio.sleep(0)
        # What is made now stays: to look through it again and again would hold up everybody.
        gc.freeze()
        gc.enable()

    def knows(self, identifier: ua.NodeId) -> bool:
        return identifier in self._space

    async def show(self, sheet: Mapping[str, Any], under_way_s: float = 0.0) -> None:
        """Value, status and time of one sheet, which was told so long ago."""
        nodes = self.tanks.get(sheet["tank"])
        if nodes is None:
            return
        if sheet["left"] is None or sheet["left"] <= under_way_s:
            nodes.until_s = None
            await self._all(nodes, STALE, sheet["at"])
            return
        nodes.until_s = self._steady_s() + sheet["left"] - under_way_s
        at, told_at = moment(sheet["at"]), utc_now()
        for place, told in zip(nodes.values, _told(sheet, nodes), strict=True):
            kind, value, status = told
            variant = NULL if value is None else ua.Variant(value, VARIANTS[kind])
            await _put(place, ua.DataValue(variant, status, at, told_at))

    async def transfers(self, told: Mapping[str, Sequence[Any]]) -> None:
        """Which transfers are open; they are shown with the next sheet."""
        for name, nodes in self.tanks.items():
            nodes.transfer = told.get(name, (None, "", ""))

    def alarms(self, told: Mapping[str, Iterable[str]]) -> None:
        """Which alarms each tank has: of one that it has not, nothing is told."""
        for name, nodes in self.tanks.items():
            nodes.alarms = frozenset(told.get(name, ()))

    async def look(self) -> None:
        """What holds no more becomes Bad."""
        now_s = self._steady_s()
        for nodes in self.tanks.values():
            if nodes.until_s is not None and now_s > nodes.until_s:
                nodes.until_s = None
                await self._all(nodes, STALE)

    async def gone(self) -> None:
        """The gateway does not answer: nothing that is shown is the present."""
        for nodes in self.tanks.values():
            nodes.until_s = None
            await self._all(nodes, GONE)

    async def _all(self, nodes: TankNodes, status: ua.StatusCode, at: float | None = None) -> None:
        told_at = utc_now()
        given = told_at if at is None else moment(at)
        for place in nodes.values:
            if place.value is None or place.value.StatusCode != status:
                await _put(place, ua.DataValue(NULL, status, given, told_at))

    async def _remove(self, name: str) -> None:
        nodes = self.tanks.pop(name)
        await self._all(nodes, ua.StatusCode(ua.StatusCodes.BadNodeIdUnknown))
        own = node_id(name)
        folder = self._space[TANKS]
        folder.references = [each for each in folder.references if each.NodeId != own]
        for reference in list(self._space[own].references):
            if reference.IsForward and reference.NodeId.NamespaceIndex == NAMESPACE_INDEX:
                self._take_out(reference.NodeId)
        self._take_out(own)

    def _take_out(self, identifier: ua.NodeId) -> None:
        node = self._space.get(identifier)
        if node is None or identifier in (TANKS, TANK_TYPE):
            return
        for reference in node.references:
            if reference.IsForward and reference.ReferenceTypeId == std(_Ids.HasProperty):
                self._take_out(reference.NodeId)
        for attribute in node.attributes.values():
            for handle in list(attribute.datachange_callbacks):
                self._space.delete_datachange_callback(handle)
        self.ranges.pop(identifier, None)
        del self._space[identifier]

    def _make(self, name: str, place: Mapping[str, Any]) -> None:
        nodes = self.tanks[name] = TankNodes(name)
        nodes.place = place
        own = node_id(name)
        self._nodes.add(
            own,
            name,
            ua.NodeClass.Object,
            TANKS,
            _Ids.HasComponent,
            TANK_TYPE,
            description=place["description"],
        )
        for variable in (*FIGURES, *STATES):
            nodes.values.append(self._variable(own, name, variable, place["ranges"]))

    def _variable(
        self, parent: ua.NodeId, tank: str, variable: Variable, ranges: Mapping[str, Sequence[float]]
    ) -> AttributeValue:
        kind_of, data_type = TYPES[variable.kind]
        own = node_id(f"{tank}/{variable.key}")
        node = self._nodes.add(
            own,
            variable.key,
            ua.NodeClass.Variable,
            parent,
            _Ids.HasComponent,
            std(kind_of),
            title=variable.title,
        )
        value = self._nodes.valued(node, data_type, self._level if variable.kind == "analog" else READ)
        value.value = ua.DataValue(NULL, NOT_YET, None, utc_now())
        if variable.kind == "analog":
            least, greatest = ranges.get(variable.key) or _RANGES[variable.unit]
            self.ranges[own] = (least, greatest)
            name = ua.QualifiedName("EURange", 0)
            self._nodes.property_of(
                own, node_id(f"{tank}/{variable.key}/range"), name, "", ua.Range(least, greatest), _Ids.Range
            )
            name = ua.QualifiedName("EngineeringUnits", 0)
            units = self._units[variable.unit]
            self._nodes.property_of(own, node_id(f"{tank}/{variable.key}/unit"), name, "", units, _Ids.EUInformation)
        return value

    def _unit(self, symbol: str) -> ua.EUInformation:
        unit = UNITS[symbol]
        return ua.EUInformation(
            UNECE_NAMESPACE, unit_id(unit.code), ua.LocalizedText(unit.symbol), ua.LocalizedText(unit.name)
        )


def _told(sheet: Mapping[str, Any], nodes: TankNodes) -> Iterable[tuple[str, Any, ua.StatusCode]]:
    """Kind, value and status of each variable, in the order of FIGURES and STATES."""
    for figure in sheet["figures"]:
        if figure is None:
            yield "analog", None, NOT_YET
        else:
            value, quality, code, manual = figure
            yield "analog", value, status_of(quality, code, value is not None, manual)
    good, unknown = status_of(0, "", True), status_of(2, "", False)
    since, transfer, phases = sheet["since"], nodes.transfer, sheet["phases"]
    not_known = {*_OF_THE_WATCH, *(f"alarm_{name}" for name in nodes.alarms)} if phases is None else ()
    shown = {
        **{f"alarm_{name}": "normal" for name in nodes.alarms},
        **{f"alarm_{name}": phase for name, phase in (phases or {}).items()},
        **sheet,
        "since": None if since is None else moment(since),
        "transfer": transfer[0],
        "transfer_kind": transfer[1],
        "transfer_phase": transfer[2],
    }
    for variable in STATES:
        value = shown.get(variable.key)
        if variable.key in ("limit", "roof"):
            # The level that they rest on may be doubted; of a Bad one the state says itself that it is not known.
            yield "text", value, status_of(min(sheet["level_quality"], 1), "", True)
        elif variable.key in not_known:
            yield variable.kind, None, unknown
        elif variable.key in _OF_THE_MOTION and value is not None:
            # So may the rate that it follows from.
            yield variable.kind, value, status_of(min(sheet["motion_quality"], 1), "", True)
        else:
            yield variable.kind, value, good if value is not None else status_of(0, "", False)


async def _put(place: AttributeValue, value: ua.DataValue) -> None:
    place.value = value
    if place.datachange_callbacks:
        for handle, callback in list(place.datachange_callbacks.items()):
            await callback(handle, value)
