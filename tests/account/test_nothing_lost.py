"""What moves is somebody's ticket, or is proposed: whatever the order of flows, pauses and lost levels, the amounts add
up to what the level of a tank has really gone."""

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from gateway.account.commands import AccountRefusedError, Described, PlanTransfer, TransferVerb
from gateway.account.gauging import Gauging
from gateway.account.transfer import Direction, Side, TransferKind
from tests.account.transfers_life import Life

STEP_S = 100.0
LEAST_M = 0.010
"""By less a level may be off over a pause, and is nobody's."""
_seconds = st.sampled_from((100.0, 600.0, 1900.0, 4000.0))
MOST_M_S = 0.0003
_rates = st.sampled_from((0.0003, -0.0003, 0.0))
_flow = st.tuples(st.just("flow"), _rates, _seconds)
_rest = st.tuples(st.just("flow"), st.just(0.0), st.just(2400.0))
_restart = st.tuples(st.just("restart"), st.sampled_from((0.0, 0.2, -0.2)), _seconds)
_lost = st.tuples(st.just("lost"), _rates, _seconds)
_clock = st.tuples(st.just("clock"), st.sampled_from((-7200.0, -3.0, 7200.0)), st.just(0.0))
_act = st.tuples(st.sampled_from(("start in", "start out", "plan in", "finish", "close")), st.just(0.0), st.just(0.0))
OPS = st.lists(st.one_of(_flow, _rest, _restart, _lost, _clock, _act), max_size=14)


@given(ops=OPS, notices_after_s=st.sampled_from((0.0, 0.0, 250.0)))
@settings(max_examples=150)
def test_what_is_told_adds_up_to_what_the_level_went(
    ops: list[tuple[str, float, float]], notices_after_s: float
) -> None:
    life = Life()
    life.yard.notices_after_s = notices_after_s
    tank = life.yard.tanks["TK-1"]
    life.passes(1200.0, STEP_S)
    first_m = tank.level_m
    spare_m = 1e-6
    for what, value, seconds in ops:
        match what:
            case "flow":
                life.yard.moves("TK-1", value)
                life.passes(seconds, STEP_S)
            case "restart":
                # Over two pauses without a sheet at rest between them nothing tells what is spoken for.
                assume(life.rested["TK-1"].identity.boot == life.yard.boot)
                # Of a flow of which the watch had not heard yet, the last sheet before the pause is all that is known.
                spare_m += LEAST_M + (MOST_M_S * notices_after_s if tank.noticed else 0.0)
                tank.level_m += value
                life.restarts(seconds)
                life.passes(STEP_S, STEP_S)
            case "lost":
                life.yard.moves("TK-1", value)
                tank.is_lost = True
                life.passes(seconds, STEP_S)
                tank.is_lost = False
                spare_m += LEAST_M
            case "clock":
                life.yard.is_set(value)
            case _:
                _does(life, what)
    life.yard.moves("TK-1", 0.0)
    life.passes(3000.0, STEP_S)
    told_m = sum(_told_m(life, side) for side in _sides(life))
    assert abs(told_m - (tank.level_m - first_m)) <= spare_m


def _does(life: Life, what: str) -> None:
    open_now = life.book.begun_at("TK-1")
    number = life.book.last_transfer if open_now is None else open_now.number
    try:
        match what:
            case "start in":
                life.starts(TransferKind.RECEIPT, target="TK-1")
            case "start out":
                life.starts(TransferKind.DISPATCH, source="TK-1")
            case "plan in":
                life.does(PlanTransfer(TransferKind.RECEIPT, None, "TK-1", Described(), "ann"))
            case "finish":
                life.deed(TransferVerb.FINISH, number)
            case _:
                life.deed(TransferVerb.CLOSE, number, "the ship has to leave")
    except AccountRefusedError:
        pass


def _sides(life: Life) -> list[Side]:
    """Of tickets, and of what is still open."""
    closed = [
        Side(side.tank, side.direction, side.opening, side.closing) for each in life.tickets() for side in each.sides
    ]
    return [*closed, *(side for transfer in life.book.transfers.values() for side in transfer.sides if side.opening)]


def _told_m(life: Life, side: Side) -> float:
    assert side.opening is not None
    last = life.yard.tanks["TK-1"].level_m if side.closing is None else _level_m(life, side.closing)
    assert side.direction in Direction
    return last - _level_m(life, side.opening)


def _level_m(life: Life, gauging: Gauging) -> float:
    return life.truth[gauging.tank, gauging.boot, gauging.sequence][1]
