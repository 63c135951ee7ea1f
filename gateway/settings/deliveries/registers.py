"""The register map: from the site file to the frozen plan of its server."""

from collections.abc import Mapping

from gateway.delivery.registers.layout import LAST_BLOCK
from gateway.delivery.registers.plan import RegistersPlan
from gateway.settings.deliveries.models import RegistersModel
from gateway.settings.deliveries.surroundings import Reading, is_loopback
from gateway.settings.reading.document import Document, KeyPath, Mistakes, dotted
from gateway.settings.reading.yaml_tree import ListNode, MappingNode, TextNode

__all__ = ["registers_plan", "registers_together"]

_HERE: KeyPath = ("delivery", "registers")
_MOST_CONNECTIONS = 100
_SHORTEST_IDLE_S, _LONGEST_IDLE_S = 5.0, 3600.0
_FREE_PORTS = 1024


def registers_plan(model: RegistersModel, path: KeyPath, reading: Reading) -> RegistersPlan:
    """One server."""
    _check(model, path, reading)
    host, port = model.address
    return RegistersPlan(
        host=host,
        port=port,
        blocks=tuple((tank, number) for tank, number in model.blocks.items() if number is not None),
        order=model.order,
        allow=model.allow,
        connections=model.connections,
        idle_s=model.idle,
        given_name=model.name,
    )


def registers_together(plans: Mapping[KeyPath, RegistersPlan], mistakes: Mistakes) -> None:
    """Two may not listen at one port, though one of them listens at every address."""
    ports: dict[int, tuple[KeyPath, str]] = {}
    for path, plan in plans.items():
        if plan.port in ports:
            other, host = ports[plan.port]
            if host != plan.host and {host, plan.host} & {"0.0.0.0", "::"}:
                mistakes.add((*path, "address"), f"has the port of {dotted(other)}, which is taken; give another port")
        ports.setdefault(plan.port, (path, plan.host))


def _check(model: RegistersModel, path: KeyPath, reading: Reading) -> None:
    mistakes, warn = reading.mistakes, reading.manual.warn
    host, port = model.address
    _check_blocks(model, path, reading)
    if path in (_HERE, (*_HERE, 0)):
        _check_all_named(path, reading.document, mistakes)
    if not 1 <= model.connections <= _MOST_CONNECTIONS:
        text = f"{model.connections} is no fit number of connections; give 1 to {_MOST_CONNECTIONS}"
        mistakes.add((*path, "connections"), text)
    if not _SHORTEST_IDLE_S <= model.idle <= _LONGEST_IDLE_S:
        text = f"{model.idle:g} s is no fit time; give {_SHORTEST_IDLE_S:g} s to {_LONGEST_IDLE_S / 60:g} min"
        mistakes.add((*path, "idle"), text)
    web = reading.document.node(("web", "address"))
    if isinstance(web, TextNode) and web.text.rpartition(":")[2] == str(port):
        mistakes.add((*path, "address"), f"has the port of web.address, {port}, which is taken; give another port")
    if port < _FREE_PORTS:
        text = (
            f"port {port} is below {_FREE_PORTS}, which takes a right that the service has not; give 5502, or see "
            "`registers` in the guide"
        )
        warn((*path, "address"), text)
    if not is_loopback(host) and not model.allow:
        text = f"{host} is reached by other machines, and Modbus knows no sign-in; say by `allow` who may read"
        warn((*path, "address"), text)


def _check_blocks(model: RegistersModel, path: KeyPath, reading: Reading) -> None:
    tanks = _tanks(reading.document)
    taken: dict[int, str] = {}
    for tank, number in model.blocks.items():
        key = (*path, "blocks", tank)
        if number is not None and not 1 <= number <= LAST_BLOCK:
            reading.mistakes.add(key, f"there is no block {number}; give one from 1 to {LAST_BLOCK}")
        elif number is not None and number in taken:
            text = f"{number} is the block of {taken[number]}; give another, such as {_free(taken, model)}"
            reading.mistakes.add(key, text)
        if number is not None:
            taken.setdefault(number, tank)
        if tank not in tanks:
            text = "there is no such tank; its block is kept for it, and tells that there is no sheet"
            reading.manual.warn(key, text)


def _check_all_named(path: KeyPath, document: Document, mistakes: Mistakes) -> None:
    """Each tank has a number somewhere, or none on purpose: one that nobody thought of would be missed by nobody."""
    node = document.node(_HERE)
    places = [(*_HERE, index) for index in range(len(node.items))] if isinstance(node, ListNode) else [_HERE]
    blocks = [document.node((*place, "blocks")) for place in places]
    named = {tank for each in blocks if isinstance(each, MappingNode) for tank in each.items}
    for tank in _tanks(document):
        if tank not in named:
            text = f"names no block for tank {tank}; give it a number that no tank has had, or `{tank}: no`"
            mistakes.add((*path, "blocks"), text)


def _tanks(document: Document) -> list[str]:
    tanks = document.node(("tanks",))
    return list(tanks.items) if isinstance(tanks, MappingNode) else []


def _free(taken: Mapping[int, str], model: RegistersModel) -> int:
    used = {*taken, *(number for number in model.blocks.values() if number is not None)}
    return next(number for number in range(1, LAST_BLOCK + 2) if number not in used)
