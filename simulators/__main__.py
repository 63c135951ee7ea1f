"""`python -m simulators SCENARIO`."""

import sys

from simulators.command import main

__all__: list[str] = []

sys.exit(main(sys.argv[1:]))
