"""`python -m serialkeeper` and the `serialkeeper` command."""

from __future__ import annotations

import sys

from serialkeeper.cli.door import run
from serialkeeper.errors import Interrupted


def main() -> None:
    """Run one command and leave with its exit code."""
    try:
        code = run(sys.argv[1:])
    except KeyboardInterrupt:  # while the last checkpoint was made, or the record was closed
        code = Interrupted.exit_code
    sys.exit(code)


if __name__ == "__main__":
    main()
