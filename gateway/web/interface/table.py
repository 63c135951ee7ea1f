"""Every endpoint of the interface, once: what is served and what is described come from here."""

from gateway.web.interface import act_documents, documents, gateway_documents
from gateway.web.interface.endpoint import BINARY, Endpoint, Parameter
from gateway.web.interface.site_table import SITE_ENDPOINTS

__all__ = ["ENDPOINTS"]

_TANK = Parameter("tank", "The tag of a tank.", {"type": "string", "minLength": 1, "maxLength": 200}, required=True)
_OF_A_TANK = {404: "There is no such tank."}
_TIME = {"type": "string", "minLength": 1, "maxLength": 200}
_FROM = Parameter("from", "From when on: ISO 8601 with its zone, or a date for the beginning of that day.", _TIME)
_UNTIL = Parameter("until", "Up to and without: likewise; now unless given.", _TIME)
_SPAN = (_FROM, _UNTIL)
_NUMBER = {"type": "string", "pattern": "^[0-9]{1,19}$"}

_TRENDED = "level|water_level|liquid_temperature|vapour_pressure|tov|gsv|mass|room|observed_density|total_mass"
_FIGURES = f"^({_TRENDED})(,({_TRENDED}))*$"
_BEFORE = Parameter("before", "As an answer before this one told it: only what is older.", _NUMBER)
_AT_MOST = Parameter("at_most", "So many at once: 1 to 500, 100 unless given.", _NUMBER)

ENDPOINTS: tuple[Endpoint, ...] = (
    *SITE_ENDPOINTS,
    Endpoint(
        "tank",
        "GET",
        "/api/1/tanks/{tank}",
        "One tank now: newest inventory, readings with their raw words, and by what it is calculated",
        documents.TankPage,
        path_parameters=(_TANK,),
        refusals=_OF_A_TANK,
    ),
    Endpoint(
        "trend",
        "GET",
        "/api/1/tanks/{tank}/trend",
        "What figures of a tank were, minute by minute or hour by hour, in so many steps at most",
        documents.TrendPage,
        "The last day unless it is asked for otherwise, 400 days at most. Of each step the least, greatest and last "
        "value and the worst quality; what was Bad has no value, and where there is no record there is none here. The "
        "minute or hour that is going on comes when it has ended.",
        (_TANK,),
        (
            *_SPAN,
            Parameter("points", "At most so many steps: 1 to 2000, 600 unless given.", _NUMBER),
            Parameter(
                "figures",
                "Names of figures with commas between them: level, water_level, liquid_temperature, vapour_pressure, "
                "tov, gsv, mass, room, observed_density. Only the level unless given.",
                {"type": "string", "pattern": _FIGURES, "maxLength": 200},
            ),
        ),
        refusals=_OF_A_TANK,
    ),
    Endpoint(
        "small-trends",
        "GET",
        "/api/1/small-trends",
        "The level of every tank over the last six hours, in 36 steps",
        documents.SmallTrends,
        "Made once a minute for all who look.",
    ),
    Endpoint(
        "act",
        "POST",
        "/api/1/act",
        "Do something, as it is typed with `tank-gateway enter`, `alarms`, `transfers` and `stock`",
        act_documents.ActAnswer,
        "Needs somebody who has signed in, and his role decides what. With `try=yes` nothing is done: the answer tells "
        "what would be, by the same checks, the doubts there are, and which figures become others. A caution belongs "
        "to some actions and comes with each answer.",
        query=(Parameter("try", "`yes`: only tell what it would do.", {"type": "string", "enum": ["yes", "no"]}),),
        body="actions",
        refusals={
            409: "It cannot be done as things stand: `code` 1, and why.",
            422: "It was asked wrongly: `code` 2, and every mistake with the field and what would be right.",
        },
    ),
    Endpoint(
        "entered",
        "GET",
        "/api/1/entered",
        "What people have entered and what is in maintenance, hidden or open now: what whoever takes over has to know",
        act_documents.EnteredPage,
    ),
    Endpoint(
        "sheet",
        "GET",
        "/api/1/tanks/{tank}/sheet",
        "How the newest figures of a tank come about: every step, its relation and what it rests on",
        documents.SheetPage,
        path_parameters=(_TANK,),
        refusals={404: "There is no such tank, or it has no sheet yet."},
    ),
    Endpoint(
        "events",
        "GET",
        "/api/1/tanks/{tank}/events",
        "What has happened to a tank, newest first",
        documents.EventsPage,
        "The last day unless it is asked for otherwise, 31 days at most. Where `before` is not null there may be older "
        "ones of that time: ask again with it. Those of the gateway itself are those of `gateway`.",
        (_TANK,),
        (*_SPAN, _BEFORE, _AT_MOST),
        refusals=_OF_A_TANK,
    ),
    Endpoint(
        "dips",
        "GET",
        "/api/1/tanks/{tank}/dips",
        "The last levels dipped by hand of a tank, each beside what its gauge said then",
        documents.DipsPage,
        "Newest first, three unless asked for otherwise. What the gauge said is of the last record within ten minutes "
        "before the dip was measured. One dip proves nothing: a verification takes three within 3 mm.",
        (_TANK,),
        (Parameter("at_most", "So many: 1 to 50.", _NUMBER),),
        refusals=_OF_A_TANK,
    ),
    Endpoint(
        "changes",
        "GET",
        "/api/1/changes",
        "What people did, newest first: the audit trail",
        documents.ChangesPage,
        "Needs somebody who has signed in and is more than a viewer. All of it unless a time is given.",
        query=(*_SPAN, _BEFORE, _AT_MOST),
    ),
    Endpoint(
        "reports",
        "GET",
        "/api/1/reports",
        "Which reports there are, in which forms, and by what each may be asked for",
        documents.ReportsPage,
    ),
    Endpoint(
        "report",
        "GET",
        "/api/1/reports/{file}",
        "A report as a file: `reconciliation.pdf`, `stock.xlsx`, `tickets.csv`",
        BINARY,
        "Made by a process of its own, one at a time; at most four are waited for. Of the newest day that is closed "
        "unless it is asked for otherwise. Changes need somebody who has signed in and is more than a viewer.",
        (
            Parameter(
                "file",
                "The name of a report and one of its forms, with a point between them.",
                {"type": "string", "minLength": 1, "maxLength": 200},
                required=True,
            ),
        ),
        (
            Parameter("day", "The date on which it began, such as 2026-11-27.", _TIME),
            Parameter("month", "Such as 2026-11.", _TIME),
            Parameter("revision", "Of a day that was closed again; else the newest.", _NUMBER),
            Parameter("ticket", "Its number.", _NUMBER),
        ),
        refusals={404: "There is no such report, or not of that day, month or ticket."},
        media_types=(
            "text/csv",
            "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
            "application/pdf",
        ),
        longest_s=55.0,
    ),
    Endpoint(
        "gateway",
        "GET",
        "/api/1/gateway",
        "The gateway itself: what it has sent to devices, its ports, destinations, certificates, versions and copies",
        gateway_documents.GatewayPage,
        "Ports are those that the system says it listens at. Whole paths of files are for administrators.",
    ),
    Endpoint(
        "chain",
        "GET",
        "/api/1/chain",
        "Whether the audit trail is as it was written: every row of it hashed again",
        gateway_documents.ChainPage,
        "Looked through at most once a minute, for all who ask. That rows are missing at its end no chain can show: "
        "whoever must know keeps the newest hash elsewhere.",
    ),
    Endpoint(
        "alarm-times",
        "GET",
        "/api/1/alarm-times",
        "When alarms were raised, acknowledged and over, with how long that took and how many there were",
        gateway_documents.AlarmTimesPage,
        "The last 7 days unless it is asked for otherwise, 31 days at most.",
        query=_SPAN,
    ),
    Endpoint(
        "good-time",
        "GET",
        "/api/1/good-time",
        "For how much of the last seven days level, volume and mass of each tank were Good",
        gateway_documents.GoodTimePage,
        "By minutes, each counted by the worst in it. Made at most once a minute, for all who ask.",
    ),
    Endpoint(
        "outlook",
        "GET",
        "/api/1/outlook",
        "By product: stock, days it lasts at the mean offtake of seven closed days, room, and what came in",
        gateway_documents.OutlookPage,
        "By the newest sheets, and the newest revision of each day. A mean is told only where all seven are closed.",
    ),
    Endpoint(
        "description",
        "GET",
        "/api/1/description.json",
        "This description",
        {"type": "object", "required": ["openapi", "info", "paths"]},
    ),
)
