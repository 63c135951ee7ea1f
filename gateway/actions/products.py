"""Which product each tank holds: by the papers of the ledger, and by the site file where there is none yet.

Without I/O: what is to be kept is handed out, and taken in once it is. A time that has come needs nothing to be kept.
"""

from collections.abc import Iterable
from copy import copy
from dataclasses import replace
from datetime import datetime, timedelta
from typing import NamedTuple

from gateway.actions.entry import Entry, What, utc_text
from gateway.actions.held_product import HeldProduct, Word, held_at, held_now, history_of
from gateway.actions.requests import ProductChange, Withdraw
from gateway.calculation.methods.not_known import ProductDoubted, ProductNotKnown
from gateway.calculation.plan import ProductPlan
from gateway.errors import SettingsError
from gateway.settings import SiteSettings, TankSetup

__all__ = ["ProductStep", "Products"]

_LONGEST_AHEAD = timedelta(days=31)


class ProductStep(NamedTuple):
    """What an action makes of the products of one tank."""

    before: HeldProduct | None
    """What the tank holds, or was to hold, without it."""
    after: HeldProduct
    stood: str
    """The name of that product."""
    entries: tuple[Entry, ...] = ()
    """Of the new product: they hold with it."""
    notes: tuple[str, ...] = ()


class Products:
    """`setups`: of each tank as it is to be watched now."""

    def __init__(self) -> None:
        self.setups: dict[str, TankSetup] = {}
        self._settings: SiteSettings | None = None
        self._of_site: dict[str, TankSetup] = {}
        self._known: dict[str, dict[str, HeldProduct]] = {}
        """By tank and key: the newest word."""
        self._planned: dict[str, HeldProduct] = {}
        """Of these by key: those of a time that was to come."""
        self._now_held: dict[str, HeldProduct | None] = {}
        self._troubles: dict[str, str] = {}
        self._doubt = ""
        """Why the site file's word may not be the last one; empty: it is, where there is no other."""

    def copied(self) -> "Products":
        """One that may be tried on: what is put into it changes nothing here."""
        other = copy(self)
        own = {name: dict(getattr(self, name)) for name in ("setups", "_planned", "_now_held", "_troubles")}
        vars(other).update(own, _known={tank: dict(words) for tank, words in self._known.items()})
        return other

    # What holds

    def doubt(self, why: str, now: datetime) -> tuple[str, ...]:
        """Whether the papers are known: `why` not, or empty. The tanks that are to be watched otherwise from now on."""
        if why == self._doubt:
            return ()
        self._doubt = why
        self._now_held.clear()
        return self._look(now)

    def take_over(self, settings: SiteSettings, now: datetime) -> None:
        """Another site file."""
        self._settings = settings
        self._of_site = {setup.plan.tank: setup for setup in settings.tanks}
        self.setups.clear()
        self._now_held.clear()
        self._troubles.clear()
        self._look(now)

    def turn(self, now: datetime, held: Iterable[HeldProduct] = ()) -> tuple[str, ...]:
        """Time has passed, and words are kept. The tanks that are to be watched otherwise from now on."""
        words = tuple(held)
        for each in words:
            self._known.setdefault(each.tank, {})[each.key] = each
        if words:
            known = [each for words in self._known.values() for each in words.values()]
            self._planned = {each.key: each for each in known if each.word is Word.PLANNED}
        elif not any(each.since <= now for each in self._planned.values()):
            return ()
        return self._look(now)

    def _look(self, now: datetime) -> tuple[str, ...]:
        changed = []
        for tank, setup in self._of_site.items():
            held = held_now(self.history(tank), now)
            if tank in self._now_held and self._now_held[tank] == held:
                continue
            self._now_held[tank] = held
            made = self._made(setup, held, now)
            # The same product again is another filling: what was said of the one before is not of this.
            if self.setups.get(tank) != made or (held is not None and held.is_change):
                self.setups[tank] = made
                changed.append(tank)
        return tuple(changed)

    def history(self, tank: str) -> tuple[HeldProduct, ...]:
        """What it held and will hold, by the papers."""
        known = self._known.get(tank)
        return () if known is None else history_of(known.values())

    def unknown(self, held: Iterable[HeldProduct]) -> tuple[HeldProduct, ...]:
        """Those of these that are not known yet."""
        return tuple(each for each in held if self._known.get(each.tank, {}).get(each.key) != each)

    def name_with(self, step: ProductStep, now: datetime) -> str:
        """Of the product that the tank holds once `step` is done."""
        tank = step.after.tank
        known = {**self._known.get(tank, {}), step.after.key: step.after}
        held = held_now(history_of(known.values()), now)
        return self._of_site[tank].plan.product.name if held is None else held.product

    def setup_at(self, tank: str, instant: datetime) -> TankSetup:
        """The tank with what it held then. Raises KeyError for one that is not in the site file."""
        return self._made(self._of_site[tank], held_at(self.history(tank), instant), instant)

    def entered_before(self, tank: str, entry: Entry) -> str:
        """Why a sample is of what the tank held before; empty where it is not."""
        held = self._now_held.get(tank)
        if held is None or not held.is_change or entry.at >= min(held.entered, held.since):
            return ""
        return f"it is a sample of what the tank held before {utc_text(held.since)}, when its product was changed"

    def _made(self, setup: TankSetup, held: HeldProduct | None, now: datetime) -> TankSetup:
        """The tank with what it holds. Where the site file cannot tell what that is, its quantities cannot be known."""
        tank = setup.plan.tank
        self._troubles.pop(tank, None)
        assert self._settings is not None
        others = self._settings.other_products
        if held is None:
            return setup if not self._doubt else _of_doubted_product(setup, self._doubt)
        since = held.since if held.is_change else None
        has_old = since is not None and others.older_samples(tank, since)
        if held.product == setup.plan.product.name and not has_old:
            return setup
        try:
            return others.setup(tank, held.product, now, since=since, density_elsewhere=True)[0]
        except SettingsError as error:
            self._troubles[tank] = _plain(error.mistakes[0])
        except Exception as error:  # noqa: BLE001 - one tank must not keep the others from being watched
            self._troubles[tank] = f"a fault in the program: {type(error).__name__}: {error}"
        return _of_no_product(setup, held, self._troubles[tank])

    # What is to be kept beside what people say

    def begun(self, now: datetime) -> tuple[HeldProduct, ...]:
        """The site file's words of tanks of which nothing is known yet."""
        return tuple(
            HeldProduct(tank, setup.plan.product.name, _whole(now), Word.BEGUN, "", now)
            for tank, setup in self._of_site.items()
            if not any(each.word is not Word.WITHDRAWN for each in self._known.get(tank, {}).values())
        )

    def due(self, now: datetime) -> tuple[ProductStep, ...]:
        """Changes whose time has come and that were not told yet, as they are to be kept."""
        found = []
        for each in self._planned.values():
            setup = self._of_site.get(each.tank)
            if setup is not None and each.since <= now:
                before = held_at(self.history(each.tank), each.since - timedelta(seconds=1))
                after = each._replace(word=Word.CHANGED)
                stood = setup.plan.product.name if before is None else before.product
                found.append(ProductStep(before, after, stood, _entries(after)))
        return tuple(found)

    # What people ask for

    def changed(self, action: ProductChange, by: str, now: datetime) -> ProductStep:
        """Raises SettingsError with every mistake, in the words of the site file."""
        assert self._settings is not None
        tank, since = action.tank, _whole(action.effective or now)
        if since > now + _LONGEST_AHEAD:
            text = f"{action.effective} lies more than {_LONGEST_AHEAD.days} d ahead; give at most that"
            raise SettingsError((f"effective: {text}",))
        history = self.history(tank)
        before = held_at(history, since)
        stands = self._of_site[tank].plan.product.name if before is None else before.product
        corrects = before is not None and before.is_change and before.since == since
        if stands == action.product and not corrects:
            what = f"holds {stands} already" if since <= now else f"will hold {stands} then"
            raise SettingsError((f"product: {tank} {what}{_said(before)}; a new filling of it needs a density alone",))
        block = action.density_block(now)
        others = self._settings.other_products
        try:
            _, notes = others.setup(tank, action.product, now, since=since, density=block)
        except SettingsError as error:
            refused = SettingsError(tuple(map(_plain, error.mistakes)))
            if block is None and any(".density: is missing" in each for each in refused.mistakes):
                refused.hint = "give one with the change: --density and --expires"
            raise refused from error
        word = Word.CHANGED if since <= now else Word.PLANNED
        after = HeldProduct(tank, action.product, since, word, by, now, action.why or "", block or {})
        told = tuple(map(_plain, notes))
        later = held_now(history, now)
        if since <= now and later is not None and later.is_change and later.since > since:
            text = f"{tank} holds {later.product} now{_said(later)}: what it held before that is another from now on"
            return ProductStep(before, after, stands, (), (*told, text))
        return ProductStep(before, after, stands, _entries(after) if word is Word.CHANGED else (), told)

    def withdrawn(self, action: Withdraw, by: str, now: datetime) -> ProductStep:
        """The newest change of the tank taken back: what it held before counts again. Raises SettingsError."""
        assert self._settings is not None
        changes = [each for each in self.history(action.tank) if each.is_change]
        if not changes:
            raise SettingsError((f"quantity: no change of product of {action.tank} is entered",))
        last = changes[-1]
        after = last._replace(word=Word.WITHDRAWN, by=by, entered=now, why=action.why)
        if last.word is Word.CHANGED or last.since <= now:
            rest = [each for each in self._known[action.tank].values() if each.key != last.key]
            held = held_now(history_of(rest), now)
            if held is not None:
                try:
                    self._settings.other_products.setup(action.tank, held.product, now, density_elsewhere=True)
                except SettingsError as error:
                    raise SettingsError(tuple(map(_plain, error.mistakes))) from error
        return ProductStep(last, after, last.product)

    # What people are told

    def name(self, tank: str, now: datetime) -> str:
        """Of the product that the tank holds."""
        held = held_now(self.history(tank), now)
        return self._of_site[tank].plan.product.name if held is None else held.product

    def names(self, at: datetime | None) -> dict[str, str]:
        """By tank, of the product that it holds, or held then; before anything is known of it the first that is."""
        if at is None:
            return {tank: setup.plan.product.name for tank, setup in self.setups.items()}
        found = {}
        for tank, setup in self._of_site.items():
            history = self.history(tank)
            held = held_at(history, at) or next(iter(history), None)
            found[tank] = setup.plan.product.name if held is None else held.product
        return found

    def known(self) -> frozenset[str]:
        """Products that any tank of the site holds, held, or is to hold."""
        found = {setup.plan.product.name for setup in (*self._of_site.values(), *self.setups.values())}
        return frozenset(found | {each.product for words in self._known.values() for each in words.values()})

    def histories(self) -> dict[str, tuple[HeldProduct, ...]]:
        """By tank, of those of the site file."""
        return {tank: self.history(tank) for tank in self._of_site}

    def remarks(self, now: datetime) -> dict[str, tuple[str, ...]]:
        """By tank: two masters of one fact, changes to come, and what cannot be told."""
        found: dict[str, tuple[str, ...]] = {}
        for tank, setup in self._of_site.items():
            lines = []
            history, written = self.history(tank), setup.plan.product.name
            held = held_now(history, now)
            if held is not None and held.product != written:
                said = f"the site file says {written}; {_since(held)} the tank holds {held.product}, {_by(held)}"
                trouble = self._troubles.get(tank)
                lines.append(said if trouble is None else f"{said}: nothing can be worked out, as {trouble}")
            lines += [
                f"from {utc_text(each.since)} on the tank will hold {each.product}, {_by(each)}"
                for each in history
                if each.word is Word.PLANNED and each.since > now
            ]
            if lines:
                found[tank] = tuple(lines)
        return found

    def refuse(self, settings: SiteSettings, now: datetime) -> None:
        """Raises SettingsError where that site file cannot tell what a tank holds, or is to hold."""
        mistakes = []
        for setup in settings.tanks:
            tank = setup.plan.tank
            history = self.history(tank)
            held = held_now(history, now)
            planned = [each for each in history if each.word is Word.PLANNED and each.since > now]
            for each in planned if held is None else [held, *planned]:
                if each.product == setup.plan.product.name:
                    continue  # as the file has it, it was found right
                try:
                    settings.other_products.setup(tank, each.product, now, density_elsewhere=True)
                except SettingsError as error:
                    when = _since(each) if each is held else f"from {utc_text(each.since)} on"
                    verb = "holds" if each is held else "will hold"
                    mistakes.append(f"{error.mistakes[0]} ({when} the tank {verb} {each.product}, {_by(each)})")
        if mistakes:
            refused = SettingsError(tuple(mistakes))
            refused.hint = "leave in the site file what its tanks hold, or enter a product-change first"
            raise refused


def _entries(held: HeldProduct) -> tuple[Entry, ...]:
    """Its density, as a person would have entered it."""
    if not held.density:
        return ()
    at = max(held.entered, held.since)
    return (Entry(held.tank, "density", What.ENTERED, held.density, held.by, at, held.why, held.product),)


def _of_doubted_product(setup: TankSetup, why: str) -> TankSetup:
    product = setup.plan.product
    doubted = replace(product, method=ProductDoubted(product.method, f"taken for {product.name}: {why}"))
    return replace(setup, plan=replace(setup.plan, product=doubted))


def _of_no_product(setup: TankSetup, held: HeldProduct, trouble: str) -> TankSetup:
    """Level and what rests on it alone stay; all that rests on what the liquid is has no value."""
    why = f"the tank holds {held.product} {_since(held)}, and {trouble}"
    method = ProductNotKnown(why, setup.plan.product.method.reference_temperature_c)
    plan = replace(setup.plan, product=ProductPlan(held.product, method), vapour=None)
    binding = replace(setup.binding, reference_density=None, observed_density=None, sediment_water=None)
    return replace(setup, plan=plan, binding=binding)


def _whole(instant: datetime) -> datetime:
    return instant.replace(microsecond=0)


def _since(held: HeldProduct) -> str:
    return f"since {utc_text(held.since)}"


def _by(held: HeldProduct) -> str:
    return f"entered by {held.by}" if held.is_change else "by the site file as it was then"


def _said(held: HeldProduct | None) -> str:
    return "" if held is None else f" {_since(held)}, {_by(held)}"


def _plain(mistake: str) -> str:
    """Without the place: the key tells where it would stand in the site file."""
    _, colon, text = mistake.partition(": ")
    return text if colon and ":" in mistake.split(": ")[0] else mistake
