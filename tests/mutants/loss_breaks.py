"""Breaks in the search for slow losses: what would cry wolf, or keep silent."""

from tests.mutants.a_break import Break

__all__ = ["LOSS_BREAKS"]

CUSUM = "gateway/watch/loss/cusum.py"
BASELINE = "gateway/watch/loss/baseline.py"
JUDGEMENT = "gateway/watch/loss/judgement.py"
LOSS = "gateway/watch/loss/loss.py"
SUMS = ("tests/watch/loss/test_cusum.py",)
FILTER = ("tests/watch/loss/test_baseline.py",)
SHEETS = ("tests/watch/loss/test_loss.py",)

LOSS_BREAKS: tuple[Break, ...] = (
    Break(
        "cumulative sum below zero", CUSUM, "return max(0.0, score + value - reference)", "return score + value", SUMS
    ),
    Break("overshoot of the threshold forgotten", CUSUM, "_BEYOND = 1.166", "_BEYOND = 0.583", SUMS),
    Break("wander of the gauge taken as constant", BASELINE, "math.exp(-hours / noise.wander_h)", "1.0", FILTER),
    Break("variance of the constant does not grow", BASELINE, "+= noise.creep_m2_h * hours", "+= 0.0 * hours", FILTER),
    Break("ambient forgotten by a movement", BASELINE, "(0.0, 0.0, *fit.state[_COSINE:])", "(0.0,) * _STATES", FILTER),
    Break(
        "a gain told as a loss",
        JUDGEMENT,
        "missing_m, of_loss_m = ahead.level_m - level_m",
        "missing_m, of_loss_m = level_m - ahead.level_m",
        SHEETS,
    ),
    Break(
        "a jump told as a loss",
        JUDGEMENT,
        "is_jump = abs(missing_m) > _JUMP_M and",
        "is_jump = abs(missing_m) > 1e3 and",
        SHEETS,
    ),
    Break("a loss that has ended told for ever", JUDGEMENT, "mark_m - level_m < 0.5 * due_m", "due_m < 0.0", SHEETS),
    Break("liquid judged before it has settled", LOSS, "_SETTLES_S = 6.0 * 3600.0", "_SETTLES_S = 0.0", SHEETS),
    Break("doubtful temperature trusted", LOSS, " and _is_sure(temperature, clock_doubt)", "", SHEETS),
    Break("temperature by hand trusted", LOSS, " or temperature.manual", "", SHEETS),
)
