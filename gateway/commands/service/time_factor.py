"""`--time-factor`: how fast the time of a simulated site passes."""

import argparse

from gateway.errors import UsageError
from gateway.scenario_time import FASTEST

__all__ = ["add_time_factor", "checked_time_factor"]


def add_time_factor(parser: argparse.ArgumentParser, default: float | None = 1.0) -> None:
    parser.add_argument(
        "--time-factor",
        metavar="N",
        type=float,
        default=default,
        help="of a simulated site: its time passes N times as fast (1 to 3600), so that a working day takes minutes",
    )


def checked_time_factor(factor: float, *, simulated: bool) -> float:
    """Raises UsageError for one that is out of range, and for any where the site is a real one."""
    if not 1.0 <= factor <= FASTEST:
        raise UsageError(f"--time-factor {factor:g}: is not between 1 and {FASTEST:g}", "60 makes an hour a minute")
    if factor != 1.0 and not simulated:
        raise UsageError(
            f"--time-factor {factor:g}: the time of a real site passes as it does",
            "only a site with `simulated: yes` has a time of its own",
        )
    return factor
