"""What a person may ask for, as data: the fields of each action, and that nothing else is given.

Quantities stay the texts that were typed: `checking` reads them by the models of the site file.
"""

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, model_validator

from gateway.actions.account_requests import ACCOUNT_ACTIONS, AccountAction
from gateway.actions.checking import checked_model
from gateway.actions.entry import PRODUCT, QUANTITIES
from gateway.errors import SettingsError
from gateway.settings.reading.fields import Duration, Instant, Name, Section, Text, refuse
from gateway.settings.reading.validation import suggestion

__all__ = [
    "ACTIONS",
    "FILES",
    "LONGEST_TEXT",
    "Acknowledge",
    "Action",
    "AlarmAction",
    "BeginMaintenance",
    "Density",
    "Dip",
    "EndMaintenance",
    "ProductChange",
    "ReturnToService",
    "SedimentWater",
    "Shelve",
    "TakeOutOfService",
    "Temperature",
    "Unshelve",
    "Withdraw",
    "read_action",
]

LONGEST_TEXT = 500
_MOST_FIELDS = 20
FILES = {("import-amounts", "text"): 50_000}
"""By action and field: what is a file with lines, and how long it may be. The door takes a little more at once."""
_OF_LINES = str.maketrans("", "", "\r\n\t")


def _known(quantity: str) -> str:
    known = (*QUANTITIES, PRODUCT)
    if quantity not in known:
        raise refuse(f"'{quantity}' cannot be entered; {suggestion(quantity, known)}")
    return quantity


class _Act(Section):
    """`why` is for whoever reads the audit trail, and needed where something is hidden or taken back."""

    why: Text | None = None


class _Dated(_Act):
    """A value by hand of a tank."""

    tank: Name
    entered: Annotated[Text | None, Field(description="When it was measured or sampled; now unless given")] = None
    expires: Annotated[Text | None, Field(description="How long it holds, or until when")] = None


class Dip(_Dated):
    """Level, free water or both, by hand."""

    action: Literal["dip"]
    level: Annotated[Text | None, Field(description="Innage above the datum")] = None
    water: Text | None = None

    @model_validator(mode="after")
    def _something(self) -> "Dip":
        if self.level is None and self.water is None:
            raise refuse("a dip has a level or water, or both; give for example level 9.412 m")
        return self


class Temperature(_Dated):
    """The mean temperature of the contents, by hand."""

    action: Literal["temperature"]
    value: Text


class Density(_Dated):
    """A density sample: at reference temperature, observed at another, or at tank temperature."""

    action: Literal["density"]
    value: Text
    at: Text | None = None
    by: Text | None = None
    made_for: Text | None = None


class SedimentWater(_Dated):
    """The share of sediment and water, by a sample."""

    action: Literal["sediment-water"]
    value: Text


class Withdraw(_Act):
    """Take back what was entered: what the site file gives counts again, and no entry before it.

    Of a product it is the newest change: what the tank held before it counts again.
    """

    action: Literal["withdraw"]
    tank: Name
    quantity: Annotated[Text, AfterValidator(_known)]
    why: Text


class ProductChange(_Act):
    """The tank holds another product, from now or another time on."""

    action: Literal["product-change"]
    tank: Name
    product: Name
    effective: Annotated[Instant | None, Field(description="From when on; now unless given")] = None
    density: Annotated[Text | None, Field(description="A sample of the new product")] = None
    density_at: Text | None = None
    density_by: Text | None = None
    made_for: Text | None = None
    entered: Text | None = None
    expires: Text | None = None

    @model_validator(mode="after")
    def _of_a_density(self) -> "ProductChange":
        more = (self.density_at, self.density_by, self.made_for, self.entered, self.expires)
        if self.density is None and any(each is not None for each in more):
            raise refuse("what is said of a density goes with one; give for example density 745 kg/m3")
        return self

    def density_block(self, now: datetime) -> dict[str, str] | None:
        """As the site file would have it; None: none is given."""
        if self.density is None:
            return None
        given = {
            "value": self.density,
            "at": self.density_at,
            "by": self.density_by,
            "made_for": self.made_for,
            "entered": self.entered or now.isoformat(),
            "expires": self.expires,
        }
        return {key: text.strip() for key, text in given.items() if text is not None}


class BeginMaintenance(_Act):
    """Somebody works on an instrument: what it says is Uncertain meanwhile. At most 31 d."""

    action: Literal["maintenance"]
    instrument: Name
    duration: Text
    why: Text


class EndMaintenance(_Act):
    action: Literal["end-maintenance"]
    instrument: Name


class AlarmAction(_Act):
    """`tank`: that of the alarm; `gateway` for one of the gateway itself."""

    tank: Name
    alarm: Text


class Acknowledge(AlarmAction):
    """`raised`: when the alarm that somebody saw was raised. One that was raised anew since then stays as it is."""

    action: Literal["acknowledge"]
    raised: Annotated[Instant | None, Field(description="Of the alarm that was seen; whichever it is unless given")] = (
        None
    )


class Shelve(AlarmAction):
    """Out of sight for a while, with a reason."""

    action: Literal["shelve"]
    duration: Duration
    why: Text


class Unshelve(AlarmAction):
    action: Literal["unshelve"]


class TakeOutOfService(AlarmAction):
    """Until it is returned, and no longer than for a while."""

    action: Literal["out-of-service"]
    duration: Duration
    why: Text


class ReturnToService(AlarmAction):
    action: Literal["in-service"]


Action = (
    Dip
    | Temperature
    | Density
    | SedimentWater
    | Withdraw
    | ProductChange
    | BeginMaintenance
    | EndMaintenance
    | Acknowledge
    | Shelve
    | Unshelve
    | TakeOutOfService
    | ReturnToService
)
ACTIONS: Mapping[str, type[Action]] = {
    "dip": Dip,
    "temperature": Temperature,
    "density": Density,
    "sediment-water": SedimentWater,
    "withdraw": Withdraw,
    "product-change": ProductChange,
    "maintenance": BeginMaintenance,
    "end-maintenance": EndMaintenance,
    "acknowledge": Acknowledge,
    "shelve": Shelve,
    "unshelve": Unshelve,
    "out-of-service": TakeOutOfService,
    "in-service": ReturnToService,
}


def read_action(given: Mapping[str, Any]) -> Action | AccountAction:
    """What is asked for. Raises SettingsError with every mistake: each names the field and what would be right."""
    if len(given) > _MOST_FIELDS:
        raise SettingsError((f"has {len(given)} fields, which no action has",))
    word = str(given.get("action", ""))
    wrong = [mistake for name, value in given.items() if (mistake := _no_text(word, name, value))]
    if wrong:
        raise SettingsError(tuple(wrong))
    model = ACTIONS.get(word) or ACCOUNT_ACTIONS.get(word)
    if model is None:
        raise SettingsError((f"action: '{word}' is not known; {suggestion(word, [*ACTIONS, *ACCOUNT_ACTIONS])}",))
    return checked_model(model, given)


def _no_text(action: str, name: str, value: Any) -> str:
    """Why a field cannot be what somebody wrote; empty where it can."""
    longest = FILES.get((action, name))
    if isinstance(value, str) and longest is not None:
        value, longest_told = value.translate(_OF_LINES), f"{longest} characters; give it in parts"
    else:
        longest, longest_told = LONGEST_TEXT, f"{LONGEST_TEXT} characters"
    if isinstance(value, str) and len(value) <= longest and value.isprintable():
        return ""
    return f"{name!s:.40}: is no text of at most {longest_told}"
