"""The whole site file as a model: its top keys, the site itself, deliveries and the web address."""

from enum import StrEnum
from typing import Annotated

from pydantic import Field

from gateway.settings.account.models import AccountModel
from gateway.settings.deliveries.models import (
    FilesModel,
    MailModel,
    MqttModel,
    OpcuaModel,
    PostgresqlModel,
    RegistersModel,
    SparkplugModel,
    WebhookModel,
)
from gateway.settings.ledger import LedgerModel
from gateway.settings.lines.models import ChangedMapModel, InstrumentModel, LineModel, MapModel
from gateway.settings.products.base import Rounding, WeightInAirModel
from gateway.settings.products.models import AnyProduct
from gateway.settings.reading.fields import (
    Acceleration,
    Angle,
    Length,
    Name,
    Section,
    Text,
    TimeZone,
    YesNo,
)
from gateway.settings.reports import ReportsModel
from gateway.settings.tanks.models import TankModel
from gateway.settings.watch.models import SiteWatchModel
from gateway.settings.web import WebModel

__all__ = ["DeliveryModel", "NeedsSecondPerson", "SiteFile", "SiteModel"]


class NeedsSecondPerson(StrEnum):
    """What may be made to need one. Seeing an alarm, setting it aside and a dip never do: they are of that moment."""

    PRODUCT_CHANGE = "product-change"
    DENSITY = "density"
    SEDIMENT_WATER = "sediment-water"
    WITHDRAW = "withdraw"
    OUT_OF_SERVICE = "out-of-service"
    AMOUNT = "amount"
    REVERSE_AMOUNT = "reverse-amount"
    REVERSE_TICKET = "reverse-ticket"
    CLOSE_DAY = "close-day"


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
    second_person: Annotated[
        tuple[NeedsSecondPerson, ...], Field(description="Actions that hold once a second person has approved them")
    ] = ()


class DeliveryModel(Section):
    """Destinations by their kinds, each one or a list of several. `deliveries.plans` has the table."""

    mqtt: MqttModel | tuple[MqttModel, ...] | None = None
    files: FilesModel | tuple[FilesModel, ...] | None = None
    postgresql: PostgresqlModel | tuple[PostgresqlModel, ...] | None = None
    mail: MailModel | tuple[MailModel, ...] | None = None
    opcua: OpcuaModel | tuple[OpcuaModel, ...] | None = None
    webhook: WebhookModel | tuple[WebhookModel, ...] | None = None
    sparkplug: SparkplugModel | tuple[SparkplugModel, ...] | None = None
    registers: RegistersModel | tuple[RegistersModel, ...] | None = None


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
    watch: SiteWatchModel | None = None
    account: AccountModel | None = None
    ledger: LedgerModel | None = None
    delivery: DeliveryModel | None = None
    web: WebModel | None = None
    reports: ReportsModel | None = None
