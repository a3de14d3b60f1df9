"""`python -m controller`: the same as `ovenhand`."""

import sys

from .cli import main

if __name__ == "__main__":
    sys.exit(main())
