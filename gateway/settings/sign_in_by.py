"""Sign-in by a provider of OpenID Connect: from the site file to its frozen plan."""

import re
from typing import Annotated
from urllib.parse import SplitResult, urlsplit

from pydantic import BeforeValidator, Field, WithJsonSchema

from gateway.looks import seen_as
from gateway.person import Role
from gateway.settings.deliveries.surroundings import Reading, check_one_secret, is_loopback
from gateway.settings.reading.document import KeyPath
from gateway.settings.reading.fields import Section, Text, YesNo, require_text
from gateway.web.access.provider.plan import NAME_CLAIM, SCOPES, ProviderPlan

__all__ = ["SignInByModel", "provider_plan"]

_HERE: KeyPath = ("web", "sign_in_by")
_NAME = re.compile(r"[a-z][a-z0-9-]{0,19}", re.ASCII)
_SCOPE = re.compile(r"[!#-\[\]-~]+", re.ASCII)
"""RFC 6749, section 3.3."""
_TAKEN = ("page", "root")
_MOST_ROLES = 100
_DEFAULT_PORTS = {"https": 443, "http": 80}


_TEXT = BeforeValidator(lambda value: require_text(value, "a text"))
_Name = Annotated[str, _TEXT, WithJsonSchema({"type": "string", "examples": ["works"]})]
_Issuer = Annotated[str, _TEXT, WithJsonSchema({"type": "string", "examples": ["https://login.example/works"]})]
_Client = Annotated[str, _TEXT, WithJsonSchema({"type": "string", "examples": ["tank-gateway"]})]
_Page = Annotated[str, _TEXT, WithJsonSchema({"type": "string", "examples": ["https://tanks.example:9109"]})]
_Claim = Annotated[str, _TEXT, WithJsonSchema({"type": "string", "examples": ["groups"]})]
_Value = Annotated[str, _TEXT, WithJsonSchema({"type": "string", "examples": ["tank-office"]})]
_RoleName = Annotated[str, _TEXT, WithJsonSchema({"enum": [each.value for each in Role], "examples": ["operator"]})]


class GivenRoleModel(Section):
    """A value of the claim, and what it makes of somebody here."""

    value: Annotated[_Value, Field(description="As the provider tells it, to the letter")]
    role: Annotated[_RoleName, Field(description="viewer, operator, technician, accountant or administrator")]


class SignInByModel(Section):
    """A provider of OpenID Connect, beside name and password."""

    name: Annotated[_Name, Field(description="Behind the @ of those who come so: anna@works")]
    issuer: Annotated[_Issuer, Field(description="To the letter as the provider calls itself")]
    client: Annotated[_Client, Field(description="As which it knows this gateway")]
    secret_file: Annotated[Text | None, Field(description="A file that holds the client's secret and nothing else")] = (
        None
    )
    secret_variable: Annotated[Text | None, Field(description="Or a variable of the environment that has it")] = None
    ca: Annotated[Text | None, Field(description="PEM: whom to trust; whom this machine does unless given")] = None
    page: Annotated[
        _Page, Field(description="Under which browsers open the page; with a / behind it where it returns to")
    ]
    scopes: Annotated[tuple[Text, ...], Field(description="Asked for beside openid")] = SCOPES
    name_claim: Annotated[_Claim, Field(description="Which claim has the name; what stands before an @ in it")] = (
        NAME_CLAIM
    )
    role_claim: Annotated[_Claim, Field(description="Which claim has the values below; a dot leads into a block")]
    roles: Annotated[tuple[GivenRoleModel, ...], Field(description="Who may come in as what; of several the first")]
    asks_each_time: Annotated[
        YesNo, Field(description="Whether it has to ask for a password at each sign-in, as a shared screen needs")
    ] = True


def provider_plan(
    model: SignInByModel | None, host: str, names: tuple[str, ...], reading: Reading
) -> ProviderPlan | None:
    """None where there is none, or where it cannot be used. `host`, `names`: under which the gateway is asked."""
    if model is None:
        return None
    add = reading.mistakes.add
    if not _NAME.fullmatch(model.name):
        text = f"'{model.name}' is no word of 20 small letters, digits and - at most; write for example works"
        add((*_HERE, "name"), text)
    elif taken := next((each for each in _TAKEN if seen_as(each) & seen_as(model.name)), None):
        add((*_HERE, "name"), f"'{model.name}' looks like @{taken}, and people would be taken for others; give another")
    _check_issuer(model.issuer, reading)
    page = _page(model.page, host, names, reading)
    check_one_secret(model.secret_file, model.secret_variable, "secret", _HERE, reading)
    for index, scope in enumerate(model.scopes):
        if not _SCOPE.fullmatch(scope):
            add((*_HERE, "scopes", index), f"'{scope}' is no scope; write for example groups")
    secret = reading.file(model.secret_file, (*_HERE, "secret_file"))
    ca = reading.file(model.ca, (*_HERE, "ca"))
    return ProviderPlan(
        name=model.name,
        issuer=model.issuer,
        client=model.client,
        page=page,
        role_claim=model.role_claim,
        roles=_roles(model.roles, reading),
        name_claim=model.name_claim,
        scopes=tuple(scope for scope in model.scopes if scope != "openid"),
        asks_each_time=model.asks_each_time,
        secret_file=secret,
        secret_variable=model.secret_variable,
        ca=ca,
    )


def _check_issuer(issuer: str, reading: Reading) -> None:
    parts = _parts(issuer)
    if parts is None or parts.scheme != "https" or parts.query or parts.fragment:
        text = f"'{issuer}' is no https address without ? and #; write for example https://login.example/works"
        reading.mistakes.add((*_HERE, "issuer"), text)


def _page(page: str, host: str, names: tuple[str, ...], reading: Reading) -> str:
    """As browsers write an origin."""
    key: KeyPath = (*_HERE, "page")
    parts = _parts(page)
    if parts is None or parts.path not in ("", "/") or parts.query or parts.fragment:
        text = f"'{page}' is no address of a page by scheme and host; write for example https://tanks.example:9109"
        reading.mistakes.add(key, text)
        return page
    name = (parts.hostname or "").lower()
    if parts.scheme == "http" and not is_loopback(name):
        text = f"'{page}' goes over the network unencrypted, and so would who signs in; write https"
        reading.mistakes.add(key, text)
    elif not is_loopback(name) and name not in (host.lower(), *(each.lower().rstrip(".") for each in names)):
        reading.mistakes.add(key, f"'{name}' is no name by which the gateway is asked; give it under web: names too")
    shown = f"[{name}]" if ":" in name else name
    port = "" if parts.port in (None, _DEFAULT_PORTS[parts.scheme]) else f":{parts.port}"
    return f"{parts.scheme}://{shown}{port}"


def _parts(address: str) -> SplitResult | None:
    """Of an address of the web that names nobody; None: it is none."""
    if not address.isascii() or not address.isprintable() or set(' "<>\\') & set(address):
        return None
    try:
        parts = urlsplit(address)
        fine = parts.scheme in _DEFAULT_PORTS and bool(parts.hostname) and parts.port != 0 and "@" not in parts.netloc
    except ValueError:
        return None
    return parts if fine else None


def _roles(models: tuple[GivenRoleModel, ...], reading: Reading) -> tuple[tuple[str, Role], ...]:
    here: KeyPath = (*_HERE, "roles")
    if not 1 <= len(models) <= _MOST_ROLES:
        text = f"{len(models)} of them; give 1 to {_MOST_ROLES}: who has none of these values does not come in"
        reading.mistakes.add(here, text)
    known: dict[str, Role] = {}
    for index, model in enumerate(models):
        if model.value in known:
            reading.mistakes.add((*here, index, "value"), f"'{model.value}' stands above already; keep one of the two")
        try:
            known.setdefault(model.value, Role(model.role))
        except ValueError:
            text = f"'{model.role}' is no role; one of {', '.join(role.value for role in Role)}"
            reading.mistakes.add((*here, index, "role"), text)
    return tuple(known.items())
