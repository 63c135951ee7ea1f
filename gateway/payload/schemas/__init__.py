"""JSON Schemas (draft 2020-12) of every message that leaves the gateway, one file each."""

from importlib.resources import files
from typing import Any

import orjson

__all__ = ["schemas"]

_WHOLE = ("readings", "lines", "heartbeat", "page-site")
_OF_ACCOUNTS = ("transfers", "tickets", "stock", "days", "amounts")
_DOCUMENTS = {f"tank-gateway/{kind}-document/1": f"{kind}_document" for kind in ("transfer", "ticket", "amount", "day")}
_HOLDS = ("valid_until", "valid_for_s")
"""What an inventory says of how long it is the present."""


def schemas() -> dict[str, dict[str, Any]]:
    """Every schema by the value of the `schema` member of the messages it describes. Definitions that several share
    stand in one file, and in each schema that comes from here."""
    inventory, status, alarm = _read("inventory"), _read("gateway-status"), _read("alarm")
    alarms, view = _read("alarms"), _read("view")
    inventory["$defs"] |= _shared(alarm, "alarm")
    of_alarms = _shared(inventory, "time", "reason") | alarm["$defs"] | alarms["$defs"]
    account = _shared(inventory, "time", "reason") | _read("account")["$defs"]
    loaded = [
        inventory,
        status,
        *map(_read, _WHOLE),
        {**_read("inventories"), "$defs": _shared(status, "destination") | _shared(inventory, "time")},
        _derived(inventory, "inventory-version"),
        _derived(inventory, "history", without=_HOLDS),
        {**_read("event"), "$defs": _shared(inventory, "time", "reason") | _shared(alarm, "alarm")},
        {**alarm, "$defs": _shared(inventory, "time", "reason") | alarm["$defs"]},
        {**alarms, "$defs": of_alarms},
        {**view, "$defs": of_alarms | view["$defs"]},
        *({**_read(name), "$defs": account} for name in _OF_ACCOUNTS),
    ]
    found = {schema["properties"]["schema"]["const"]: schema for schema in loaded}
    return found | {name: _document(name, kind, account) for name, kind in _DOCUMENTS.items()}


def _document(name: str, kind: str, account: dict[str, Any]) -> dict[str, Any]:
    """A paper of the accounts, which an event carries."""
    draft, number = "https://json-schema.org/draft/2020-12/schema", name.rpartition("/")[2]
    return {
        "$schema": draft,
        "$id": f"urn:tank-gateway:{kind.replace('_', '-')}:{number}",
        **account[kind],
        "$defs": account,
    }


def _shared(schema: dict[str, Any], *names: str) -> dict[str, Any]:
    return {name: schema["$defs"][name] for name in names}


def _derived(inventory: dict[str, Any], name: str, *, without: tuple[str, ...] = ()) -> dict[str, Any]:
    """An inventory in all but what that file says and `without` leaves out. What the file adds is required."""
    own = _read(name)
    members = {**inventory["properties"], **own["properties"]}
    required = dict.fromkeys([*inventory["required"], *own["properties"]])
    return {
        **inventory,
        **own,
        "properties": {member: told for member, told in members.items() if member not in without},
        "required": [member for member in required if member not in without],
    }


def _read(name: str) -> dict[str, Any]:
    schema: dict[str, Any] = orjson.loads(files(__name__).joinpath(f"{name}.json").read_bytes())
    return schema
