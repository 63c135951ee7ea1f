"""The HTTP interface: where it listens, who may come, and over what; from the site file to its frozen plan."""

import ipaddress
import re
from typing import Annotated

from pydantic import BeforeValidator, Field, WithJsonSchema

from gateway.settings.deliveries.surroundings import Reading, check_one_secret, is_loopback
from gateway.settings.reading.document import KeyPath
from gateway.settings.reading.fields import Address, Duration, Name, Section, Text, YesNo, require_text
from gateway.settings.reading.validation import validate
from gateway.settings.sign_in_by import SignInByModel, provider_plan
from gateway.web.access.plan import IDLE_S, LONGEST_S, AccessPlan, TlsFiles, TokenPlan
from gateway.web.plan import HttpPlan

__all__ = ["WebModel", "build_http"]

_HOST_NAME = re.compile(r"[a-z0-9_-]+(\.[a-z0-9_-]+)*\.?", re.ASCII | re.IGNORECASE)
_PATH: KeyPath = ("web",)
_SHORTEST_S = 60.0
_LONGEST_SESSION_S = 31 * 86_400.0
_MOST_TOKENS = 20
_WIDEST = {4: 24, 6: 64}
"""A trusted proxy is an address, or a network of this many bits at least."""


_File = Annotated[
    str,
    BeforeValidator(lambda value: require_text(value, "a file")),
    WithJsonSchema({"type": "string", "examples": ["/etc/tank-gateway/web.pem"]}),
]


class WebTlsModel(Section):
    """PEM files, taken anew when they change."""

    certificate: Annotated[_File, Field(description="With those between it and its authority")]
    key: Annotated[_File, Field(description="Of that certificate, without a password")]


class WebTokenModel(Section):
    """A program that may read, by a secret that it shows as a bearer token."""

    name: Name
    secret_file: Annotated[Text | None, Field(description="A file that holds the secret and nothing else")] = None
    secret_variable: Annotated[Text | None, Field(description="Or a variable of the environment that has it")] = None


class SessionsModel(Section):
    """How long somebody who has signed in stays so."""

    unused: Annotated[Duration, Field(description="Without a request; 1 min to `longest`")] = IDLE_S
    longest: Annotated[Duration, Field(description="Whatever he does; 31 d at most")] = LONGEST_S


class WebModel(Section):
    """Metrics, pages, and people who act."""

    address: Address
    names: Annotated[
        tuple[Text, ...],
        Field(description="Host names it is asked by, beside its addresses and the machine's own name"),
    ] = ()
    view_without_sign_in: Annotated[
        YesNo | None, Field(description="Whether anybody may look; only who comes from this machine unless given")
    ] = None
    sessions: SessionsModel = SessionsModel()
    tokens: Annotated[tuple[WebTokenModel, ...], Field(description="Programs that read, such as Prometheus")] = ()
    tls: WebTlsModel | None = None
    sign_in_by: Annotated[
        SignInByModel | None, Field(description="A provider of OpenID Connect, beside name and password")
    ] = None
    trusted_proxy: Annotated[
        Text | None, Field(description="Address or network of a proxy whose X-Forwarded-For and -Proto are believed")
    ] = None


def build_http(reading: Reading) -> HttpPlan | None:
    """The HTTP interface, or None where the file has none."""
    if reading.document.node(_PATH) is None:
        return None
    checked = validate(WebModel, reading.document, _PATH, reading.mistakes)
    if checked is None or checked.dropped:
        return None
    model = checked.model
    host, port = model.address
    for index, name in enumerate(model.names):
        if not _HOST_NAME.fullmatch(name):
            text = f"'{name}' is no host name; write for example tanks.example"
            reading.mistakes.add((*_PATH, "names", index), text)
    _check_sessions(model.sessions, reading)
    proxy = _proxy(model.trusted_proxy, reading)
    access = AccessPlan(
        model.view_without_sign_in,
        model.sessions.unused,
        model.sessions.longest,
        _tokens(model.tokens, reading),
        _tls(model.tls, reading),
        proxy,
        provider_plan(model.sign_in_by, host, model.names, reading),
    )
    if not is_loopback(host):
        _warn_of_others(host, access, reading)
    elif proxy is not None and model.view_without_sign_in is None:
        text = "with a proxy before it nobody looks without signing in; say so by `view_without_sign_in: no`, or yes"
        reading.manual.warn((*_PATH, "trusted_proxy"), text)
    return HttpPlan(host, port, model.names, access=access)


def _warn_of_others(host: str, access: AccessPlan, reading: Reading) -> None:
    if access.view_without_sign_in:
        text = f"whoever reaches {host} sees every tank without signing in; write no unless that is meant"
        reading.manual.warn((*_PATH, "view_without_sign_in"), text)
    if access.tls is None and access.trusted_proxy is None:
        text = (
            f"{host} can be reached from other machines, and passwords go there unencrypted; "
            "give tls, or use 127.0.0.1 where only this machine is meant"
        )
        reading.manual.warn((*_PATH, "address"), text)


def _check_sessions(model: SessionsModel, reading: Reading) -> None:
    here: KeyPath = (*_PATH, "sessions")
    if not _SHORTEST_S <= model.longest <= _LONGEST_SESSION_S:
        reading.mistakes.add((*here, "longest"), f"{_hours(model.longest)} is not from 1 min to 31 d")
    elif not _SHORTEST_S <= model.unused <= model.longest:
        text = f"{_hours(model.unused)} is not from 1 min to `longest`, {_hours(model.longest)}"
        reading.mistakes.add((*here, "unused"), text)


def _hours(seconds: float) -> str:
    return f"{seconds / 3600.0:.4g} h"


def _tokens(models: tuple[WebTokenModel, ...], reading: Reading) -> tuple[TokenPlan, ...]:
    here: KeyPath = (*_PATH, "tokens")
    if len(models) > _MOST_TOKENS:
        reading.mistakes.add(here, f"{len(models)} of them; {_MOST_TOKENS} can be at most")
    plans: dict[str, TokenPlan] = {}
    for index, model in enumerate(models):
        path: KeyPath = (*here, index)
        check_one_secret(model.secret_file, model.secret_variable, "secret", path, reading)
        if model.secret_file is None and model.secret_variable is None:
            reading.mistakes.add((*path, "secret_file"), "is missing; give it, or secret_variable")
        if model.name in plans:
            text = f"'{model.name}' is the name of another one already; give each a name of its own"
            reading.mistakes.add((*path, "name"), text)
        file = reading.file(model.secret_file, (*path, "secret_file"))
        plans.setdefault(model.name, TokenPlan(model.name, file, model.secret_variable))
    return tuple(plans.values())


def _tls(model: WebTlsModel | None, reading: Reading) -> TlsFiles | None:
    if model is None:
        return None
    here: KeyPath = (*_PATH, "tls")
    certificate = reading.file(model.certificate, (*here, "certificate"))
    key = reading.file(model.key, (*here, "key"))
    return None if certificate is None or key is None else TlsFiles(certificate, key)


def _proxy(text: str | None, reading: Reading) -> ipaddress.IPv4Network | ipaddress.IPv6Network | None:
    if text is None:
        return None
    key: KeyPath = (*_PATH, "trusted_proxy")
    try:
        network = ipaddress.ip_network(text)
    except ValueError:
        reading.mistakes.add(key, f"'{text}' is no address; write for example 192.0.2.5 or 192.0.2.0/28")
        return None
    if network.prefixlen < _WIDEST[network.version]:
        widest = f"/{_WIDEST[network.version]}"
        reading.mistakes.add(key, f"'{text}' is wider than {widest}, and anybody in it may say who he is; give less")
    return network
