"""The section `account` to the frozen plan of the accounts."""

from collections.abc import Collection
from zoneinfo import ZoneInfo, available_timezones

from gateway.account.plan import FLOW_SEEN_AFTER_S, AccountPlan, BalanceTolerance
from gateway.ledger.plan import LedgerPlan
from gateway.settings.account.models import AccountModel
from gateway.settings.deliveries.surroundings import Reading
from gateway.settings.lines.plans import declared_names
from gateway.settings.reading.document import Document, KeyPath, Mistakes
from gateway.settings.reading.validation import suggestion, validate

__all__ = ["build_account", "check_against_ledger"]

_PATH: KeyPath = ("account",)
_LONGEST_SETTLING_S = 24 * 3600.0
_LONGEST_CLOSING_AGE_S = 24 * 3600.0
_LONGEST_CLOSE_AFTER_S = 12 * 3600.0
_LARGEST_SHARE = 0.5
_WINDOWS = 2.0


def build_account(
    document: Document, mistakes: Mistakes, time_zone: str, *, simulated: bool, windows_s: Collection[float] = ()
) -> AccountPlan:
    """`time_zone`: that of the site, a key of the IANA data base. `windows_s`: over which the flow of each tank is
    worked out."""
    model = AccountModel()
    if document.node(_PATH) is not None:
        checked = validate(AccountModel, document, _PATH, mistakes)
        if checked is not None:
            # What is wrong in part is told, and what is left out is not missed a second time.
            model = AccountModel.model_construct(
                **{
                    name: value
                    for name, value in dict(checked.model).items()
                    if name not in checked.dropped and name in AccountModel.model_fields
                }
            )
            _check(model, document, mistakes)
    # A zone that is none is told where the site gives it.
    zone = time_zone if time_zone in available_timezones() else "UTC"
    return AccountPlan(
        zone=ZoneInfo(zone),
        time_zone=zone,
        simulated=simulated,
        # A flow of less than a step of the gauge in a window is seen in the next one.
        flow_seen_after_s=max([FLOW_SEEN_AFTER_S, *(_WINDOWS * each for each in windows_s)]),
        boundary=model.day_boundary,
        settling_s=model.settling,
        closing_age_s=model.closing_age,
        close_after_s=model.close_after,
        proposes=model.propose,
        tolerance=BalanceTolerance(model.tolerance.of_throughput, model.tolerance.fixed),
        measures=dict(model.measures),
        owners=dict(model.owners),
    )


def check_against_ledger(account: AccountPlan, ledger: LedgerPlan | None, reading: Reading) -> None:
    """A day is closed by a sheet that is kept: there has to be one that is young enough. A site that has said nothing
    of its accounts is warned, as it may want none."""
    path: KeyPath = (*_PATH, "closing_age")
    if ledger is None or ledger.every_s <= account.closing_age_s:
        return
    every, age = (f"{seconds:g} s" for seconds in (ledger.every_s, account.closing_age_s))
    if reading.document.node(path) is None:
        text = f"with a record each {every} no day has a closing sheet of {age} at most; give {age} or less"
        reading.manual.warn(("ledger", "every"), text)
    else:
        text = f"with a record each {every} (ledger.every) no sheet is {age} old at most; give {every} or more"
        reading.mistakes.add(path, text)


def _check(model: AccountModel, document: Document, mistakes: Mistakes) -> None:
    if model.settling > _LONGEST_SETTLING_S:
        mistakes.add((*_PATH, "settling"), f"{_given(document, 'settling')} until a transfer closes; give 24 h or less")
    if model.closing_age > _LONGEST_CLOSING_AGE_S:
        text = f"{_given(document, 'closing_age')} is older than a day's close can rest on; give 24 h or less"
        mistakes.add((*_PATH, "closing_age"), text)
    if model.close_after > _LONGEST_CLOSE_AFTER_S:
        text = f"{_given(document, 'close_after')} after its end a day is still open; give 12 h or less"
        mistakes.add((*_PATH, "close_after"), text)
    tolerance: KeyPath = (*_PATH, "tolerance")
    if not 0.0 <= model.tolerance.of_throughput <= _LARGEST_SHARE:
        text = f"{document.text((*tolerance, 'of_throughput'))} of what went through is no tolerance; give 0 % to 50 %"
        mistakes.add((*tolerance, "of_throughput"), text)
    if model.tolerance.fixed < 0.0:
        text = f"{document.text((*tolerance, 'fixed'))} is below zero; give 0 m3 or more"
        mistakes.add((*tolerance, "fixed"), text)
    _refuse_unknown("measures", "product", model.measures, declared_names(document, "products"), mistakes)
    _refuse_unknown("owners", "tank", model.owners, declared_names(document, "tanks"), mistakes)


def _given(document: Document, key: str) -> str:
    return document.text((*_PATH, key)) or ""


def _refuse_unknown(key: str, what: str, given: Collection[str], known: Collection[str], mistakes: Mistakes) -> None:
    for name in given:
        if name not in known:
            mistakes.add((*_PATH, key, name), f"there is no {what} '{name}'; {suggestion(name, known)}")
