"""Two ledgers from two sources that must agree: labels counted, numbers by state.

Every term is counted, none is the remainder; what is unaccounted has a line of its own
(21 CFR 211.125, EU GMP chapter 5; the arithmetic of trade practice, no source).
Percentages are cut toward the worse side: 100.00 stands only where the integers agree.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from serialkeeper.errors import Refused
from serialkeeper.rules.moves import DECOMMISSION_REASONS, VOIDED, State

TERMS: Mapping[str, str] = {
    "stock_received": "blank labels received from stock",
    "brought_forward": "blank labels brought forward",
    "printer_counter": "labels printed, by the printer's counter",
    "rewind_counter": "labels left on the web as good, by the rewinder's counter",
    "applied": "labels applied",
    "returned": "blank labels returned to stock",
    "destroyed": "printed labels destroyed, with a witness",
    "specimens": "labels kept as specimens in the lot's papers",
    "samples": "labels taken as samples",
}
"""What people and counters count; counts of one term add up."""

WITNESSED = ("destroyed",)


def check_count(term: str, value: int, *, witness: str, reason: str, by: str = "") -> None:
    """Refuses `count_invalid`: unknown terms, a missing witness, a correction without reason.

    Args:
        by: who counts, where nobody can be their own witness.
    """
    problem = expected = ""
    if term not in TERMS:
        problem, expected = f"There is no count named {term!r}.", ", ".join(TERMS)
    elif abs(value) > 10**9:
        problem, expected = "A count is a whole number.", "0 to 1,000,000,000"
    elif value < 0 and not reason.strip():
        problem, expected = "A correction downwards needs a reason.", "--reason"
    elif term in WITNESSED and not witness.strip():
        problem, expected = f"'{term}' needs a witness.", "--witness"
    elif by and witness.strip() == by:
        problem, expected = "Nobody is their own witness.", "another person's name"
    if problem:
        raise Refused(
            "count_invalid",
            problem,
            expected=expected,
            came=f"{term} {value}",
            remedy="Give the count again; counts of one term add up.",
        )


@dataclass(frozen=True, slots=True)
class Line:
    """One line where the ledgers meet: `labels` counted and `numbers` by state.

    `labels` is None where nobody counted.
    """

    name: str
    labels: int | None
    numbers: int

    @property
    def agrees(self) -> bool:
        """Whether both sides are there and equal."""
        return self.labels == self.numbers


@dataclass(frozen=True, slots=True)
class Balance:
    """A lot's reconciliation.

    Attributes:
        lines: printed, good, destroyed, specimens, samples, unaccounted.
        stock: blank labels received, printed, returned and unaccounted, if counted.
        allocated: numbers ever allocated.
        never_printed: numbers still allocated or voided as surplus.
        open_issued, open_rejected: numbers that still wait for a reading or a decision.
        states: numbers by state word.
    """

    lines: tuple[Line, ...]
    stock: Mapping[str, int] | None
    allocated: int
    never_printed: int
    open_issued: int
    open_rejected: int
    states: Mapping[str, int]

    @property
    def balanced(self) -> bool:
        """Whether every line agrees, nothing is unaccounted and nothing is open."""
        return (
            all(line.agrees for line in self.lines)
            and self.line("unaccounted").numbers == 0
            and not self.open_points
            and (self.stock is None or self.stock["unaccounted"] == 0)
        )

    @property
    def open_points(self) -> tuple[str, ...]:
        """What still waits for somebody, in words."""
        points = []
        if self.states.get("allocated", 0):
            points.append(
                f"{many(self.states['allocated'], 'allocated label')} neither printed nor voided "
                "as surplus"
            )
        if self.open_issued:
            points.append(f"{many(self.open_issued, 'printed label')} not seen by the camera")
        if self.open_rejected:
            points.append(f"{many(self.open_rejected, 'rejected label')} without a decision")
        return tuple(points)

    @property
    def accounted_percent(self) -> str | None:
        """The worse of both ledgers' shares; None until labels were counted."""
        printed, rest = self.line("printed"), self.line("unaccounted")
        if printed.labels is None or rest.labels is None:
            return None
        shares = [
            percent(whole - abs(left), whole)
            for whole, left in ((printed.labels, rest.labels), (printed.numbers, rest.numbers))
        ]
        return min(shares, key=float)

    def line(self, name: str) -> Line:
        """The line of that name."""
        return next(line for line in self.lines if line.name == name)

    def as_dict(self) -> dict[str, object]:
        """The balance as plain data; percentages as text, cut toward the worse side."""
        return {
            "balanced": self.balanced,
            "allocated": self.allocated,
            "never_printed": self.never_printed,
            "lines": [
                {
                    "name": line.name,
                    "labels": line.labels,
                    "numbers": line.numbers,
                    "agrees": line.agrees,
                }
                for line in self.lines
            ],
            "stock": dict(self.stock) if self.stock is not None else None,
            "states": dict(self.states),
            "accounted_percent": self.accounted_percent,
            "open_points": list(self.open_points),
        }


def many(count: int, one: str, more: str = "") -> str:
    """A number of things, in words.

    >>> many(1, "pack"), many(1_200, "label"), many(0, "prefix", "prefixes")
    ('1 pack', '1,200 labels', '0 prefixes')
    """
    return f"{count:,} {one if count == 1 else more or f'{one}s'}"


def percent(part: int, whole: int) -> str:
    """A share with two decimals, cut toward the worse side, away from 100.00 on both.

    >>> percent(1999999, 2000000), percent(5, 5)
    ('99.99', '100.00')
    """
    if whole == 0:
        return "100.00" if part == 0 else "0.00"
    cut = part * 10_000 // whole if part <= whole else -(-part * 10_000 // whole)
    return f"{cut // 100}.{cut % 100:02d}"


def bad_percent(part: int, whole: int) -> str:
    """A share of what is bad, rounded up: 0.00 only where there is none, 100.00 only for all.

    >>> bad_percent(1, 1000000), bad_percent(1999999, 2000000), bad_percent(0, 5)
    ('0.01', '99.99', '0.00')
    """
    if part >= whole:
        return percent(part, whole) if part else "0.00"
    up = min(-(-part * 10_000 // whole), 9_999)
    return f"{up // 100}.{up % 100:02d}"


def balance(
    states: Mapping[State, int],
    departures: Mapping[tuple[str, str], int],
    tallies: Mapping[str, int],
) -> Balance:
    """Both ledgers.

    Args:
        states: labels by state.
        departures: labels by (state letter, reason) for voided and decommissioned ones.
        tallies: the sum of the counts by term; terms that nobody counted are missing.
    """
    numbers = dict.fromkeys(
        ("never printed", "good", "destroyed", "specimens", "samples", "not found"), 0
    )
    for (letter, reason), count in departures.items():
        fates = VOIDED if letter == State.VOIDED.value else DECOMMISSION_REASONS
        numbers[fates[reason].ledger] += count
    numbers["never printed"] += states.get(State.ALLOCATED, 0)
    numbers["good"] += states.get(State.COMMISSIONED, 0) + states.get(State.VERIFIED, 0)
    issued = states.get(State.ISSUED, 0)
    rejected = states.get(State.REJECTED, 0) + states.get(State.PULLED, 0)
    allocated = sum(states.values())
    words: dict[str, int] = {}
    for state, count in states.items():
        words[state.word] = words.get(state.word, 0) + count

    printed = tallies.get("printer_counter")
    gone = {name: tallies.get(name, 0) for name in ("destroyed", "specimens", "samples")}
    good = tallies.get("rewind_counter")
    unaccounted = None
    if printed is not None and good is not None:
        unaccounted = printed - good - sum(gone.values())
    lines = [
        Line("printed", printed, allocated - numbers["never printed"]),
        Line("good", good, numbers["good"]),
        *(Line(name, gone[name], numbers[name]) for name in gone),
        Line("unaccounted", unaccounted, numbers["not found"] + issued + rejected),
    ]
    if "applied" in tallies:
        lines.insert(2, Line("applied", tallies["applied"], numbers["good"]))
    return Balance(
        lines=tuple(lines),
        stock=_stock(tallies),
        allocated=allocated,
        never_printed=numbers["never printed"],
        open_issued=issued,
        open_rejected=rejected,
        states={word: count for word, count in words.items() if count},
    )


def _stock(tallies: Mapping[str, int]) -> dict[str, int] | None:
    if not {"stock_received", "brought_forward"} & tallies.keys():
        return None
    stock = {
        name: tallies.get(name, 0)
        for name in ("stock_received", "brought_forward", "printer_counter", "returned")
    }
    stock["unaccounted"] = (
        stock["stock_received"]
        + stock["brought_forward"]
        - stock["printer_counter"]
        - stock["returned"]
    )
    return stock
