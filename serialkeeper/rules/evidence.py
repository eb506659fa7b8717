"""What a doubtful label is accepted on, and if it is enough: a fresh scan, a verifier's result.

The planned code is told in no refusal, so that nobody types it instead of scanning.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from serialkeeper.errors import Refused
from serialkeeper.rules import findings, gs1, scans
from serialkeeper.rules.fields import parse_grade
from serialkeeper.rules.parts import NO_GRADE


@dataclass(frozen=True, slots=True)
class Given:
    """The evidence given for an acceptance, beside what the label should say.

    Attributes:
        planned: the code planned for the label.
        scan: a fresh scan of it, as typed or scanned; empty for none.
        instrument, calibrated, grade: a verifier's result; empty or None for none.
    """

    planned: str
    scan: str
    instrument: str
    calibrated: date | None
    grade: str


def keep(needs: str, given: Given, minimum: int, today: date, where: str) -> dict[str, str]:
    """What the journal keeps of the evidence. Refuses `evidence_needed`.

    Args:
        needs: what the finding asks for, as `rules.findings.check_acceptable` says.
        minimum: the lot's lowest good grade, in tenths.
    """
    scan = _scan(given, where)
    tenths = _verified(given, today, where)
    kept = {"scan": gs1.to_file(scan)} if scan else {}
    if tenths is not None:
        kept |= {
            "instrument": given.instrument,
            "calibrated": str(given.calibrated),
            "grade": given.grade,
        }
    enough = {
        findings.FRESH_SCAN: bool(scan),
        findings.VERIFIER: tenths is not None and tenths >= minimum,
        findings.SECOND: True,
    }[needs]
    if not enough:
        by_scan = needs == findings.FRESH_SCAN
        raise Refused(
            "evidence_needed",
            "The finding allows this only with evidence.",
            where=where,
            expected=needs if by_scan else f"{needs} of at least {minimum / 10:.1f}",
            came=", ".join(f"{name} {value}" for name, value in kept.items()) or "none",
            remedy="Give --scan TEXT."
            if by_scan
            else "Measure the label, and give --instrument, --calibrated and --grade.",
        )
    return kept


def _scan(given: Given, where: str) -> str:
    """The fresh scan, or empty. Refuses one of anything but the planned code."""
    scan = scans.as_evidence(given.scan)
    if scan and scan != given.planned:
        raise Refused(
            "evidence_needed",
            "The fresh scan is not the planned code.",
            where=where,
            expected="the code planned for this label, sign by sign; it is not told here, so that "
            "nobody types it instead of scanning",
            came=gs1.to_file(scan),
            remedy="Scan the label itself, with a scanner that sends the symbology identifier and "
            "GS as the byte 29; if the label really shows this, void it.",
        )
    return scan


def _verified(given: Given, today: date, where: str) -> int | None:
    """The grade of a whole verifier's result in tenths, or None. Refuses one that is named and is
    not whole."""
    tenths = parse_grade(given.grade)
    dated = given.calibrated is not None and given.calibrated <= today
    if given.instrument and dated and tenths not in (None, NO_GRADE):
        return tenths
    if given.instrument:
        raise Refused(
            "evidence_needed",
            "A verifier's result is not complete.",
            where=where,
            expected="instrument, a calibration date up to today, and grade such as 2.5/08/660",
            came=f"{given.instrument}, {given.calibrated or 'no date'}, "
            f"{given.grade or 'no grade'}",
            remedy="Give --instrument, --calibrated and --grade.",
        )
    return None
