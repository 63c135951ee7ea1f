"""What is answered to whoever acts or asks what is in force, as kinds that their code is checked against."""

from typing import Any, Literal, NotRequired

from typing_extensions import TypedDict

from gateway.web.interface.documents import QualityWord, Reason, Time

__all__ = ["ActAnswer", "EnteredPage", "EnteredValue", "FigureChange", "FigureState", "Tie", "Waits"]


class FigureState(TypedDict):
    value: float | None
    unit: str
    quality: QualityWord
    reasons: list[Reason]


class FigureChange(TypedDict):
    """A figure that would become another."""

    tank: str
    name: str
    before: FigureState
    after: FigureState


class Waits(TypedDict):
    """What somebody has asked for and another is to approve."""

    request: int
    """Its number."""
    asked: dict[str, Any]
    by: str
    at: Time
    ends: Time
    """When it waits no more."""
    lines: list[str]
    """What it would have done when it was asked for."""


class Tie(TypedDict):
    """By whom somebody has a way in, or a role."""

    by: str
    to: str
    what: Literal["invited", "password", "role"]
    day: str
    """When it held, by UTC."""


class WaitsForYou(Waits):
    """The same as whoever asks may approve it or not."""

    in_the_way: str
    """Why he may not, as the one who asked for it and he do not count as two; empty: they do."""
    ties: list[Tie]
    """What is to be known of the two: by whom the one has come in from the other, or both from a third."""


class ActAnswer(TypedDict):
    """What has been done, or would be."""

    code: Literal[0, 1, 2]
    """0: well; 1: it cannot be done; 2: it was asked wrongly."""
    lines: list[str]
    hint: str
    notes: list[str]
    """Doubts: what is not wrong and should be known."""
    cautions: list[str]
    tried: bool
    """Nothing was done."""
    figures: NotRequired[list[FigureChange]]
    waiting: NotRequired[Waits]
    """Nothing is done yet, as the site asks for a second person."""


class EnteredValue(TypedDict):
    about: str
    quantity: str
    what: str
    block: dict[str, str]
    by: str
    at: Time
    why: str
    product: str
    ends: Time | None
    used: bool
    stands_in: bool
    other: str
    trouble: str


class EnteredPage(TypedDict):
    """All that is in force."""

    code: Literal[0]
    lines: list[str]
    schema: Literal["tank-gateway/entries/1"]
    time: Time
    entries: list[EnteredValue]
    alarms: list[dict[str, Any]]
    """As /alarms has them, with the tank of each."""
    products: list[dict[str, Any]]
    transfers: list[dict[str, Any]]
    days: dict[str, Any] | None
    time_zone: NotRequired[str]
    waiting: list[WaitsForYou]
    """For a second person."""
