"""What a host sees of one edge node, and every rule that what it sees must keep, whatever the node does.

Nothing of the program's own code is used: `sparkplug_wire` reads the bytes. Sections are those of Sparkplug 3.0.
"""

from typing import Any, NamedTuple

from tests.support.sparkplug_wire import decoded

__all__ = ["Seen", "Watching"]

_OF_NODE = ("NBIRTH", "NDATA", "NDEATH")
_OF_DEVICE = ("DBIRTH", "DDATA", "DDEATH")
_VALUES = ("int_value", "long_value", "float_value", "double_value", "boolean_value", "string_value")
_FIELDS = {3: "int_value", 4: "long_value", 8: "long_value", 10: "double_value", 11: "boolean_value"} | {
    12: "string_value",
    13: "long_value",
}
_REBIRTH = "Node Control/Rebirth"


class Seen(NamedTuple):
    """One message, with the names of its metrics as its birth told them."""

    kind: str
    device: str
    payload: dict[str, Any]
    metrics: dict[str, dict[str, Any]]


class Watching:
    """One node, from the first message on."""

    def __init__(self, group: str = "plant", node: str = "harbour") -> None:
        self._group, self._node = group, node
        self.messages: list[Seen] = []
        self.is_late = False
        """Comes when the node lives already, by a server that gives all by the QoS that was asked for."""
        self.raw: list[bytes] = []
        """What came, as it came."""
        self.broken: list[str] = []
        """Rules that were not kept."""
        self.values: dict[str, dict[str, dict[str, Any]]] = {}
        """The newest of each metric of now, by device ('' is the node) and name."""
        self.past: list[tuple[str, str, dict[str, Any]]] = []
        self.bdseq: int | None = None
        self.alive: set[str] = set()
        self.online = False
        self._seq = -1
        self._names: dict[int, tuple[str, str]] = {}
        self._types: dict[tuple[str, str], int] = {}

    def kinds(self) -> list[str]:
        return [f"{each.kind} {each.device}".strip() for each in self.messages]

    def sheets(self) -> list[tuple[str, str, int]]:
        """Tank, boot and sequence of every sheet that was told, in the order in which it came."""
        found: list[tuple[str, str, int]] = []
        boots: dict[str, str] = {}
        for seen in self.messages:
            told = {name: _value(metric) for name, metric in seen.metrics.items() if name.startswith("sheet/")}
            if seen.kind in ("DBIRTH", "DDATA") and told.get("sheet/sequence") is not None:
                if "sheet/boot" in told and not seen.metrics["sheet/boot"].get("is_historical"):
                    boots[seen.device] = told["sheet/boot"]
                boot = told.get("sheet/boot") or boots[seen.device]
                found.append((seen.device, boot, told["sheet/sequence"]))
        return found

    def value(self, device: str, name: str) -> Any:
        """As it stands now; None: null, or not told."""
        return _value(self.values.get(device, {}).get(name, {}))

    def properties(self, device: str, name: str) -> dict[str, Any]:
        """Beside the newest of now."""
        found = self.values[device][name].get("properties", {})
        return {key: _value(each) for key, each in zip(found.get("keys", []), found.get("values", []), strict=True)}

    def take(self, topic: str, qos: int, retain: bool, data: bytes) -> None:
        if self.is_late and not self.online and "/NBIRTH/" not in topic:
            return
        self.raw.append(data)
        parts = topic.split("/")
        kind = parts[2] if len(parts) > 3 else "?"
        device = parts[4] if len(parts) == 5 else ""
        self._rule(parts[0] == "spBv1.0" and parts[1] == self._group and parts[3] == self._node, f"topic {topic}")
        self._rule((kind in _OF_NODE and len(parts) == 4) or (kind in _OF_DEVICE and len(parts) == 5), f"topic {topic}")
        self._rule(not retain, f"{kind} is retained")
        self._rule(qos == (1 if kind == "NDEATH" else 0) or self.is_late, f"{kind} has QoS {qos}")
        payload = decoded(data)
        metrics = payload.get("metrics", [])
        if kind == "NDEATH":
            self._death(payload, metrics)
            self.messages.append(Seen(kind, device, payload, {}))
            return
        self._count(kind, payload)
        self._rule("timestamp" in payload, f"{kind} has no time")
        self._order(kind, device)
        named = self._born(kind, device, metrics) if kind in ("NBIRTH", "DBIRTH") else self._data(kind, device, metrics)
        for name, metric in named.items():
            self._metric(f"{kind} {device} {name}", metric, self._types[device, name])
            if metric.get("is_historical"):
                self.past.append((device, name, metric))
            else:
                self.values.setdefault(device, {})[name] = metric
        self.messages.append(Seen(kind, device, payload, named))

    def _rule(self, kept: bool, what: str) -> None:
        if not kept:
            self.broken.append(what)

    def _death(self, payload: dict[str, Any], metrics: list[dict[str, Any]]) -> None:
        self._rule("seq" not in payload, "NDEATH has a sequence number")
        self._rule(len(metrics) == 1 and metrics[0].get("name") == "bdSeq", "NDEATH is not bdSeq alone")
        self._rule(metrics[0].get("datatype") == 4, "bdSeq of NDEATH is no Int64")
        if metrics[0].get("long_value") == self.bdseq:
            self.online = False
            self.alive.clear()

    def _count(self, kind: str, payload: dict[str, Any]) -> None:
        seq = payload.get("seq")
        wanted = 0 if kind == "NBIRTH" else (self._seq + 1) % 256
        self._rule(seq == wanted, f"{kind} has sequence number {seq}, not {wanted}")
        self._seq = seq if isinstance(seq, int) else -1

    def _order(self, kind: str, device: str) -> None:
        if kind == "NBIRTH":
            return
        self._rule(self.online, f"{kind} before a birth of the node")
        if kind in ("DDATA", "DDEATH"):
            self._rule(device in self.alive, f"{kind} of {device}, which is not alive")
        if kind == "DBIRTH":
            self.alive.add(device)
        elif kind == "DDEATH":
            self.alive.discard(device)

    def _born(self, kind: str, device: str, metrics: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
        if kind == "NBIRTH":
            self._node_birth(metrics)
        named: dict[str, dict[str, Any]] = {}
        for metric in metrics:
            name, alias = metric.get("name", ""), metric.get("alias")
            self._rule(
                bool(name) and name not in named, f"{kind} {device} has a metric '{name}' twice, or without name"
            )
            named[name] = metric
            self._types[device, name] = metric.get("datatype", 0)
            self._rule((alias is None) == (name == _REBIRTH), f"{kind} {device} {name} has alias {alias}")
            if alias is not None:
                owner = self._names.setdefault(alias, (device, name))
                self._rule(owner == (device, name), f"alias {alias} is {owner} and {device} {name}")
        self._rule(
            len({name.lower() for name in named}) == len(named), f"{kind} {device}: names differ in capitals alone"
        )
        return named

    def _node_birth(self, metrics: list[dict[str, Any]]) -> None:
        named = {metric.get("name"): metric for metric in metrics}
        number, again = named.get("bdSeq", {}), named.get(_REBIRTH, {})
        self._rule(number.get("datatype") == 4 and 0 <= number.get("long_value", -1) < 256, "bdSeq of NBIRTH")
        self._rule(again.get("datatype") == 11 and again.get("boolean_value") == 0, f"{_REBIRTH} of NBIRTH")
        self.bdseq = number.get("long_value")
        self.online = True
        self.alive.clear()
        self._names.clear()

    def _data(self, kind: str, device: str, metrics: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
        named: dict[str, dict[str, Any]] = {}
        for metric in metrics:
            owner, name = self._names.get(metric.get("alias", -1), ("?", "?"))
            self._rule("name" not in metric, f"{kind} {device} tells the name {metric.get('name')}")
            self._rule(
                metric.get("datatype") == self._types.get((owner, name)), f"{kind} {device} {name}: another type"
            )
            self._rule(owner == device, f"{kind} {device} has alias {metric.get('alias')}, which is of {owner} {name}")
            self._rule(name not in named, f"{kind} {device} tells {name} twice")
            named[name] = metric
        return named

    def _metric(self, where: str, metric: dict[str, Any], datatype: int) -> None:
        self._rule("timestamp" in metric, f"{where} has no time")
        told = [field for field in _VALUES if field in metric]
        self._rule(len(told) == (0 if metric.get("is_null") else 1), f"{where}: null {metric.get('is_null')}, {told}")
        self._rule(datatype in _FIELDS, f"{where} has type {datatype}")
        self._rule(all(field == _FIELDS.get(datatype) for field in told), f"{where}: type {datatype} in {told}")
        properties = metric.get("properties", {})
        keys, values = properties.get("keys", []), properties.get("values", [])
        self._rule(len(keys) == len(values) == len(set(keys)), f"{where}: {len(keys)} keys, {len(values)} values")
        self._rule(all(each.get("type") in _FIELDS for each in values), f"{where}: a property without type")
        found = dict(zip(keys, values, strict=False))
        quality = found.get("Quality", {"type": 3, "int_value": 192})
        self._rule(quality["type"] == 3 and quality.get("int_value") in (0, 192, 500), f"{where}: quality {quality}")
        stated = found.get("stated_quality", {}).get("string_value", "Good")
        code = quality.get("int_value")
        wanted = {"Good": 192, "Bad": 0, "Uncertain": 500, "Stale": 500}[stated]
        self._rule(code == wanted, f"{where} is {stated} and {code}")
        self._rule(not (code == 0 and told), f"{where} is Bad and has a value")


def _value(metric: dict[str, Any]) -> Any:
    return next((metric[field] for field in _VALUES if field in metric), None)
