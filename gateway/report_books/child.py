"""A process that makes one report and ends: an order comes on its standard input, what comes of it goes out.

What takes seconds of the interpreter is done beside the gateway, which polls meanwhile as if nothing were.
"""

import pickle
import sqlite3
import sys

from gateway.report_books.order import Refused, carried_out

__all__ = ["main"]


def main() -> None:
    # From the gateway itself, which has made it a moment ago.
    order = pickle.load(sys.stdin.buffer)
    try:
        made = carried_out(order)
    except sqlite3.Error as error:
        made = Refused(f"the ledger cannot be read: {error}", "see `tank-gateway ledger check`", False)
    pickle.dump(made, sys.stdout.buffer)
    sys.stdout.buffer.flush()


if __name__ == "__main__":
    main()
