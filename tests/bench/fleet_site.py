"""The site file of the whole-process bench: as many equal tanks as wished, written as a person would write it."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import yaml

from simulators.fleet import RegisterRow

__all__ = ["site_text"]


def site_text(
    rows: Sequence[RegisterRow],
    addresses: Mapping[str, tuple[str, int]],
    *,
    period_s: float,
    broker_port: int,
    web_port: int,
    history: Mapping[str, Any] | None = None,
) -> str:
    """A site file for the instruments that `rows` describes, all of one kind. `history`: sections of a ledger and its
    destinations, beside the broker."""
    by_instrument: dict[str, list[RegisterRow]] = {}
    for row in rows:
        by_instrument.setdefault(row.instrument, []).append(row)
    first = next(iter(by_instrument.values()))
    site: dict[str, Any] = {
        "site": {"name": "bench", "time_zone": "UTC", "simulated": "true"},
        "lines": {name: {"address": f"{host}:{port}"} for name, (host, port) in addresses.items()},
        "maps": {"fleet": {"signals": {row.signal: _signal(row) for row in first}}},
        "instruments": {
            tag: {
                "line": found[0].line,
                "unit": str(found[0].unit),
                "map": "fleet",
                "period": f"{period_s:g} s",
            }
            for tag, found in by_instrument.items()
        },
        "products": {
            "diesel": {
                "method": "expansion_coefficient",
                "expansion": "0.00084 /degC",
                "reference_temperature": "15 degC",
                "reference_density": {
                    "value": "840 kg/m3",
                    "entered": f"{datetime.now(UTC):%Y-%m-%dT%H:%MZ}",
                    "expires": "31 d",
                    "reason": "bench",
                },
            }
        },
        "tanks": {found[0].tank: _tank(tag, found) for tag, found in by_instrument.items()},
        "delivery": {"mqtt": {"address": f"127.0.0.1:{broker_port}", "window": "100"}},
        "web": {"address": f"127.0.0.1:{web_port}"},
    }
    if history is not None:
        site["ledger"] = history["ledger"]
        others = dict(history["delivery"])
        site["delivery"] = {**others, "mqtt": [site["delivery"]["mqtt"], others["mqtt"]]}
    return yaml.safe_dump(site, sort_keys=False)


def _signal(row: RegisterRow) -> dict[str, Any]:
    scale, unit = row.step.split()
    return {
        "table": f"{row.table}_registers",
        "address": str(row.address),
        "type": row.type,
        "scale": scale,
        "unit": unit,
        "sentinels": [str(int(number)) for number in row.invalid],
    }


def _tank(tag: str, rows: Sequence[RegisterRow]) -> dict[str, Any]:
    elements = [row for row in rows if row.element]
    return {
        "product": "diesel",
        "shape": {"kind": "upright_cylinder", "diameter": "20 m", "height": "16 m"},
        "reference_height": "16.5 m",
        "level": {"instrument": tag, "signal": "innage", "measures": "innage"},
        "temperature": {
            "instrument": tag,
            "elements": [{"signal": row.signal, "height": f"{row.height_m:.4f} m"} for row in elements],
        },
        "free_water": {"kind": "none"},
        "limits": {"minimum": "0.5 m", "maximum_working": "14.5 m", "high_high": "15 m", "critical_high": "15.5 m"},
    }
