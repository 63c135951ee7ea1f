"""What a site file may say about each kind of destination."""

import re
from datetime import time
from ipaddress import IPv4Network, IPv6Network, ip_network
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, TypeAdapter, WithJsonSchema

from gateway.settings.reading.fields import (
    Address,
    Duration,
    Name,
    Section,
    Text,
    Whole,
    YesNo,
    refuse,
    require_text,
    whole_number,
)

__all__ = [
    "FilesModel",
    "MailModel",
    "MqttModel",
    "OpcuaModel",
    "PostgresqlModel",
    "RegistersModel",
    "SparkplugModel",
    "TlsModel",
    "WebhookModel",
]


class TlsModel(Section):
    """Encryption; the server's certificate is always checked."""

    ca: Annotated[Text | None, Field(description="File; without it the system's own authorities")] = None
    certificate: Text | None = None
    key: Text | None = None


class MqttModel(Section):
    """One broker."""

    name: Annotated[Name | None, Field(description="In status, metrics and log; by its address unless given")] = None
    address: Address
    prefix: Text = "tanks"
    protocol: Annotated[Literal["3.1.1", "5"], WithJsonSchema({"enum": ["3.1.1", "5", 5]})] = "3.1.1"
    client_id: Text | None = None
    user_name: Text | None = None
    password_file: Annotated[Text | None, Field(description="A file that holds the password and nothing else")] = None
    tls: TlsModel | None = None
    keepalive: Duration = 20.0
    timeout: Duration = 10.0
    window: Annotated[Whole, Field(description="Messages in flight, 1 to 100")] = 20
    status_period: Duration = 30.0
    backoff_first: Duration = 0.5
    backoff_longest: Duration = 30.0


_Folder = Annotated[
    str,
    BeforeValidator(lambda value: require_text(value, "a folder")),
    WithJsonSchema({"type": "string", "description": "There already; none is made", "examples": ["/srv/tank-history"]}),
]


class FilesModel(Section):
    """One folder of files of history."""

    name: Annotated[Name | None, Field(description="In status, metrics and log; by its folder unless given")] = None
    folder: _Folder
    format: Annotated[Literal["csv", "parquet"], Field(description="parquet needs the extra of that name")] = "csv"
    each: Annotated[Duration, Field(description="Each file is of so much time, a part of a day, by UTC")] = 86_400.0


DatabaseName = Annotated[
    str,
    BeforeValidator(lambda value: require_text(value, "the name of the database")),
    WithJsonSchema({"type": "string", "description": "As the server knows it", "examples": ["plant"]}),
]
UserName = Annotated[
    str,
    BeforeValidator(lambda value: require_text(value, "the name of the user")),
    WithJsonSchema({"type": "string", "description": "As the server knows it", "examples": ["gateway"]}),
]


class PostgresqlModel(Section):
    """One database, for history and events."""

    name: Annotated[Name | None, Field(description="In status, metrics and log; by its address unless given")] = None
    address: Address
    database: DatabaseName
    user_name: UserName
    password_file: Annotated[Text | None, Field(description="A file that holds the password and nothing else")] = None
    tls: TlsModel | None = None
    schema_name: Annotated[Text, Field(description="Of the database: where the tables are made")] = "tanks"
    batch: Annotated[Whole, Field(description="Most rows in one transaction, 1 to 5000")] = 500
    gather: Annotated[Duration, Field(description="How long a batch that is not full waits for more")] = 1.0
    timeout: Duration = 10.0
    backoff_first: Duration = 0.5
    backoff_longest: Duration = 30.0


_LAST_BLOCK_SCHEMA = {
    "type": ["integer", "string", "boolean"],
    "description": "1 to 203, or no: nobody reads this tank there",
    "examples": ["1"],
}


def _read_block(value: Any) -> int | None:
    text = require_text(value, "a number, for example 1, or no")
    if text.lower() == "no":
        return None
    number = whole_number(text)
    if number is None:
        raise refuse(f"'{text}' is not the number of a block; write for example 1, or no")
    return number


BlockNumber = Annotated[int | None, BeforeValidator(_read_block), WithJsonSchema(_LAST_BLOCK_SCHEMA)]


def _read_network(value: Any) -> IPv4Network | IPv6Network:
    text = require_text(value, "an address or a network")
    try:
        return ip_network(text)
    except ValueError:
        pass
    try:
        meant = ip_network(text, strict=False)
    except ValueError:
        raise refuse(f"'{text}' is no address and no network; write for example 192.0.2.10 or 192.0.2.0/24") from None
    raise refuse(f"'{text}' is an address in a network; write {meant} for all of it, or {text.partition('/')[0]}")


def _read_networks(value: Any) -> tuple[IPv4Network | IPv6Network, ...]:
    """One, or a list of them."""
    return tuple(_read_network(each) for each in (value if isinstance(value, list | tuple) else [value]))


_NETWORK_SCHEMA = {"type": "string", "examples": ["192.0.2.0/24"]}
Networks = Annotated[
    tuple[IPv4Network | IPv6Network, ...],
    BeforeValidator(_read_networks),
    WithJsonSchema(
        {
            "anyOf": [_NETWORK_SCHEMA, {"type": "array", "items": _NETWORK_SCHEMA}],
            "description": "Addresses and networks, one or a list",
            "examples": ["192.0.2.0/24"],
        }
    ),
]


class RegistersModel(Section):
    """One server of registers, for a control system or PLC that reads Modbus TCP."""

    name: Annotated[Name | None, Field(description="In status, metrics and log; by its address unless given")] = None
    address: Annotated[Address, Field(description="Where it listens; this machine alone unless given")] = (
        "127.0.0.1",
        5502,
    )
    blocks: Annotated[dict[Name, BlockNumber], Field(description="The number of each tank's block, for ever its own")]
    order: Annotated[
        Literal["ABCD", "CDAB", "BADC", "DCBA"], Field(description="Of the bytes of a number of two registers")
    ] = "ABCD"
    allow: Annotated[Networks, Field(description="Who may connect; everybody unless given")] = ()
    connections: Annotated[Whole, Field(description="At once, 1 to 100; half of them from one address")] = 16
    idle: Annotated[Duration, Field(description="Without a request, until a connection is closed")] = 120.0


_MAIL = re.compile(r"[^\s@<>,;:\"()\[\]]{1,64}@[A-Za-z0-9-]+(?:\.[A-Za-z0-9-]+)*", re.ASCII)
_CLOCK = re.compile(r"([01]\d|2[0-3]):([0-5]\d)", re.ASCII)


def _read_mail_address(value: Any) -> str:
    text = require_text(value, "an e-mail address")
    if not _MAIL.fullmatch(text) or not text.isascii() or not text.isprintable():
        raise refuse(f"'{text}' is not an e-mail address; write for example shift@depot.example")
    return text


def _read_mail_addresses(value: Any) -> tuple[str, ...]:
    """One, or a list of them."""
    return tuple(_read_mail_address(each) for each in (value if isinstance(value, list | tuple) else [value]))


def _read_time_of_day(value: Any) -> time | None:
    text = require_text(value, "a time of day, for example 07:00, or no")
    if text.lower() == "no":
        return None
    match = _CLOCK.fullmatch(text)
    if match is None:
        raise refuse(f"'{text}' is not a time of day; write for example 07:00 or 18:30, or no")
    return time(int(match[1]), int(match[2]))


_MAIL_SCHEMA = {"type": "string", "examples": ["shift@depot.example"]}
MailAddress = Annotated[
    str, BeforeValidator(_read_mail_address), WithJsonSchema({**_MAIL_SCHEMA, "description": "An e-mail address"})
]
MailAddresses = Annotated[
    tuple[str, ...],
    BeforeValidator(_read_mail_addresses),
    WithJsonSchema(
        {
            "anyOf": [_MAIL_SCHEMA, {"type": "array", "items": _MAIL_SCHEMA}],
            "description": "An e-mail address or a list of them",
            "examples": ["shift@depot.example"],
        }
    ),
]
TimeOfDay = Annotated[
    time | None,
    BeforeValidator(_read_time_of_day),
    WithJsonSchema({"type": ["string", "boolean"], "description": "By the site's time, or no", "examples": ["07:00"]}),
]
_EVERY_PRIORITY = Literal["now", "soon", "look"]


class MailModel(Section):
    """One mail server and the people it writes to."""

    name: Annotated[Name | None, Field(description="In status, metrics and log; by its address unless given")] = None
    address: Address
    encryption: Annotated[
        Literal["starttls", "tls", "none"], Field(description="tls: from the first byte on, often port 465")
    ] = "starttls"
    tls: TlsModel | None = None
    user_name: Text | None = None
    password_file: Annotated[Text | None, Field(description="A file that holds the password and nothing else")] = None
    password_variable: Annotated[Text | None, Field(description="Or a variable of the environment that has it")] = None
    sender: MailAddress
    to: MailAddresses
    escalate_to: Annotated[MailAddresses, Field(description="Who is told what nobody has acknowledged")] = ()
    priorities: Annotated[tuple[_EVERY_PRIORITY, ...], Field(description="Of the alarms that are told")] = (
        "now",
        "soon",
    )
    tanks: Annotated[tuple[Name, ...], Field(description="Whose alarms are told; all unless given")] = ()
    when_over: Annotated[YesNo, Field(description="Whether the end of an alarm is told too")] = True
    still_alive: TimeOfDay = time(7)
    gather: Annotated[Duration, Field(description="What comes within so long is one mail")] = 5.0
    most_per_hour: Annotated[Whole, Field(description="Mails, 2 to 1000; those of escalation apart")] = 20
    timeout: Duration = 30.0
    backoff_first: Duration = 5.0
    backoff_longest: Duration = 120.0


class WebhookModel(Section):
    """One address that events are sent to by HTTP."""

    name: Annotated[Name | None, Field(description="In status, metrics and log; by its host unless given")] = None
    url: Annotated[
        str,
        BeforeValidator(lambda value: require_text(value, "an address")),
        WithJsonSchema({"type": "string", "examples": ["https://office.example/tank-events"]}),
    ]
    secret: Annotated[
        Literal["none", "bearer", "signature"],
        Field(description="How the secret is shown: as a bearer token, or by an HMAC-SHA256 of the body"),
    ] = "none"
    secret_file: Annotated[Text | None, Field(description="A file that holds the secret and nothing else")] = None
    secret_variable: Annotated[Text | None, Field(description="Or a variable of the environment that has it")] = None
    tls: TlsModel | None = None
    together: Annotated[Whole, Field(description="Events in one request, 1 to 500; more than 1: a list")] = 1
    timeout: Duration = 10.0
    backoff_first: Duration = 0.5
    backoff_longest: Duration = 60.0


_read_address = TypeAdapter(Address).validate_python
_ADDRESS_SCHEMA = TypeAdapter(Address).json_schema()


def _read_addresses(value: Any) -> tuple[tuple[str, int], ...]:
    """One, or a list of them."""
    return tuple(_read_address(each) for each in (value if isinstance(value, list | tuple) else [value]))


Addresses = Annotated[
    tuple[tuple[str, int], ...],
    BeforeValidator(_read_addresses),
    WithJsonSchema(
        {
            "anyOf": [_ADDRESS_SCHEMA, {"type": "array", "items": _ADDRESS_SCHEMA}],
            "description": "host:port, or a list of them: one at a time, the next where one is no good",
            "examples": ["192.0.2.10:1883"],
        }
    ),
]


class SparkplugModel(Section):
    """One edge node of Sparkplug B, at one of its servers at a time."""

    name: Annotated[Name | None, Field(description="In status, metrics and log; by group and node unless given")] = None
    address: Addresses
    group: Annotated[
        str,
        BeforeValidator(lambda value: require_text(value, "the group id")),
        WithJsonSchema({"type": "string", "description": "Group id, as hosts know it", "examples": ["plant"]}),
    ]
    node: Annotated[
        str,
        BeforeValidator(lambda value: require_text(value, "the edge node id")),
        WithJsonSchema(
            {"type": "string", "description": "Edge node id; each in its group once", "examples": ["tanks"]}
        ),
    ]
    primary_host: Annotated[
        Text | None,
        Field(description="Its host id: nothing is told while it is away; nobody is waited for unless given"),
    ] = None
    protocol: Annotated[Literal["3.1.1", "5"], WithJsonSchema({"enum": ["3.1.1", "5", 5]})] = "3.1.1"
    client_id: Text | None = None
    user_name: Text | None = None
    password_file: Annotated[Text | None, Field(description="A file that holds the password and nothing else")] = None
    tls: TlsModel | None = None
    keepalive: Annotated[Duration, Field(description="Also how often it is known how far all has arrived")] = 5.0
    timeout: Duration = 10.0
    host_wait: Annotated[
        Duration, Field(description="How long one of several servers may not know the primary host")
    ] = 10.0
    backoff_first: Duration = 0.5
    backoff_longest: Duration = 30.0


class OpcuaModel(Section):
    """One OPC UA server, read only, for a historian, a control system or a panel."""

    name: Annotated[Name | None, Field(description="In status, metrics and log; by its address unless given")] = None
    address: Annotated[Address, Field(description="Where it listens; 4840 is the port of the standard")]
    certificates: Annotated[
        str,
        BeforeValidator(lambda value: require_text(value, "a folder")),
        WithJsonSchema(
            {
                "type": "string",
                "description": "A folder with own, trusted and rejected; made where it is not there",
                "examples": ["/var/lib/tank-gateway/opcua"],
            }
        ),
    ]
    security: Annotated[
        tuple[Literal["Aes256_Sha256_RsaPss", "Basic256Sha256", "None"], ...],
        Field(description="Security policies that are offered; None encrypts nothing"),
    ] = ("Aes256_Sha256_RsaPss", "Basic256Sha256")
    users_file: Annotated[
        Text | None, Field(description="Who may read, by name and password; `tank-gateway delivery user` writes it")
    ] = None
    anonymous: Annotated[YesNo, Field(description="Whether one may read without a name")] = False
    sessions: Annotated[Whole, Field(description="Connections at once, 1 to 100")] = 20
    shortest_interval: Annotated[Duration, Field(description="Of publishing, 100 ms to 1 min")] = 0.5
    memory_mb: Annotated[Whole, Field(description="What its process may take, 512 to 8192")] = 1024
    backoff_first: Duration = 1.0
    backoff_longest: Duration = 60.0
