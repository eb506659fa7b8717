"""Tables of a TOML text, read strictly: every key is asked for, and no other may be there."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from serialkeeper.errors import Refused


class Section:
    """One table of the TOML; every key is asked for once, and no other may be there."""

    def __init__(self, found: Any, name: str, where: str) -> None:
        self.name, self.where = name, where
        if not isinstance(found, dict):
            raise self.refuse("", "a table of keys", found)
        self._left: dict[str, Any] = dict(found)

    def __contains__(self, key: str) -> bool:
        return key in self._left

    def refuse(self, key: str, expected: str, came: Any, remedy: str = "") -> Refused:
        """The refusal of one key."""
        full = f"{self.name}.{key}" if self.name and key else self.name or key
        return Refused(
            "profile_invalid",
            f"The profile's key '{full}' is not understood.",
            where=f"{self.where}, {full}",
            expected=expected,
            came="nothing" if came is None else repr(came)[:120],
            remedy=remedy or "Correct the profile; `serialkeeper guide files` lists its keys.",
        )

    def section(self, key: str) -> Section:
        """A table within, empty if it is not there."""
        name = f"{self.name}.{key}" if self.name else key
        return Section(self._left.pop(key, {}), name, self.where)

    def text(self, key: str, default: str | None = None, *, longest: int = 120) -> str:
        """A text; without default it has to be there."""
        found = self._left.pop(key, default)
        if not isinstance(found, str) or len(found) > longest:
            raise self.refuse(key, f"a text of at most {longest} characters", found)
        return found

    def filled(self, key: str, default: str) -> str:
        """A text that is not empty."""
        found = self.text(key, default)
        if not found:
            raise self.refuse(key, "a text that is not empty", found)
        return found

    def choice(self, key: str, allowed: tuple[str, ...], default: str | None = None) -> str:
        """One of a few words."""
        found = self._left.pop(key, default)
        if not isinstance(found, str) or found not in allowed:
            raise self.refuse(key, " or ".join(map(repr, allowed)), found)
        return found

    def flag(self, key: str, default: bool) -> bool:
        """true or false."""
        found = self._left.pop(key, default)
        if not isinstance(found, bool):
            raise self.refuse(key, "true or false", found)
        return found

    def whole(self, key: str, default: int, most: int) -> int:
        """A whole number from 0."""
        found = self._left.pop(key, default)
        if isinstance(found, bool) or not isinstance(found, int) or not 0 <= found <= most:
            raise self.refuse(key, f"a whole number from 0 to {most:,}", found)
        return found

    def words(self, key: str, default: tuple[str, ...]) -> tuple[str, ...]:
        """A list of different texts."""
        found = self._left.pop(key, list(default))
        if not (
            isinstance(found, list)
            and all(isinstance(word, str) and len(word) <= 120 for word in found)
            and len(set(found)) == len(found) <= 200
        ):
            raise self.refuse(key, "a list of different texts", found)
        return tuple(found)

    def rest(self) -> dict[str, Any]:
        """Everything that was not asked for yet."""
        found, self._left = self._left, {}
        return found

    def done(self, known: Iterable[str] = ()) -> None:
        """Refuse what was not asked for."""
        for key, value in self._left.items():
            expected = ", ".join(known) if known else "no such key"
            raise self.refuse(key, expected, value, "Remove the key or correct its spelling.")
