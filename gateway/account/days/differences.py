"""Pure: in what one revision of a day differs from the one before, in words; nothing where it says the same."""

from typing import Any

from gateway.account.balance.shown import rounded
from gateway.account.day import Balance, DayClose, TankAtClose
from gateway.account.gauging import MASSES
from gateway.account.transfers.words import measure_words
from gateway.records import Figure

__all__ = ["differences"]

_FIGURES = (
    "opening",
    "receipts",
    "dispatches",
    "own_use",
    "adjustments",
    "book",
    "physical",
    "gain",
    "throughput",
    "unaccounted",
)
_BESIDE = ("measure", "uncertainty", "tanks", "documents", "tickets")
"""Not the tolerance: where nothing else differs, it is the site file that has another one."""


def differences(before: DayClose, after: DayClose) -> list[str]:
    """What differs, one clause each, as somebody reads it who signed the one before. That is what is there and how good
    it is: neither when and by whom a close was made, nor how a reason is told, nor that the revision which it opens
    from has another number where its stock is the same."""
    found: list[str] = []
    held = {tank.tank: tank for tank in before.tanks}
    holds = {tank.tank: tank for tank in after.tanks}
    for name in sorted(held.keys() | holds.keys()):
        found += _of_tank(name, held.get(name), holds.get(name))
    for of_month, ones, others in ((False, before.balances, after.balances), (True, before.month, after.month)):
        earlier = {balance.product: balance for balance in ones}
        later = {balance.product: balance for balance in others}
        for product in sorted(earlier.keys() | later.keys()):
            found += _of_balance(product, earlier.get(product), later.get(product), of_month=of_month)
    return found


def _of_tank(name: str, before: TankAtClose | None, after: TankAtClose | None) -> list[str]:
    if before is None or after is None:
        return [f"{name} is {'new' if before is None else 'gone'}"]
    if before.gauging != after.gauging:
        if before.gauging is None:
            return [f"{name} has a sheet of the end of the day now"]
        if after.gauging is None:
            return [f"{name} has no sheet of the end of the day any more"]
        return [f"{name} has another sheet"]
    if before.product != after.product:
        return [f"{name} holds {after.product}, not {before.product}"]
    if before.owner != after.owner:
        return [f"{name} is of {after.owner or 'nobody'}, not {before.owner or 'nobody'}"]
    return []


def _of_balance(product: str, before: Balance | None, after: Balance | None, *, of_month: bool) -> list[str]:
    of = f"{product}, month" if of_month else product
    if before is None or after is None:
        return [f"{of} is {'new' if before is None else 'gone'}"]
    changed = []
    for name in _FIGURES:
        one, other = getattr(before, name), getattr(after, name)
        if _said(one) != _said(other):
            words = _words(other, after.measure), _words(one, before.measure)
            changed.append(f"{name.replace('_', ' ')} {words[0]}, before {words[1]}")
    for name in _BESIDE:
        one, other = getattr(before, name), getattr(after, name)
        if one != other:
            words = _plain(name, other, after.measure), _plain(name, one, before.measure)
            changed.append(f"{name} {words[0]}, before {words[1]}")
    return [f"{of} by {measure_words(after.measure)}: {'; '.join(changed)}"] if changed else []


def _said(figure: Figure | None) -> Any:
    return None if figure is None else (figure.value, figure.quality, figure.manual)


def _words(figure: Figure | None, measure: str) -> str:
    if figure is None or figure.value is None:
        return "none" if figure is None else figure.quality.word
    quality = f" {figure.quality.word}" if figure.quality else ""
    return f"{_quantity(figure.value, measure)}{quality}{' by hand' if figure.manual else ''}"


def _quantity(value: float, measure: str) -> str:
    """As exactly as amounts are entered: somebody has signed the one before."""
    return f"{rounded(value / 1000.0, 3):,} t" if measure in MASSES else f"{rounded(value, 3):,} m3"


def _plain(name: str, value: Any, measure: str) -> str:
    if isinstance(value, tuple):
        return " of ".join(str(each) for each in value)
    if name == "measure":
        return measure_words(str(value))
    return "unknown" if value is None else _quantity(value, measure) if isinstance(value, float) else str(value)
