"""What an edge node of Sparkplug costs: births of a whole site, data of each sheet, history, by processor and bytes.

Sheets are those of the demo's ten tanks, noisy and ten seconds apart, taken for as many tanks as are asked for.
"""

import time
from collections.abc import Callable, Iterable
from pathlib import Path

from gateway.delivery.sparkplug.aliases import Aliases
from gateway.delivery.sparkplug.names import Topics
from gateway.delivery.sparkplug.node_metrics import node_metrics
from gateway.delivery.sparkplug.session import Message, Session
from gateway.history import KeptRecord
from gateway.tank_record import TankRecord
from tests.bench.record_corpus import of_site_file
from tests.support.records import snapshot

__all__ = ["measure"]

_DEMO = Path(__file__).parents[2] / "config" / "demo" / "site.yaml"
_ROUNDS = 5
"""The quickest of them counts: the machine has other work too."""


def measure(*, long: bool) -> dict[str, object]:
    rounds = 4 * _ROUNDS if long else _ROUNDS
    table = [row for tanks in (200, 500) for row in _rows(tanks, rounds)]
    return {
        "title": "Sparkplug: births, data and history of a site, by processor and bytes",
        "columns": ["", "us of processor a tank", "bytes a tank", "kB in all", "ms in all"],
        "table": table,
    }


def _rows(tanks: int, rounds: int) -> Iterable[list[str]]:
    first, second = _sheets(tanks)
    watched = ("high_high", "minimum", "level_lost")

    def births(session: Session) -> list[Message]:
        born = [session.node_birth(node_metrics(snapshot(), (), 0, 0), 1)]
        return [*born, *(session.tank(record, watched, None, 1) for record in first)]

    def data(session: Session) -> list[Message]:
        return [session.tank(record, watched, None, 1) for record in second]

    def past(session: Session) -> list[Message]:
        return [session.past(KeptRecord(1, record, None), 1) for record in first]

    aliases = Aliases()
    for name, what in (("births", births), ("a sheet", data), ("a sheet of the past", past)):
        best_s = float("inf")
        size = 0
        for _ in range(rounds):
            session = Session(Topics("plant", "tanks"), 0, aliases, simulated=False)
            if what is not births:
                births(session)
            took_s, size = _timed(what, session)
            best_s = min(best_s, took_s)
        each = f"{best_s / tanks * 1e6:,.0f}", f"{size / tanks:,.0f}", f"{size / 1000:,.0f}", f"{best_s * 1000:,.0f}"
        yield [f"{tanks} tanks, {name}", *each]


def _timed(what: Callable[[Session], list[Message]], session: Session) -> tuple[float, int]:
    begun = time.process_time()
    made = what(session)
    return time.process_time() - begun, sum(len(message.payload) for message in made)


def _sheets(tanks: int) -> tuple[list[TankRecord], list[TankRecord]]:
    """Two sheets of each, one after the other."""
    of_tank: dict[str, list[TankRecord]] = {}
    for record in of_site_file(_DEMO, 30, 1):
        of_tank.setdefault(record.identity.tank, []).append(record)
    pairs = [(each[-2], each[-1]) for each in of_tank.values() if len(each) > 1]
    chosen = [(f"TK-{number}", pairs[number % len(pairs)]) for number in range(tanks)]
    return [_of(tank, pair[0]) for tank, pair in chosen], [_of(tank, pair[1]) for tank, pair in chosen]


def _of(tank: str, record: TankRecord) -> TankRecord:
    inventory = record.inventory._replace(tank=tank, simulated=False)
    return record._replace(identity=record.identity._replace(tank=tank), inventory=inventory)
