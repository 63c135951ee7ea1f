"""By product over HTTP: what is there, for how many days it lasts, what fits, and what came in on the days before."""

import sqlite3
from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any

from gateway.account.balance.stocked import measure_of
from gateway.account.cover import above_minimum, cover_days, last_days, offtake, receipts
from gateway.account.day import DAY, DayClose
from gateway.account.gauging import MASSES, Gauging, gauging_of
from gateway.account.paper import PaperKind
from gateway.account.stock import StockFigure, StockLine, stock_of
from gateway.errors import GatewayError
from gateway.ledger.account_papers import Span, in_span
from gateway.page_answers.parts import Parts, made
from gateway.payload.outside import outside
from gateway.payload.plain import iso_time, reason_document
from gateway.payload.told import reasons_in, sentence_documents
from gateway.records import Figure, Quality, Reason, ReasonCode
from gateway.web.interface.contract import BusyError, Call, Made

__all__ = ["Outlook"]

_MOST_CLOSES = 1000
_NOT_READ = Reason(ReasonCode.INPUT_BAD, "the closed days cannot be read")
_NO_STOCK = Reason(ReasonCode.NOT_APPLICABLE, "no tank of it has this figure")


class Outlook:
    def __init__(self, parts: Parts) -> None:
        self._parts = parts

    async def outlook(self, _: Call) -> Made:
        parts, now = self._parts, self._parts.now()
        settings = parts.site()
        plan = settings.account
        days = last_days(plan, now)
        span = Span(PaperKind.DAY, days[0].end - timedelta(hours=1), None, _MOST_CLOSES)
        closes: Mapping[str, DayClose] = {}
        trouble = ""
        try:
            closes = await parts.read(lambda connection: _closes(connection, span), is_fresh=False)
        except BusyError:
            raise
        except GatewayError as error:
            # What is in the tanks is told all the same.
            trouble = str(error)
        sheets = {record.identity.tank: gauging_of(record) for record in parts.pipeline.records()}
        stock = stock_of(plan, sheets, parts.acting.products(None), now)
        at_work = {tank.plan.tank for tank in parts.pipeline.watched() if tank.binding.maintenance}
        products: list[dict[str, Any]] = []
        reasons: list[Reason] = []
        for line in stock.products:
            held = [sheets[tank] for tank in line.members if tank in sheets]
            measure = measure_of(plan, line.product, held, _before(closes, line.product))
            left = {tank for name in (measure, "room") for tank, _ in _figure(line, name).excluded}
            usable = [each for each in held if each.tank not in left]
            there = above_minimum(line.product, measure, usable, line.members)
            off, came = (
                (Figure(None, Quality.BAD, (_NOT_READ,), 0.0),) * 2
                if trouble
                else (offtake(line.product, measure, closes, days), receipts(line.product, measure, closes, days))
            )
            unit = "kg" if measure in MASSES else "m3"
            reasons += reasons_in([_figure(line, measure), _figure(line, "room"), there, off, came])
            products.append(
                {
                    "product": line.product,
                    "measure": measure,
                    "reference_temperature": _reference(held),
                    "stock": _of_tanks(_figure(line, measure), unit),
                    "available": _told(there, unit),
                    "offtake": _told(off, f"{unit}/d"),
                    "cover": _told(cover_days(there, off), "d"),
                    "room": _of_tanks(_figure(line, "room"), "m3"),
                    "receipts": _told(came, unit),
                    "left_out": _left_out(line, measure),
                    "in_maintenance": [tank for tank in line.members if tank in at_work],
                }
            )
        return made(
            {
                "schema": "tank-gateway/page-outlook/1",
                "time": iso_time(now),
                "time_zone": plan.time_zone,
                "simulated": settings.simulated,
                "oldest": None if stock.oldest is None else iso_time(stock.oldest),
                "days": [day.name for day in days],
                "closed": [day.name for day in days if day.name in closes],
                "days_trouble": trouble,
                "sentences": sentence_documents(reasons),
                "products": products,
            }
        )


def _closes(connection: sqlite3.Connection, span: Span) -> dict[str, DayClose]:
    """By day its newest revision. What was in each tank is left unread: it is long."""
    documents, _ = in_span(connection, span)
    found: dict[str, DayClose] = {}
    for document in documents:
        members = {name: value for name, value in document.items() if name not in ("schema", "key")}
        close = DAY.from_plain({**members, "tanks": []})
        if close.day not in found or found[close.day].revision < close.revision:
            found[close.day] = close
    return found


def _before(closes: Mapping[str, DayClose], product: str) -> str | None:
    """By which measure its book was kept last."""
    found = [
        balance.measure
        for _, close in sorted(closes.items())
        for balance in close.balances
        if balance.product == product
    ]
    return found[-1] if found else None


def _figure(line: StockLine, name: str) -> StockFigure:
    return line.figures.get(name) or StockFigure(Figure(None, Quality.BAD, (_NO_STOCK,), 0.0), (0, len(line.members)))


def _of_tanks(found: StockFigure, unit: str) -> dict[str, Any]:
    return _told(found.figure, unit, found.tanks)


def _told(figure: Figure, unit: str, tanks: tuple[int, ...] = ()) -> dict[str, Any]:
    told: dict[str, Any] = outside(figure, unit)
    return {name: told[name] for name in ("value", "unit", "quality", "reasons", "manual")} | {"tanks": list(tanks)}


def _left_out(line: StockLine, measure: str) -> list[dict[str, str]]:
    found: dict[str, str] = {}
    for name in (measure, "room"):
        for tank, reason in _figure(line, name).excluded:
            found.setdefault(tank, reason_document(reason)["text"])
    return [{"tank": tank, "text": text} for tank, text in sorted(found.items())]


def _reference(held: Sequence[Gauging]) -> dict[str, Any] | None:
    """One for all of its tanks, or none is told."""
    found = {each.reference_temperature_c for each in held}
    (only,) = found if len(found) == 1 else (None,)
    return None if only is None else {"value": only, "unit": "degC"}
