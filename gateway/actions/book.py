"""All entries of a running gateway, what they become by the present site file, and what each action would change.

Without I/O: what is to be kept is handed out, and taken in once it is.
"""

from collections.abc import Iterable, Mapping, Sequence
from copy import copy
from dataclasses import replace
from datetime import UTC, datetime
from typing import NamedTuple

from gateway.actions.checking import CheckedEntry, checked_maintenance, checked_value
from gateway.actions.entry import MAINTENANCE, OF_PRODUCT, PRODUCT, QUANTITIES, Entry, EntryStanding, What
from gateway.actions.held_product import HeldProduct
from gateway.actions.merging import Merged, merged
from gateway.actions.products import Products, ProductStep
from gateway.actions.requests import (
    Action,
    BeginMaintenance,
    Density,
    Dip,
    EndMaintenance,
    ProductChange,
    SedimentWater,
    Temperature,
    Withdraw,
)
from gateway.binding import Maintenance, TankBinding
from gateway.errors import SettingsError
from gateway.settings import SiteSettings, TankSetup
from gateway.settings.reading.validation import suggestion

__all__ = ["Book", "Change"]

_DIP_HOLDS = "24 h"
"""Unless it is said otherwise: by the next round somebody dips again (common practice)."""


class Change(NamedTuple):
    """What an action makes of one key."""

    before: Entry | None
    after: Entry
    notes: tuple[str, ...] = ()


class Book:
    """The newest entry of each tank and quantity, and of each instrument."""

    def __init__(self) -> None:
        self._entries: dict[str, Entry] = {}
        self._checked: dict[str, CheckedEntry | Maintenance | str] = {}
        """By key: what it becomes; a text says why it becomes nothing."""
        self.products = Products()
        self._setups: Mapping[str, TankSetup] = self.products.setups
        """With what each tank holds."""
        self._instruments: dict[str, tuple[str, ...]] = {}
        """By instrument: the tanks that it feeds."""
        self._works: tuple[Maintenance, ...] = ()
        self.version = 0
        """Another one wherever what is entered, or what it becomes, may be another."""

    def take_over(self, settings: SiteSettings, now: datetime) -> tuple[str, ...]:
        """Another site file: all is checked again. What can no longer be taken, one line each."""
        self.products.take_over(settings, now)
        self._instruments = {tag: () for source in settings.sources for tag in source.meanings}
        for setup in self._setups.values():
            for instrument in dict.fromkeys(source.instrument for source in setup.binding.sources):
                self._instruments[instrument] = (*self._instruments.get(instrument, ()), setup.plan.tank)
        self._checked = {}
        return self.put(self._entries.values(), now)

    def put(self, entries: Iterable[Entry], now: datetime) -> tuple[str, ...]:
        """Entries that are kept. What cannot be taken by this site file, one line each."""
        troubles = []
        self.version += 1
        for entry in list(entries):
            self._entries[entry.key] = entry
            self._checked.pop(entry.key, None)
            if entry.holds:
                checked = self._made(entry, now)
                self._checked[entry.key] = checked
                if isinstance(checked, str):
                    troubles.append(f"{entry.key}: {checked}")
        self._works = tuple([each for each in self._checked.values() if isinstance(each, Maintenance)])
        return tuple(troubles)

    def turn(
        self, now: datetime, held: Iterable[HeldProduct] = (), entries: Iterable[Entry] = (), doubt: str = ""
    ) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Time has passed, and words on products and entries are kept. The tanks that hold something else from now on,
        and what can no longer be taken, one line each. `doubt`: why nobody knows what is kept; empty: it is known."""
        words, given = tuple(held), tuple(entries)
        tanks = tuple(dict.fromkeys((*self.products.turn(now, words), *self.products.doubt(doubt, now))))
        known = [entry for entry in self._entries.values() if entry.about in tanks and entry.quantity != MAINTENANCE]
        troubles: tuple[str, ...] = ()
        if words or given or tanks:
            troubles = self.put({entry.key: entry for entry in (*known, *given)}.values(), now)
        # A change whose time has come brings its density; what was entered since then is newer.
        made = [entry for step in self.products.due(now) for entry in step.entries]
        new = [each for each in made if each.key not in self._entries or self._entries[each.key].at < each.at]
        if new:
            troubles += self.put(new, now)
        return tanks, troubles

    def copied(self) -> "Book":
        """One that may be tried on: what is put into it changes nothing here."""
        other = copy(self)
        products = self.products.copied()
        own = {"_entries": dict(self._entries), "_checked": dict(self._checked)}
        vars(other).update(own, products=products, _setups=products.setups)
        return other

    def setup(self, tank: str) -> TankSetup:
        """With what it holds, and what people have entered. Raises KeyError for a tank that is not watched."""
        return replace(self._setups[tank], binding=self.merged(tank).binding)

    def step(self, action: Action, by: str, now: datetime) -> ProductStep | None:
        """What the action would make of the product of a tank; None: it is about none. Raises SettingsError."""
        now = now.astimezone(UTC).replace(microsecond=0)
        match action:
            case ProductChange():
                self._refuse_unknown("tank", action.tank, self._setups)
                return self.products.changed(action, by, now)
            case Withdraw() if action.quantity == PRODUCT:
                self._refuse_unknown("tank", action.tank, self._setups)
                return self.products.withdrawn(action, by, now)
            case _:
                return None

    def entry(self, key: str) -> Entry | None:
        return self._entries.get(key)

    def merged(self, tank: str) -> Merged:
        """The binding of a tank with what people have entered. Raises KeyError for a tank that is not watched."""
        entered = {
            checked.field: checked.value
            for quantity in QUANTITIES
            if isinstance(checked := self._checked.get(f"{quantity} {tank}"), CheckedEntry)
        }
        return merged(self._setups[tank].binding, entered, self._works)

    def bindings(self) -> dict[str, TankBinding]:
        """Of every tank."""
        return {tank: self.merged(tank).binding for tank in self._setups}

    def tanks_of(self, entry: Entry) -> tuple[str, ...]:
        """Those whose sheets rest on it."""
        if entry.quantity == MAINTENANCE:
            return self._instruments.get(entry.about, ())
        return (entry.about,) if entry.about in self._setups else ()

    def changes(self, action: Action, by: str, now: datetime) -> tuple[Change, ...]:
        """What the action would make. Raises SettingsError with every mistake, in the words of the site file."""
        now = now.astimezone(UTC).replace(microsecond=0)
        match action:
            case Withdraw():
                return (self._withdrawn(action, by, now),)
            case EndMaintenance():
                return (self._ended(action, by, now),)
            case BeginMaintenance():
                self._refuse_unknown("instrument", action.instrument, self._instruments)
                block = {"entered": now.isoformat(), "expires": action.duration}
                entry = Entry(action.instrument, MAINTENANCE, What.ENTERED, block, by, now, action.why)
                checked_maintenance(entry)
                return (Change(self._entries.get(entry.key), entry),)
            case Dip() | Temperature() | Density() | SedimentWater():
                self._refuse_unknown("tank", action.tank, self._setups)
                return self._entered(action, by, now)
            case _:
                return ()

    def ended(self, now: datetime) -> tuple[Entry, ...]:
        """What has expired and was not told yet, as it is to be kept."""
        found = []
        for key, entry in self._entries.items():
            ends = _ends(self._checked.get(key))
            if entry.what is What.ENTERED and ends is not None and ends <= now:
                found.append(entry._replace(what=What.EXPIRED, at=ends))
        return tuple(found)

    def standings(self, now: datetime) -> tuple[EntryStanding, ...]:
        """Of all that holds, tank by tank."""
        found = []
        merges: dict[str, Merged] = {}
        for key, entry in sorted(self._entries.items(), key=lambda item: (item[1].about, item[1].quantity)):
            if not entry.holds:
                continue
            checked = self._checked[key]
            ends = _ends(checked)
            if isinstance(checked, str):
                found.append(EntryStanding(entry, None, False, trouble=checked))
            elif isinstance(checked, Maintenance):
                found.append(EntryStanding(entry, ends, now < checked.until))
            else:
                merge = merges.setdefault(entry.about, self.merged(entry.about))
                other = merge.others.get(checked.field, "")
                is_used = checked.field in merge.used
                found.append(EntryStanding(entry, ends, is_used, checked.value.substitutes, other))
        return tuple(found)

    def _made(self, entry: Entry, now: datetime) -> CheckedEntry | Maintenance | str:
        try:
            if entry.quantity == MAINTENANCE:
                return checked_maintenance(entry)
            setup = self._setups.get(entry.about)
            if setup is None:
                return "the tank is not in the site file"
            held = setup.plan.product.name
            if entry.product and entry.product != held:
                return f"it is a sample of {entry.product}, and the tank holds {held} now; enter a new one"
            if entry.product and (before := self.products.entered_before(entry.about, entry)):
                return f"{before}; enter a new one"
            return checked_value(entry, setup.plan, now)
        except SettingsError as error:
            return error.mistakes[0]
        except Exception as error:  # noqa: BLE001 - one entry must not keep the tanks from being watched
            return f"a fault in the program: {type(error).__name__}: {error}"

    def _entered(
        self, action: Dip | Temperature | Density | SedimentWater, by: str, now: datetime
    ) -> tuple[Change, ...]:
        changes: list[Change] = []
        mistakes: list[str] = []
        for quantity, block in _blocks(action, now):
            plan = self._setups[action.tank].plan
            product = plan.product.name if quantity in OF_PRODUCT else ""
            entry = Entry(action.tank, quantity, What.ENTERED, block, by, now, action.why or "", product)
            try:
                checked = checked_value(entry, plan, now)
            except SettingsError as error:
                mistakes += error.mistakes
            else:
                changes.append(Change(self._entries.get(entry.key), entry, checked.notes))
        if mistakes:
            raise SettingsError(tuple(mistakes))
        return tuple(changes)

    def _withdrawn(self, action: Withdraw, by: str, now: datetime) -> Change:
        key = f"{action.quantity} {action.tank}"
        before = self._entries.get(key)
        if before is None or not before.holds:
            known = [f"{each.quantity} of {each.about}" for each in self._entries.values() if each.holds]
            given = f"there are {', '.join(known[:5])}" if known else "nothing is entered"
            text = f"quantity: no {QUANTITIES[action.quantity]} of {action.tank} is entered; {given}"
            raise SettingsError((text,))
        return Change(before, before._replace(what=What.WITHDRAWN, by=by, at=now, why=action.why))

    def _ended(self, action: EndMaintenance, by: str, now: datetime) -> Change:
        before = self._entries.get(f"{MAINTENANCE} {action.instrument}")
        if before is None or not before.holds:
            works = [each.about for each in self._entries.values() if each.quantity == MAINTENANCE and each.holds]
            given = f"there is that of {', '.join(works[:5])}" if works else "no instrument is in maintenance"
            raise SettingsError((f"instrument: '{action.instrument}' is not in maintenance; {given}",))
        return Change(before, before._replace(what=What.WITHDRAWN, by=by, at=now, why=action.why or ""))

    def _refuse_unknown(self, field: str, tag: str, known: Mapping[str, object]) -> None:
        if tag not in known:
            raise SettingsError((f"{field}: there is no {field} '{tag}'; {suggestion(tag, known)}",))


def _blocks(
    action: Dip | Temperature | Density | SedimentWater, now: datetime
) -> Sequence[tuple[str, Mapping[str, str]]]:
    """By quantity what the site file would have; what is not given is left out, for its models to ask for it."""
    dates = {"entered": action.entered or now.isoformat(), "expires": action.expires}
    match action:
        case Dip():
            dates["expires"] = action.expires or _DIP_HOLDS
            given = [("level", {"value": action.level}), ("water", {"value": action.water})]
        case Temperature():
            given = [("temperature", {"value": action.value})]
        case SedimentWater():
            given = [("sediment_water", {"value": action.value})]
        case _:
            how = {"value": action.value, "at": action.at, "by": action.by, "made_for": action.made_for}
            given = [("density", how)]
    return [
        (quantity, {key: text for key, text in {**block, **dates}.items() if text is not None})
        for quantity, block in given
        if block["value"] is not None
    ]


def _ends(checked: CheckedEntry | Maintenance | str | None) -> datetime | None:
    if isinstance(checked, Maintenance):
        return checked.until
    return checked.value.expires if isinstance(checked, CheckedEntry) else None
