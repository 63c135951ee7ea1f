"""`check`: every mistake of a site file at once, or what the file describes."""

import argparse
from collections.abc import Callable

from gateway.acquisition.links.modbus_tls import trouble_with
from gateway.acquisition.plan import TcpPath
from gateway.clock import utc_now
from gateway.commands.output import write, write_json
from gateway.commands.service.check_entries import entered_beside
from gateway.commands.service.check_tables import LONGEST_S, MOST_ROWS, look_at_tables
from gateway.commands.service.descriptors import limits, needed_by, shortage
from gateway.commands.service.ledger_file import place_of
from gateway.commands.service.site_argument import add_site, load
from gateway.delivery import secrets
from gateway.delivery.files import parquet
from gateway.delivery.mail.delivery import missing_part as no_mail
from gateway.delivery.mail.plan import MailPlan
from gateway.delivery.opcua.looked_at import trouble_with_opcua
from gateway.delivery.opcua.plan import OpcuaPlan
from gateway.delivery.plan import FilesPlan
from gateway.delivery.postgresql.delivery import missing_part as no_postgresql
from gateway.delivery.postgresql.plan import PostgresqlPlan
from gateway.delivery.registers.delivery import missing_part as no_registers
from gateway.delivery.registers.plan import RegistersPlan
from gateway.delivery.sparkplug.plan import SparkplugPlan
from gateway.delivery.sparkplug.plan import missing_part as no_sparkplug
from gateway.delivery.webhook.delivery import missing_part as no_webhook
from gateway.delivery.webhook.plan import WebhookPlan
from gateway.display import printable
from gateway.errors import SettingsError, UsageError
from gateway.files import trouble_with as trouble_with_file
from gateway.ledger.room import room_warnings
from gateway.settings.site import SiteSettings
from gateway.web.access.provider.provider import missing_part as missing_for_provider
from gateway.web.access.provider.secrets import provider_trouble
from gateway.web.access.tls import certificate_trouble
from gateway.web.access.tokens import token_trouble

__all__ = ["add_arguments", "execute", "looked_at"]


_NOBODY_IS_CALLED = (
    "alarms are shown, published and measured, and nobody is called: `delivery: {mail: ...}` or `webhook` would"
)


_EPILOG = f"""A mistake is what the program cannot go by: `run` refuses the file. A warning is for a person to look at.
Capacity tables are looked at for slips of the pen, for {LONGEST_S:g} s and up to {MOST_ROWS:,} rows each; what was left
out is said, and `tank-gateway table check` looks closer.
Example: tank-gateway check site.yaml
Exit codes: 0 no mistake, be it with warnings; 2 mistakes, all of them listed with line, key and what would be right."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    add_site(parser)
    parser.add_argument("--json", action="store_true", help="print the findings for a program")


def execute(arguments: argparse.Namespace) -> int:
    try:
        settings = load(arguments.site)
    except SettingsError as error:
        mistakes = error.mistakes
        if arguments.json:
            write_json({"well": False, "mistakes": list(mistakes), "warnings": []})
        else:
            write(*(printable(mistake) for mistake in mistakes), _count(len(mistakes), "mistake"))
        return 2
    warnings, remarks = looked_at(arguments.site, settings)
    instruments = sum(len(line.instruments) for line in settings.lines)
    if arguments.json:
        write_json(
            {
                "well": True,
                "mistakes": [],
                "warnings": warnings,
                "remarks": remarks,
                "site": settings.name,
                "tanks": len(settings.tanks),
                "instruments": instruments,
                "lines": len(settings.lines),
            }
        )
    else:
        write(
            *(f"warning: {printable(warning)}" for warning in warnings),
            *(printable(remark) for remark in remarks),
            _summary(settings, instruments),
        )
    return 0


def looked_at(file: str, settings: SiteSettings) -> tuple[list[str], list[str]]:
    """What is not wrong in a site file: warnings, for a person to look at, and remarks."""
    warnings = [*settings.warnings, *_trouble_with_secrets(file, settings)]
    warnings += _trouble_with_web(file, settings)
    # The soft limit is raised at the start where the hard one allows it.
    too_few = shortage(needed_by(settings), limits().hard)
    if too_few is not None:
        warnings.append(f"{file}: {too_few}")
    warnings += _room(file, settings)
    warnings += entered_beside(file, settings)
    looked = look_at_tables(file, settings)
    warnings += looked.warnings
    remarks = [*looked.remarks, *(remark for tank in settings.tanks for remark in tank.remarks)]
    calls = any(isinstance(plan, MailPlan | WebhookPlan) for plan in settings.deliveries)
    if any(tank.plan.limits.given for tank in settings.tanks) and not calls:
        remarks.append(_NOBODY_IS_CALLED)
    return warnings, remarks


_SecretPlan = PostgresqlPlan | SparkplugPlan | MailPlan | WebhookPlan
_WITH_SECRETS: dict[type[_SecretPlan], tuple[str, Callable[[], str | None]]] = {
    PostgresqlPlan: ("postgresql", no_postgresql),
    SparkplugPlan: ("sparkplug", no_sparkplug),
    MailPlan: ("mail", no_mail),
    WebhookPlan: ("webhook", no_webhook),
}
"""Destinations that go out with a secret: the key of the site file, and what tells which part is not installed."""


def _trouble_with_secrets(file: str, settings: SiteSettings) -> list[str]:
    """Of lines with TLS and of destinations. Warnings only: the box that runs the file may have other files."""
    found = []
    for line in settings.lines:
        for key, path in (("tls", line.primary), ("standby.tls", line.standby)):
            if isinstance(path, TcpPath) and path.tls is not None and (trouble := trouble_with(path.tls)) is not None:
                found.append(f"{file}: lines.{line.name}.{key}: {trouble}; without it this line is never connected")
    for broker in settings.brokers:
        without = f"without it {broker.host}:{broker.port} gets nothing"
        found += [f"{file}: delivery.mqtt: {trouble}; {without}" for trouble in secrets.trouble_with(broker)]
    for kind, (key, lacks) in _WITH_SECRETS.items():
        for plan in (each for each in settings.deliveries if isinstance(each, kind)):
            if isinstance(plan, SparkplugPlan):
                without = f"{plan.name} tells nothing"
            else:
                without = f"{plan.host}:{plan.port} gets nothing"
            found += [f"{file}: delivery.{key}: {each}; without it {without}" for each in secrets.trouble_with(plan)]
            if (lacking := lacks()) is not None:
                found.append(f"{file}: delivery.{key}: {lacking}")
    for server in (each for each in settings.deliveries if isinstance(each, RegistersPlan)):
        if (lacking := no_registers()) is not None:
            found.append(f"{file}: delivery.registers: {lacking}; until then {server.host}:{server.port} is not served")
    for opcua in (each for each in settings.deliveries if isinstance(each, OpcuaPlan)):
        found += [f"{file}: delivery.opcua: {each}" for each in trouble_with_opcua(opcua)]
    formats = {each.format for each in settings.deliveries if isinstance(each, FilesPlan)}
    if "parquet" in formats and (lacking := parquet.missing_part()) is not None:
        found.append(f"{file}: delivery.files: {lacking}; until then history waits in the ledger")
    return found


def _trouble_with_web(file: str, settings: SiteSettings) -> list[str]:
    """Of certificate and tokens; that a file is not there at all is said already."""
    if settings.http is None:
        return []
    access, found = settings.http.access, []
    if access.tls is not None and all(
        trouble_with_file(each) is None for each in (access.tls.certificate, access.tls.key)
    ):
        trouble = certificate_trouble(access.tls, utc_now())
        found += [] if trouble is None else [f"{file}: web.tls: {trouble}"]
    for token in access.tokens:
        if token.secret_file is not None and trouble_with_file(token.secret_file) is not None:
            continue
        trouble = token_trouble(token)
        if trouble is not None:
            found.append(f"{file}: web.tokens: {trouble}; {token.name} reads nothing until it does")
    provider = access.provider
    if provider is not None:
        named = [each for each in (provider.secret_file, provider.ca) if each is not None]
        told = provider_trouble(provider) if all(trouble_with_file(each) is None for each in named) else None
        troubles = [each for each in (missing_for_provider(), told) if each is not None]
        found += [f"{file}: web.sign_in_by: {each}" for each in troubles]
    return found


def _room(file: str, settings: SiteSettings) -> list[str]:
    """What of the ledger there will be no room for, where that is to be seen from here."""
    if settings.ledger is None:
        return []
    try:
        place = place_of(settings.ledger, settings.name)
    except UsageError:
        place = None
    return [f"{file}: ledger: {each}" for each in room_warnings(settings.ledger, len(settings.tanks), place)]


def _summary(settings: SiteSettings, instruments: int) -> str:
    tanks = _count(len(settings.tanks), "tank")
    return f"well: {tanks}, {_count(instruments, 'instrument')} on {_count(len(settings.lines), 'line')}"


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
