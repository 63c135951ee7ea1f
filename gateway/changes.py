"""What differs between the site that is watched and the one that a file describes now, and in which words."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any, NamedTuple

from gateway.errors import SettingsError
from gateway.ledger.plan import LedgerPlan
from gateway.settings import SiteSettings, TankSetup
from gateway.web.plan import HttpPlan

__all__ = ["Changes", "Moved", "changes_between", "refuse_another_site"]

_WORDS = {
    "idle": "sessions",
    "longest": "sessions",
    "host": "address",
    "port": "address",
    "path": "address",
    "given_name": "name",
}
_UNIT = re.compile(r"_(?:s|m|m3|m3_s|m_s2)$")


class Moved(NamedTuple):
    """Of things with names: which came, went and are not what they were."""

    added: tuple[str, ...]
    removed: tuple[str, ...]
    changed: tuple[str, ...]

    @property
    def ended(self) -> tuple[str, ...]:
        return self.removed + self.changed

    @property
    def begun(self) -> tuple[str, ...]:
        return self.changed + self.added


class Changes(NamedTuple):
    """`sentences` tells all of it, one line each; none where nothing has changed."""

    sources: Moved
    forgotten: frozenset[str]
    """Instruments of which what was read means nothing any more."""
    tanks: Moved
    deliveries: Moved
    http: bool
    sentences: tuple[str, ...]


def refuse_another_site(old: SiteSettings, new: SiteSettings, file: str) -> None:
    """Raises SettingsError where the file is right, and yet not to be taken over by a gateway that runs."""
    mistakes = []
    if new.name != old.name:
        text = f"'{new.name}' is another site than '{old.name}', which is watched; a reload does not change that"
        mistakes.append(f"{file}: site.name: {text}")
    if new.simulated != old.simulated:
        text = "a gateway that runs does not turn from simulated tanks to real ones, or back"
        mistakes.append(f"{file}: site.simulated: {text}")
    if _kept_where(new.ledger) != _kept_where(old.ledger):
        mistakes.append(f"{file}: ledger: another file, or none, or a first one: a reload does not do that")
    if mistakes:
        error = SettingsError(tuple(mistakes))
        error.hint = "stop the gateway and start it with this file"
        raise error


def changes_between(old: SiteSettings, new: SiteSettings) -> Changes:
    """What is equal goes on; all else ends, begins, or both."""
    sources = _Compared({plan.name: plan for plan in old.sources}, {plan.name: plan for plan in new.sources})
    instruments = _Compared(_instruments(old), _instruments(new))
    tanks = _Compared(_by_tank(old), _by_tank(new))
    deliveries = _Compared({plan.name: plan for plan in old.deliveries}, {plan.name: plan for plan in new.deliveries})
    before = {tag: meaning for plan in old.sources for tag, meaning in plan.meanings.items()}
    after = {tag: meaning for plan in new.sources for tag, meaning in plan.meanings.items()}
    web = new.http
    if web is not None and old.http is not None:
        # How many connections it may bear follows from other things of the site.
        web = replace(web, connections=old.http.connections)
    sentences = [
        *sources.sentences("line"),
        *instruments.sentences("instrument"),
        *tanks.sentences("tank"),
        *deliveries.sentences("delivery"),
    ]
    if web != old.http:
        sentences.append(_web_sentence(old.http, web))
    if old.ledger is not None and new.ledger is not None and new.ledger != old.ledger:
        sentences.append(f"ledger changed: {', '.join(_differing(old.ledger, new.ledger))}")
    # The zone is that of the site, and is told with it.
    account = replace(new.account, zone=old.account.zone, time_zone=old.account.time_zone)
    if account != old.account:
        sentences.append(f"account changed: {', '.join(_differing(old.account, account))}")
    if new.gateway_alarms != old.gateway_alarms:
        sentences.append("watch: the gateway's own alarms changed")
    if new.time_zone != old.time_zone:
        sentences.append(f"site: its time zone is {new.time_zone} from now on")
    forgotten = frozenset(tag for tag, meaning in before.items() if after.get(tag) != meaning)
    return Changes(sources.moved, forgotten, tanks.moved, deliveries.moved, web != old.http, tuple(sentences))


def _web_sentence(old: HttpPlan | None, new: HttpPlan | None) -> str:
    if new is None:
        return "web: removed"
    if old is not None and (old.host, old.port) == (new.host, new.port):
        differing = (*_differing(old, replace(new, access=old.access)), *_differing(old.access, new.access))
        return f"web changed: {', '.join(differing)}"
    return f"web: {new.host} port {new.port} from now on"


def _kept_where(ledger: LedgerPlan | None) -> tuple[Path | None] | None:
    return None if ledger is None else (ledger.file,)


class _Compared:
    """Things of one kind by name, as they were and as they are."""

    def __init__(self, old: Mapping[str, Any], new: Mapping[str, Any]) -> None:
        self._old = old
        self._new = new
        self.moved = Moved(
            tuple(name for name in new if name not in old),
            tuple(name for name in old if name not in new),
            tuple(name for name in new if name in old and new[name] != old[name]),
        )

    def sentences(self, kind: str) -> list[str]:
        listed = (("added", self.moved.added), ("removed", self.moved.removed))
        found = [f"{kind} {word}: {', '.join(names)}" for word, names in listed if names]
        for name in self.moved.changed:
            words = _differing(self._old[name], self._new[name])
            found.append(f"{kind} {name} changed: {', '.join(words)}")
        return found


def _by_tank(settings: SiteSettings) -> dict[str, tuple[Any, ...]]:
    return {each.plan.tank: _watched(each) for each in settings.tanks}


def _watched(tank: TankSetup) -> tuple[Any, ...]:
    """All of a tank that its sheets depend on, and how they are watched."""
    return tank.plan, tank.binding, _Every(tank.period_s), tank.watch


@dataclass(frozen=True, slots=True)
class _Every:
    period_s: float


def _instruments(settings: SiteSettings) -> dict[str, Any]:
    """Those of Modbus lines, each with its line."""
    return {each.tag: (_On(line.name), each) for line in settings.lines for each in line.instruments}


@dataclass(frozen=True, slots=True)
class _On:
    line: str


def _differing(old: Any, new: Any) -> list[str]:
    """The fields of two plans, or of the plans in two tuples, that differ, as words."""
    if isinstance(old, tuple):
        pairs = zip(old, new, strict=True)
        return list(dict.fromkeys(word for one, other in pairs for word in _differing(one, other)))
    names = [field.name for field in fields(old) if field.init and getattr(old, field.name) != getattr(new, field.name)]
    return list(dict.fromkeys(_WORDS.get(name, _UNIT.sub("", name).replace("_", " ")) for name in names))
