"""What somebody may have meant who typed a name that is not there. Nothing ever acts on a guess."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

MOST = 3
"""Names that are offered."""

_COMPARED = 2_000
"""Names that are compared, the newest ones."""

_LIKE = 0.6
_LONGEST = 100


def meant(came: str, known: Iterable[str]) -> str:
    """`Did you mean ...?` with the names that are like it, the likest first; empty for none.

    >>> meant("lot24a", ["LOT24A", "LOT24B", "X9"])
    "Did you mean 'LOT24A' or 'LOT24B'?"
    >>> meant("LOT24A", ["X9"])
    ''
    """
    names = {name.casefold(): name for name in list(known)[-_COMPARED:]}
    like = get_close_matches(came[:_LONGEST].casefold(), names, MOST, _LIKE)
    if not like:
        return ""
    return f"Did you mean {' or '.join(repr(names[one]) for one in like)}?"


def remedy(came: str, known: Iterable[str], otherwise: str) -> str:
    """What to do about a name that is not there: the guess first, if there is one."""
    return " ".join(filter(None, (meant(came, known), otherwise)))
