"""Is what is kept of passwords and PINs what the journal names?"""

from __future__ import annotations

import hashlib

from serialkeeper.errors import Damaged
from serialkeeper.rules.chain import HOUSE
from serialkeeper.store.verify_packs import REMEDY
from serialkeeper.store.view import View


def check_credentials(view: View) -> None:
    """What is kept of passwords is what the entries name, and nothing else."""
    people = view.people()
    passwords = {person.id: person.password for person in people if person.password}
    # a new badge ends a PIN, but what was kept of it stays until there is another
    changed = (entry.data for entry in view.entries(HOUSE) if entry.verb == "pin changed")
    pins = {data["person"]: data["sha256"] for data in changed}
    for what, told, kept in (
        ("a password", passwords, view.credentials()),
        ("a PIN", pins, view.pins()),
    ):
        there = {one.person: hashlib.sha256(one.data.encode()).hexdigest() for one in kept}
        for person in sorted(there.keys() | told.keys()):
            if there.get(person) != told.get(person):
                raise Damaged(
                    "credential_differs",
                    f"What is kept of {what} is not what the journal names.",
                    where=f"person {person}",
                    expected=f"SHA-256 {told[person]}" if person in told else "none",
                    came=f"SHA-256 {there[person]}" if person in there else "none",
                    remedy=REMEDY,
                )
