"""`python -m coeval` is the command `coeval`."""

import sys

from ._command import main

if __name__ == "__main__":
    sys.exit(main())
