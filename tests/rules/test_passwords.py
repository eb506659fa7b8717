"""Which passwords are taken, and what is kept of them."""

from __future__ import annotations

import unicodedata
from datetime import timedelta

import argon2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from serialkeeper.errors import Refused
from serialkeeper.rules import passwords
from serialkeeper.rules.passwords import Rules

NAME = "Anna Berg"


@pytest.mark.parametrize(
    "password",
    [
        "correct horse battery staple",
        "x" * 3 + "q z w v u t s r p o",
        "ein Pferd frißt keinen Gurkensalat",
        "四つの小さな猫が窓の外を見ています。今日は",
        "294857203948572",
        "all letters of " + "a sentence " * 4,
        "no digit and no capital",
        "".join(chr(0x4E00 + n) for n in range(256)),
    ],
)
def test_long_passwords_of_any_kind_are_taken(password: str) -> None:
    """No composition rules; spaces and Unicode; at least 64 characters are taken (NIST SP 800-63B
    rev 4, 3.1.1.2)."""
    passwords.check_new(password, NAME, Rules())


@pytest.mark.parametrize(
    "password",
    [
        *("", "short", "fourteen chars", "y" * 257, "password12345678", "PasswordPassword1"),
        *("aaaaaaaaaaaaaaaaaaaa", "abcabcabcabcabcabc", "123456789012345", "987654321098765"),
        *("Anna Berg Anna Berg", "annaberg20260101", "Berg, Anna, 123456", "welcome welcome 1"),
        *("operator operator", " " * 20, "tab\tin the middle of it", "line\nbreak in the middle"),
        *("qwertyqwerty1234", "\ud800" * 20),
    ],
)
def test_short_and_obvious_ones_are_refused_and_never_repeated(password: str) -> None:
    """Too short, too long, the person's name, the words everybody tries first, and no text."""
    with pytest.raises(Refused) as refused:
        passwords.check_new(password, NAME, Rules())
    assert refused.value.word == "password_weak"
    assert len(password) < 5 or password not in str(refused.value)


@pytest.mark.usefixtures("dear_passwords")
def test_what_is_kept_is_argon2id_as_rfc_9106_recommends() -> None:
    """The reference implementation reads it, with the parameters that argon2-cffi holds for
    RFC 9106's second recommended option; the dummy has the same, so it takes as long."""
    kept = passwords.sealed("correct horse battery staple", b"sixteen bytes...")
    for hashed in (kept, passwords.DUMMY):
        assert argon2.extract_parameters(hashed) == argon2.profiles.RFC_9106_LOW_MEMORY
    assert argon2.PasswordHasher().verify(kept, "correct horse battery staple")
    assert not passwords.matches(passwords.DUMMY, "correct horse battery staple")
    assert not passwords.matches("no hash at all", "correct horse battery staple")


@settings(deadline=None)
@given(st.text(st.characters(categories=["L", "N", "Zs"]), min_size=15, max_size=64))
def test_one_text_in_two_forms_is_one_password(text: str) -> None:
    """NFC before hashing: it does not matter how a keyboard composes letters."""
    kept = passwords.sealed(unicodedata.normalize("NFD", text), b"0123456789abcdef")
    assert passwords.matches(kept, unicodedata.normalize("NFC", text))
    assert not passwords.matches(kept, text + "x")


def test_waiting_grows_and_has_an_end() -> None:
    """Nothing for a slip of the finger, then doubled each time, a quarter of an hour at most."""
    waits = [passwords.wait_after(failures) for failures in range(60)]
    assert waits[:6] == [timedelta(seconds=n) for n in (0, 0, 0, 1, 2, 4)]
    assert waits == sorted(waits) and waits[-1] == timedelta(minutes=15)
    now, soon, far = (
        "2026-06-01T08:00:00.000Z",
        "2026-06-01T08:15:00.000Z",
        "2027-06-01T08:00:00.000Z",
    )
    assert passwords.waits(soon, now) and not passwords.waits(now, now)
    assert not passwords.waits("", now)
    assert not passwords.waits(far, now)  # the clock was ahead when it was written
