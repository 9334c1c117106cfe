"""python -m monitor."""

from __future__ import annotations

import sys

from monitor.service.cli import main

if __name__ == "__main__":
    sys.exit(main())
