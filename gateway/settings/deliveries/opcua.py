"""OPC UA servers: from the site file to their frozen plans."""

from gateway.delivery.opcua.plan import NO_SECURITY, OpcuaPlan
from gateway.settings.deliveries.models import OpcuaModel
from gateway.settings.deliveries.surroundings import Reading, is_loopback
from gateway.settings.reading.document import KeyPath, Mistakes

__all__ = ["opcua_plan"]

_MOST_SESSIONS = 100
_INTERVAL_S = (0.1, 60.0)
_MEMORY_MB = (512, 8192)


def opcua_plan(model: OpcuaModel, path: KeyPath, reading: Reading) -> OpcuaPlan | None:
    """One server."""
    _check(model, path, reading.mistakes)
    _warn(model, path, reading)
    host, port = model.address
    certificates = reading.file_to_write(model.certificates, (*path, "certificates"))
    assert certificates is not None
    users_file = reading.file(model.users_file, (*path, "users_file"))
    return OpcuaPlan(
        host=host,
        port=port,
        certificates=certificates,
        security=tuple(dict.fromkeys(model.security)),
        users_file=None if users_file is None else users_file.absolute(),
        anonymous=model.anonymous,
        sessions=model.sessions,
        shortest_interval_s=model.shortest_interval,
        memory_mb=model.memory_mb,
        backoff_first_s=model.backoff_first,
        backoff_longest_s=model.backoff_longest,
        given_name=model.name,
    )


def _check(model: OpcuaModel, path: KeyPath, mistakes: Mistakes) -> None:
    if not model.security:
        mistakes.add((*path, "security"), "is empty, so that nobody could connect; leave it out for the safe ones")
    if not 1 <= model.sessions <= _MOST_SESSIONS:
        mistakes.add((*path, "sessions"), f"{model.sessions} connections at once; give 1 to {_MOST_SESSIONS}")
    least_s, greatest_s = _INTERVAL_S
    if not least_s <= model.shortest_interval <= greatest_s:
        text = f"{model.shortest_interval:g} s is none to publish at; give {least_s:g} s to {greatest_s:g} s"
        mistakes.add((*path, "shortest_interval"), text)
    least_mb, greatest_mb = _MEMORY_MB
    if not least_mb <= model.memory_mb <= greatest_mb:
        mistakes.add((*path, "memory_mb"), f"{model.memory_mb} MB for a process; give {least_mb} to {greatest_mb}")
    if model.users_file is None and not model.anonymous:
        text = "is missing; give it, or `anonymous: yes` where everybody whose certificate is trusted may read"
        mistakes.add((*path, "users_file"), text)


def _warn(model: OpcuaModel, path: KeyPath, reading: Reading) -> None:
    host, port = model.address
    if port < 1024:
        text = f"port {port} is below 1024: the gateway's user may not listen there unless somebody gave it that right"
        reading.manual.warn((*path, "address"), text)
    if is_loopback(host):
        return
    if NO_SECURITY in model.security:
        text = "None is offered to other machines: everything goes there unencrypted, and nobody knows who reads it"
        reading.manual.warn((*path, "security"), text)
    if model.anonymous:
        text = "whoever reaches the port from another machine may read without a name"
        if NO_SECURITY not in model.security:
            text += ", if only its certificate is trusted"
        reading.manual.warn((*path, "anonymous"), text)
