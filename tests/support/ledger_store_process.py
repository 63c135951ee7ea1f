"""A process of its own that keeps history as fast as it may, and says which positions are committed, to be killed.

`python -m tests.support.ledger_store_process FILE BOOT`
"""

import logging
import os
import sys
import time
from pathlib import Path

import structlog

from gateway.clock import SystemClock
from gateway.ledger.contract import Committed
from gateway.ledger.ledger import Ledger
from gateway.ledger.plan import LedgerPlan
from tests.support.ledger_store import SITE, level_record

__all__: list[str] = []


def main(file: str, boot: str) -> None:
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    ledger = Ledger.open(LedgerPlan(file=Path(file), commit_s=0.005), SITE, boot, SystemClock())

    def say(committed: Committed) -> None:
        os.write(1, f"{committed.last}\n".encode())

    ledger.transactions.listen(say)
    number = 0
    while True:
        number += 1
        for tank in ("TK-1", "TK-2", "TK-3"):
            ledger.offer(level_record(tank, boot, number, 10.0 * number))
        while ledger.status().waiting > 200:
            time.sleep(0.001)


if __name__ == "__main__":
    main(*sys.argv[1:])
