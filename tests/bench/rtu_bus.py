"""How much of a serial line's time the gateway uses: a paced line at its real speed, whose idle time is told by cause.

The far end (`rtu_pacer.c`) charges only idle time between the end of the silent interval after an answer and the first
character of the next request. Beside the gateway's link, in the same rounds, the least that any master can do
(`rtu_reference.c`): what it loses is the machine's.
"""

import subprocess
import sys
from itertools import product
from pathlib import Path
from statistics import median
from typing import NamedTuple

__all__ = ["measure"]

HERE = Path(__file__).resolve().parent
BUILD = HERE / "build"
RATES = (9_600, 19_200, 115_200)
REGISTERS = (2, 20, 60)
MASTERS = ("C, the least", "ours, asyncio", "ours, uvloop")
UNMEASURED = 5
"""As in rtu_pacer.c: exchanges before the measured ones."""
WANTED_SHARE = 0.97


class Run(NamedTuple):
    """One master on one line for a second or so."""

    share: float
    """Of the time from first to last, how much the frames and the silent intervals need."""
    idle_us: float
    """Idle time a request, on average, for which the master is to blame."""
    longest_us: float
    early: int
    """Requests that came before the silent interval was over."""
    pacer_late_us: float
    cpu_us: float
    is_real_time: bool


def measure(*, long: bool) -> dict[str, object]:
    pacer, reference = _compile("rtu_pacer"), _compile("rtu_reference")
    lines = list(product(RATES, REGISTERS))
    contenders = [(master, baud, registers) for baud, registers in lines for master in MASTERS]
    runs: dict[tuple[str, int, int], list[Run]] = {contender: [] for contender in contenders}
    rounds = 9 if long else 5
    for number in range(rounds):
        # Every round begins with another contender, so that none always follows the same one.
        shift = number * len(MASTERS) + number % len(MASTERS)
        for contender in contenders[shift:] + contenders[:shift]:
            runs[contender].append(_run(pacer, reference, *contender, seconds=4.0 if long else 1.5))
    rows = [_row(contender, runs[contender]) for contender in contenders]
    return {
        "title": f"RTU on a paced line: share of the ideal bus time used, {rounds} interleaved rounds; "
        f"at least {WANTED_SHARE:.0%} is wanted",
        "columns": [
            "baud, registers, master",
            "share",
            "lowest .. highest",
            "idle us",
            "longest us",
            "early",
            "cpu us",
        ],
        "table": [
            [
                f"{row['baud']}, {row['registers']}, {row['master']}",
                f"{row['share']:.2%}",
                f"{row['share_lowest']:.2%} .. {row['share_highest']:.2%}",
                f"{row['idle_us']:.0f}",
                f"{row['longest_us']:.0f}",
                row["early"],
                f"{row['cpu_us']:.0f}",
            ]
            for row in rows
        ],
        "rows": rows,
    }


def _row(contender: tuple[str, int, int], runs: list[Run]) -> dict[str, object]:
    master, baud, registers = contender
    shares = [run.share for run in runs]
    return {
        "master": master,
        "baud": baud,
        "registers": registers,
        "share": median(shares),
        "share_lowest": min(shares),
        "share_highest": max(shares),
        "idle_us": median(run.idle_us for run in runs),
        "longest_us": max(run.longest_us for run in runs),
        "early": sum(run.early for run in runs),
        "cpu_us": median(run.cpu_us for run in runs),
        "pacer_late_us": median(run.pacer_late_us for run in runs),
        "pacer_is_real_time": all(run.is_real_time for run in runs),
        "shares": shares,
    }


def _run(pacer: Path, reference: Path, master: str, baud: int, registers: int, *, seconds: float) -> Run:
    character_s = 11 / baud
    silence_s = 0.00175 if baud > 19_200 else 3.5 * character_s
    exchanges = max(10, round(seconds / ((8 + 5 + 2 * registers) * character_s + 2 * silence_s)))
    with subprocess.Popen([pacer, str(baud), str(exchanges)], stdout=subprocess.PIPE, text=True) as line:
        assert line.stdout is not None
        try:
            port = line.stdout.readline().strip()
            arguments = [port, str(baud), str(registers), str(UNMEASURED + exchanges)]
            if master.startswith("ours"):
                command = [sys.executable, "-m", "tests.bench.rtu_client", *arguments, master.rpartition(" ")[2]]
            else:
                command = [str(reference), *arguments]
            done = subprocess.run(command, capture_output=True, text=True, timeout=600)
            if done.returncode != 0:
                raise RuntimeError(f"{' '.join(command)} failed: {done.stderr}")
            needed, idle, longest, early, late, real_time = map(float, line.stdout.readline().split())
        finally:
            line.terminate()
    return Run(
        needed / (needed + idle),
        idle / exchanges * 1e6,
        longest * 1e6,
        int(early),
        late / exchanges * 1e6,
        float(done.stdout) / (UNMEASURED + exchanges) * 1e6,
        bool(real_time),
    )


def _compile(name: str) -> Path:
    BUILD.mkdir(exist_ok=True)
    command = ["gcc", "-O2", "-Wall", "-Wextra", "-o", str(BUILD / name), str(HERE / f"{name}.c")]
    subprocess.run(command, check=True, timeout=120)
    return BUILD / name
