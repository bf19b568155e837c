"""``python -m entrypoint``: the command line."""

from __future__ import annotations

import sys

from entrypoint.cli.app import main

if __name__ == "__main__":
    sys.exit(main())
