"""`make bench`: measures, prints plain tables and keeps the figures with a description of the machine."""

import argparse
import importlib
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.bench.machine import describe

__all__ = ["main"]

RESULTS = Path(__file__).resolve().parent / "results"
BUSY = 0.25
"""Load for each core from which on figures are not to be trusted."""
BENCHES = (
    "sheet_time",
    "watch_time",
    "recalculation",
    "table_slips",
    "dip_matches",
    "slow_loss",
    "request_rate",
    "publish_rate",
    "history_drain",
    "postgresql_rate",
    "sparkplug_cost",
    "metrics_scrape",
    "register_reads",
    "ledger",
    "wear",
    "rtu_bus",
    "trends",
    "report_time",
    "page",
    "whole_process",
    "live_view",
    "opcua_age",
    "all_on",
)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("names", nargs="*", choices=[*BENCHES, []], help=f"which of {', '.join(BENCHES)}; all if none")
    parser.add_argument("--long", action="store_true", help="more rounds and longer ones")
    arguments = parser.parse_args()
    machine = describe()
    print(
        f"{machine['processor']}, {machine['cores']} cores, {machine['python']}, nice {machine['nice']}, "
        f"load {machine['load_before']} before"
    )
    if machine["load_before"] > BUSY * machine["cores"]:
        print("The machine is busy with other work: ratios are rough and rates too low. Measure again when it is idle.")
    results: dict[str, Any] = {"machine": machine, "long": arguments.long, "benches": {}}
    for name in arguments.names or BENCHES:
        found: dict[str, Any] = importlib.import_module(f"tests.bench.{name}").measure(long=arguments.long)
        results["benches"][name] = found
        print()
        print("\n".join(_table(found)))
    RESULTS.mkdir(exist_ok=True)
    path = RESULTS / f"{datetime.now(UTC):%Y-%m-%d-%H%M%S}.json"
    path.write_text(json.dumps(results, indent=1) + "\n", "utf-8")
    print(f"\nkept in {path.relative_to(Path.cwd()) if path.is_relative_to(Path.cwd()) else path}")


def _table(found: dict[str, Any]) -> list[str]:
    lines = [found["title"]]
    if "columns" in found:
        header, rows = found["columns"], [[str(cell) for cell in row] for row in found["table"]]
    else:
        lines.append(f"median of {len(found['rows'][0]['values'])} interleaved rounds; ratio to: {found['baseline']}")
        header = ["", found["unit"], "ratio", "ratio from .. to", "cpu us each"]
        rows = [
            [
                row["name"],
                f"{row['median']:,.0f}",
                f"{row['ratio']:.2f}",
                f"{row['ratio_lowest']:.2f} .. {row['ratio_highest']:.2f}",
                f"{row['cpu_us']:.1f}",
            ]
            for row in found["rows"]
        ]
    widths = [max(len(row[column]) for row in [header, *rows]) for column in range(len(header))]
    for row in [header, *rows]:
        first, *rest = row
        lines.append("  ".join([first.ljust(widths[0]), *(c.rjust(w) for c, w in zip(rest, widths[1:], strict=True))]))
    return [*lines, *found.get("notes", ())]


if __name__ == "__main__":
    main()
