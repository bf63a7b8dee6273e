"""`python -m thenar` is the command `thenar`."""

from __future__ import annotations

import sys

from thenar.cli import main

if __name__ == "__main__":
    sys.exit(main())
