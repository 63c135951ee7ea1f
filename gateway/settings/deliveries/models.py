"""What a site file may say about each kind of destination."""

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from gateway.settings.reading.fields import Address, Duration, Name, Section, Text, Whole, require_text

__all__ = ["FilesModel", "MqttModel", "PostgresqlModel", "TlsModel"]


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
