"""What was there before the page, for programs: described with the rest, and served by the server itself."""

from gateway.web.interface.endpoint import Endpoint, Parameter

__all__ = ["ROOT_PATHS"]

_TIME = {"type": "string", "minLength": 1, "maxLength": 200}
_NUMBER = {"type": "string", "pattern": "^[0-9]{1,9}$"}
_SPAN = (
    Parameter("from", "From when on: ISO 8601 with its zone, or a date for the beginning of that day.", _TIME),
    Parameter("until", "Up to and without: likewise.", _TIME),
)
_ASKED = {400: "It was asked wrongly: a line that says how.", 503: "The ledger cannot be read: a line that says why."}
_GUARDED = {401: "This is for who has signed in, and for programs with a token."}
_OF_BOOKS = {**_ASKED, **_GUARDED}


def _schema(name: str) -> str:
    return f"tank-gateway/{name}/1"


ROOT_PATHS: tuple[Endpoint, ...] = (
    Endpoint(
        "root-inventories",
        "GET",
        "/inventories",
        "The newest inventory of every tank",
        _schema("inventories"),
        refusals=_GUARDED,
    ),
    Endpoint(
        "root-readings",
        "GET",
        "/readings",
        "The newest reading of every signal, with its raw words",
        _schema("readings"),
        refusals=_GUARDED,
    ),
    Endpoint("root-alarms", "GET", "/alarms", "Every alarm that is not normal", _schema("alarms"), refusals=_GUARDED),
    Endpoint(
        "root-lines",
        "GET",
        "/lines",
        "How lines and instruments do, counted since the start",
        _schema("lines"),
        refusals=_GUARDED,
    ),
    Endpoint(
        "root-transfers",
        "GET",
        "/transfers",
        "Those that are open, with how far they have come",
        _schema("transfers"),
        query=(Parameter("all", "`yes`: those of the last 31 days too.", {"type": "string", "maxLength": 10}),),
        refusals=_OF_BOOKS,
    ),
    Endpoint(
        "root-tickets",
        "GET",
        "/tickets",
        "Tickets made in a time, the last 31 days unless given",
        _schema("tickets"),
        query=(*_SPAN, Parameter("number", "Only that ticket and what takes it back or its place.", _NUMBER)),
        refusals=_OF_BOOKS,
    ),
    Endpoint(
        "root-days",
        "GET",
        "/days",
        "Closes of days that ended in a time, every revision",
        _schema("days"),
        query=_SPAN,
        refusals=_OF_BOOKS,
    ),
    Endpoint(
        "root-amounts",
        "GET",
        "/amounts",
        "What others measured, by when it was moved",
        _schema("amounts"),
        query=_SPAN,
        refusals=_OF_BOOKS,
    ),
    Endpoint(
        "root-stock",
        "GET",
        "/stock",
        "What the tanks hold now, by product and owner",
        _schema("stock"),
        refusals=_OF_BOOKS,
    ),
    Endpoint(
        "root-metrics",
        "GET",
        "/metrics",
        "For Prometheus; a Bad figure is absent",
        {"type": "string"},
        refusals=_GUARDED,
        media_types=("text/plain",),
    ),
    Endpoint(
        "root-health",
        "GET",
        "/health",
        "Whether it runs",
        {"type": "object", "properties": {"healthy": {"type": "boolean"}}, "required": ["healthy"]},
        refusals={503: "Its loops have not come round of late."},
        same_at=(503,),
    ),
    Endpoint(
        "root-ready",
        "GET",
        "/ready",
        "Whether every line is connected and no tank is Bad",
        {"type": "object", "properties": {"ready": {"type": "boolean"}}, "required": ["ready"]},
        refusals={503: "Not all that is watched can be."},
        same_at=(503,),
    ),
)
