"""The whole site file as a model: its top keys, the site itself, deliveries and the web address."""

from typing import Annotated, Literal

from pydantic import Field, WithJsonSchema

from gateway.settings.lines.models import ChangedMapModel, InstrumentModel, LineModel, MapModel
from gateway.settings.products.base import Rounding, WeightInAirModel
from gateway.settings.products.models import AnyProduct
from gateway.settings.reading.fields import (
    Acceleration,
    Address,
    Angle,
    Duration,
    Length,
    Name,
    Section,
    Text,
    TimeZone,
    Whole,
    YesNo,
)
from gateway.settings.tanks.models import TankModel

__all__ = ["DeliveriesModel", "DeliveryModel", "MqttModel", "SiteFile", "SiteModel", "TlsModel", "WebModel"]


class SiteModel(Section):
    """The site."""

    name: Name
    description: Text | None = None
    time_zone: TimeZone
    gravity: Annotated[
        Acceleration | None, Field(description="Local, surveyed; needed for level or density from pressure")
    ] = None
    latitude: Annotated[Angle | None, Field(description="In place of gravity; normal gravity, good to 0.05 %")] = None
    altitude: Annotated[Length | None, Field(description="Beside latitude; sea level unless given")] = None
    rounding: Annotated[Rounding, Field(description="Of inputs and factors, for products that give none")] = (
        Rounding.NONE
    )
    weight_in_air: Annotated[
        WeightInAirModel | None, Field(description="For products that give none; buoyancy by OIML unless given")
    ] = None
    simulated: Annotated[YesNo, Field(description="Marks every record SIMULATED")] = False


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


class DeliveryModel(Section):
    """One destination of a kind."""

    mqtt: MqttModel | None = None


class DeliveriesModel(Section):
    """Several of a kind, as a list."""

    mqtt: tuple[MqttModel, ...] = ()


class WebModel(Section):
    address: Address
    names: Annotated[
        tuple[Text, ...],
        Field(description="Host names it is asked by, beside its addresses and the machine's own name"),
    ] = ()


class SiteFile(Section):
    """Everything that a site file may hold."""

    include: Annotated[tuple[Text, ...] | Text | None, Field(description="Files whose sections are joined to this")] = (
        None
    )
    include_from: Annotated[
        tuple[Text, ...] | Text | None, Field(description="Folders beside this file's own that they may lie in")
    ] = None
    site: SiteModel
    lines: dict[Name, LineModel] = Field(default_factory=dict)
    maps: dict[Name, MapModel | ChangedMapModel] = Field(default_factory=dict)
    instruments: dict[Name, InstrumentModel] = Field(default_factory=dict)
    products: dict[Name, AnyProduct] = Field(default_factory=dict)
    tanks: dict[Name, TankModel] = Field(default_factory=dict)
    delivery: DeliveryModel | DeliveriesModel | None = None
    web: WebModel | None = None
