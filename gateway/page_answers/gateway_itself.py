"""The gateway itself over HTTP: what it has sent to devices, where it can be reached and where it leads, its
certificates, versions and copies. What waits for a disk or the system is asked by a thread.
"""

import platform
import sqlite3
import ssl
from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

from gateway import __version__
from gateway.acquisition.plan import TcpPath
from gateway.cautions import MONITORING
from gateway.clock import utc_now
from gateway.delivery.contract import DeliveryPlan
from gateway.delivery.mail.plan import MailPlan
from gateway.delivery.opcua.plan import OpcuaPlan
from gateway.delivery.plan import MqttPlan
from gateway.delivery.postgresql.plan import PostgresqlPlan
from gateway.delivery.registers.plan import RegistersPlan
from gateway.delivery.sparkplug.plan import SparkplugPlan
from gateway.delivery.webhook.plan import WebhookPlan
from gateway.files import UnreadableError, read_text
from gateway.ledger.copied import Copied, last_copy
from gateway.page_answers.parts import Parts, instant_of, made
from gateway.payload.plain import iso_time
from gateway.permits import READ_PEOPLE, may
from gateway.process.listening import ListeningPort, listening_ports
from gateway.process.one_thread import OneThread, done_within
from gateway.settings import SiteSettings
from gateway.status import DestinationStatus, LedgerStatus, LineStatus
from gateway.web.access.certificate import CertificateError, first_certificate, holds_until
from gateway.web.access.plan import AccessPlan
from gateway.web.interface.contract import Call, Made

__all__ = ["GatewayItself", "tls_files"]

_LOOK_S = 5.0
_LARGEST_BYTES = 1_000_000
_LATE = "the disk has not given it in time"


class _Looked(NamedTuple):
    """What a thread has found."""

    ports: tuple[ListeningPort, ...] | None
    ends: dict[Path, tuple[datetime | None, str]]
    copied: Copied | None
    copied_trouble: str


class GatewayItself:
    def __init__(self, parts: Parts) -> None:
        self._parts = parts
        self._thread = OneThread("page of the gateway")

    async def gateway(self, call: Call) -> Made:
        parts, settings = self._parts, self._parts.site()
        snapshot = parts.gateway.snapshot()
        files = tuple(tls_files(settings))
        ledger = snapshot.ledger
        file = None if ledger is None or not ledger.file else Path(ledger.file)
        looking = self._thread.do(lambda: _look(tuple(path for _, path in files), file))
        looked = None
        if await done_within(looking, _LOOK_S) and looking.exception() is None:
            looked = looking.result()
        in_full = call.person is not None and may(call.person.role, READ_PEOPLE)
        ends = {} if looked is None else looked.ends
        http = settings.http
        return made(
            {
                "schema": "tank-gateway/page-gateway/1",
                "time": iso_time(parts.now()),
                "simulated": settings.simulated,
                "versions": {
                    "gateway": __version__,
                    "boot": snapshot.boot,
                    "started": iso_time(instant_of(snapshot.started_ns / 1e9)),
                    **({} if call.person is None else _beneath()),
                },
                "writes": {
                    "can": False,
                    "lines": [_sent(each) for each in snapshot.lines if _is_modbus(settings, each.line)],
                    "others": [each.line for each in snapshot.lines if not _is_modbus(settings, each.line)],
                },
                "listens": None
                if looked is None or looked.ports is None
                else [_listens(each, _meant(parts, settings)) for each in looked.ports],
                "leads": list(_leads(settings)),
                "destinations": [_destination(each) for each in snapshot.destinations],
                "certificates": [_certificate(of, path, ends, in_full=in_full) for of, path in files],
                "tls": http is not None and http.access.tls is not None,
                "view_without_sign_in": "nobody" if http is None else _viewers(http.access),
                "ledger": None if ledger is None else _kept(ledger, looked, in_full=in_full),
                "cautions": [MONITORING],
            }
        )


def _beneath() -> dict[str, str]:
    """What the gateway runs on: for those who have signed in, as who looks for a weakness asks for it too."""
    return {
        "python": platform.python_version(),
        "sqlite": sqlite3.sqlite_version,
        "tls": ssl.OPENSSL_VERSION,
        "system": platform.platform(terse=True),
    }


def tls_files(settings: SiteSettings) -> Iterator[tuple[str, Path]]:
    """Whose certificate, and where it is: of the page, of lines and of destinations, its authorities among them."""
    if settings.http is not None and settings.http.access.tls is not None:
        yield "page", settings.http.access.tls.certificate
    for line in settings.lines:
        for path in dict.fromkeys((line.primary, line.standby)):
            if isinstance(path, TcpPath) and path.tls is not None:
                yield from ((line.name, each) for each in (path.tls.certificate, path.tls.ca))
    for plan in settings.deliveries:
        tls = getattr(plan, "tls", None)
        yield from (
            (plan.name, each)
            for each in (getattr(tls, "certificate", None), getattr(tls, "ca", None))
            if each is not None
        )


def _look(certificates: tuple[Path, ...], ledger: Path | None) -> _Looked:
    """Blocks."""
    try:
        ports: tuple[ListeningPort, ...] | None = listening_ports()
    except (OSError, ValueError, IndexError):
        # Another system than Linux, or one that hides it.
        ports = None
    copied, trouble = None, ""
    if ledger is not None:
        try:
            copied = last_copy(ledger)
        except (UnreadableError, ValueError) as error:
            trouble = str(error)
    return _Looked(ports, {path: _end_of(path) for path in certificates}, copied, trouble)


def _end_of(path: Path) -> tuple[datetime | None, str]:
    try:
        return holds_until(first_certificate(read_text(path, _LARGEST_BYTES))), ""
    except UnreadableError as error:
        return None, error.cause
    except CertificateError as error:
        return None, str(error)


def _meant(parts: Parts, settings: SiteSettings) -> dict[int, tuple[str, str]]:
    """By port: what the site file has there, and its name."""
    found = {port: ("destination", plan.name) for plan in settings.deliveries if (port := getattr(plan, "port", None))}
    if settings.http is not None:
        # Where the site file leaves the port to the system it is the one that was given.
        found[parts.gateway.http_port or settings.http.port] = ("page", "")
    return found


def _listens(at: ListeningPort, meant: Mapping[int, tuple[str, str]]) -> dict[str, Any]:
    what, name = meant.get(at.port, ("unknown", ""))
    return {"address": at.address, "port": at.port, "what": what, "name": name}


def _is_modbus(settings: SiteSettings, name: str) -> bool:
    return any(line.name == name for line in settings.lines)


def _sent(status: LineStatus) -> dict[str, Any]:
    return {
        "line": status.line,
        "path": status.path,
        "since": None if status.since_ns is None else iso_time(instant_of(status.since_ns / 1e9)),
        "functions": {str(code): count for code, count in sorted(status.functions_sent.items())},
    }


def _leads(settings: SiteSettings) -> Iterator[dict[str, str]]:
    """Without destinations that serve: to these others come."""
    for line in settings.lines:
        for path in dict.fromkeys((line.primary, line.standby)):
            if path is not None:
                yield {"to": str(path), "what": "line", "name": line.name}
    for plan in settings.deliveries:
        for place in _places(plan):
            yield {"to": place, "what": "destination", "name": plan.name}


def _places(plan: DeliveryPlan) -> list[str]:
    """Where a destination goes out to; empty text: a folder of this machine."""
    match plan:
        case RegistersPlan() | OpcuaPlan():
            return []
        case SparkplugPlan():
            return [f"{host}:{port}" for host, port in plan.addresses]
        case MqttPlan() | PostgresqlPlan() | MailPlan() | WebhookPlan():
            return [f"{plan.host}:{plan.port}"]
        case _:
            return [""]


def _destination(status: DestinationStatus) -> dict[str, Any]:
    backlog = status.history
    return {
        "destination": status.destination,
        "connected": status.connected,
        "waiting": None if backlog is None else backlog.waiting,
        "oldest_s": None if backlog is None else backlog.oldest_s,
        "lost": status.lost if backlog is None else backlog.lost,
        "buffer_left_s": None if backlog is None else backlog.buffer_left_s,
        "troubles": [each.text for each in status.troubles],
        "clients": [
            {"address": each.address, "since": iso_time(each.since), "name": each.name or "", "refused": each.refused}
            for each in status.clients
        ],
    }


def _certificate(
    of: str, path: Path, ends: dict[Path, tuple[datetime | None, str]], *, in_full: bool
) -> dict[str, Any]:
    until, trouble = ends.get(path, (None, _LATE))
    return {
        "of": of,
        "file": _file(str(path), in_full=in_full),
        "until": None if until is None else iso_time(until),
        # By the machine, whatever the site's own time is.
        "left_s": None if until is None else round((until - utc_now()).total_seconds()),
        "trouble": trouble,
    }


def _kept(status: LedgerStatus, looked: _Looked | None, *, in_full: bool) -> dict[str, Any]:
    copied = None if looked is None else looked.copied
    return {
        "file": _file(status.file, in_full=in_full),
        "size_bytes": status.size_bytes,
        "oldest": None if status.oldest_ns is None else iso_time(instant_of(status.oldest_ns / 1e9)),
        "trouble": "" if status.trouble is None else status.trouble.text,
        "copied": None
        if copied is None
        else {
            "time": iso_time(copied.time),
            "file": _file(copied.file, in_full=in_full),
            "size_bytes": copied.size_bytes,
        },
        "copied_trouble": _LATE if looked is None else looked.copied_trouble,
    }


def _file(path: str, *, in_full: bool) -> str:
    return path if in_full else Path(path).name


def _viewers(access: AccessPlan) -> str:
    if access.view_without_sign_in is None:
        return "this machine"
    return "everybody" if access.view_without_sign_in else "nobody"
