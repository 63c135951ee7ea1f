"""`python -m gateway` is `tank-gateway`."""

import sys

from gateway.command_line import main

if __name__ == "__main__":
    sys.exit(main())
