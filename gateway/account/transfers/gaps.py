"""While nobody watched: what is remembered of it, and whether the rates around it bear out how far the level went."""

from datetime import datetime

from gateway.account.transfer import Gap, MarkKind, Transfer
from gateway.account.transfers.draft import marked
from gateway.records import Quality
from gateway.tank_record import TankRecord

__all__ = ["GAP_S", "gap_after", "gap_begun", "gap_ended"]

GAP_S = 120.0
"""For less nobody asks: a few readings were missing (common practice)."""
_MOST = 20
"""Of one transfer: of further ones the last alone is told, and nothing bears it out."""
_NOISE_M = 0.005
_PART = 0.1
"""Of the way at the greater rate: a flow is not that steady."""


def gap_after(record: TankRecord) -> Gap:
    """A gap that begins with the last sheet before it."""
    level = record.inventory.figures.level.value
    return Gap(record.identity.tank, record.inventory.instant, level, _rate_m_s(record))


def gap_begun(transfer: Transfer, gap: Gap, now: datetime, text: str) -> Transfer:
    """The transfer with one gap more, and the mark that tells of it."""
    if any(each.tank == gap.tank and each.begins == gap.begins for each in transfer.gaps):
        return transfer
    if len(transfer.gaps) >= _MOST:
        # A gauge that comes and goes: each change of a transfer is kept whole, so it may not grow for ever.
        return transfer._replace(gaps=(*transfer.gaps[:-1], gap._replace(is_borne_out=False)))
    return marked(transfer._replace(gaps=(*transfer.gaps, gap)), MarkKind.GAP, now, text)


def gap_ended(transfer: Transfer, record: TankRecord) -> Transfer:
    """Once the level and its rate are known again: whether the level went as far as the rates say."""
    tank, level = record.identity.tank, record.inventory.figures.level
    if level.value is None or level.quality is Quality.BAD:
        return transfer
    rate_m_s, now = _rate_m_s(record), record.inventory.instant
    gaps = []
    for gap in transfer.gaps:
        after = gap
        if gap.tank == tank and gap.is_borne_out is None:
            after = after if after.ends is not None else after._replace(ends=now)
            if rate_m_s is not None:
                after = after._replace(is_borne_out=_is_borne_out(gap, level.value, rate_m_s, now))
        gaps.append(after)
    return transfer if tuple(gaps) == transfer.gaps else transfer._replace(gaps=tuple(gaps))


def _is_borne_out(gap: Gap, level_m: float, rate_m_s: float, now: datetime) -> bool:
    passed_s = (now - gap.begins).total_seconds()
    if gap.level_m is None or gap.rate_m_s is None or passed_s < 0.0:
        return False
    ways = gap.rate_m_s * passed_s, rate_m_s * passed_s
    spare_m = _NOISE_M + _PART * max(abs(way) for way in ways)
    return min(ways) - spare_m <= level_m - gap.level_m <= max(ways) + spare_m


def _rate_m_s(record: TankRecord) -> float | None:
    return None if record.state is None else record.state.level_rate.value
