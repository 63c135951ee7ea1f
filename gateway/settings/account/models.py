"""The section `account` as a model."""

import re
from datetime import time
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema

from gateway.account.gauging import MEASURES
from gateway.settings.reading.fields import Delay, Duration, Name, Ratio, Section, Text, Volume, YesNo, refuse
from gateway.settings.reading.fields import require_text as required
from gateway.settings.reading.validation import suggestion

__all__ = ["BOOK_MEASURES", "AccountModel", "ToleranceModel"]

BOOK_MEASURES = tuple(measure for measure in MEASURES if measure != "free_water")
"""What a book can be kept on."""
_TIME = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)", re.ASCII)


def _read_time(text: str) -> time:
    match = _TIME.fullmatch(text)
    if match is None:
        raise refuse(f"'{text}' is no time of day; write for example '06:00'")
    return time(int(match[1]), int(match[2]))


def _known_measure(word: str) -> str:
    if word not in BOOK_MEASURES:
        raise refuse(f"'{word}' is nothing that a book is kept on; {suggestion(word, BOOK_MEASURES)}")
    return word


TimeOfDay = Annotated[
    time,
    BeforeValidator(lambda value: _read_time(required(value, "a time of day, for example '06:00'"))),
    WithJsonSchema({"type": "string", "description": "Hours and minutes", "examples": ["06:00"]}),
]
Measure = Annotated[
    Text,
    AfterValidator(_known_measure),
    WithJsonSchema({"enum": list(BOOK_MEASURES), "description": "A figure of the sheet", "examples": ["gsv"]}),
]


class ToleranceModel(Section):
    """How much gain or loss of a month is looked into; never of a day."""

    of_throughput: Annotated[
        Ratio, Field(description="1 % unless given, as 40 CFR 280.43(a) for underground tanks")
    ] = 0.01
    fixed: Annotated[Volume, Field(description="Beside it; 130 US gal unless given, likewise")] = 130 * 0.003785411784


class AccountModel(Section):
    """Transfers, days and balances."""

    day_boundary: Annotated[TimeOfDay, Field(description="When a day of the site ends, by its own time")] = time(6, 0)
    settling: Annotated[Delay, Field(description="So long a tank rests before its sheet closes a transfer")] = 1800.0
    closing_age: Annotated[
        Duration, Field(description="So old a sheet may be at the boundary and still be that of the day's close")
    ] = 900.0
    close_after: Annotated[Delay, Field(description="So long after its boundary a day is closed by itself")] = 600.0
    propose: Annotated[YesNo, Field(description="no: a movement that nobody announced is not proposed")] = True
    tolerance: ToleranceModel = ToleranceModel()
    measures: Annotated[
        dict[Name, Measure], Field(description="By product: on what its book is kept; GSV or else mass unless given")
    ] = Field(default_factory=dict)
    owners: Annotated[dict[Name, Text], Field(description="By tank: whose contents it holds")] = Field(
        default_factory=dict
    )
