"""`python -m serialkeeper` and the `serialkeeper` command."""

from __future__ import annotations

import sys

from serialkeeper.cli.door import run


def main() -> None:
    """Run one command and leave with its exit code."""
    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
