"""The lot report: what the record knows of a lot, in the order in which a quality unit reads it.

What stands on the pages is said once, for PDF and HTML alike. The same facts give the same
document.
"""

from __future__ import annotations

from serialkeeper.rules import report_acts, report_line, report_sum
from serialkeeper.rules.pages import Document
from serialkeeper.rules.report_facts import Facts

_SECTIONS = (
    report_sum.front,
    report_sum.identity,
    report_sum.decided,
    report_sum.states,
    report_sum.ledgers,
    report_line.out,
    report_acts.decisions,
    report_acts.corrections,
    report_acts.holds,
    report_line.inspection,
    report_line.found,
    report_line.grades,
    report_line.runs,
    report_line.alarms,
    report_line.rolls,
    report_acts.review,
    report_acts.packs,
    report_acts.checks,
    report_acts.handed,
    report_acts.sent,
    report_acts.recoveries,
    report_acts.signed,
    report_acts.writers,
    report_acts.journal,
)


def document(facts: Facts) -> Document:
    """The whole report."""
    lot, chain, made = facts.lot, facts.lot["chain"], facts.made
    return Document(
        title=f"Lot report, {lot['gtin']}/{lot['lot']}",
        subtitle=f"{facts.product or 'Product without a name'}, expiry {lot['expiry']}; made "
        f"{made.at} by {made.person} ({made.role})",
        running=f"lot {lot['lot']}, entry {chain['entries']}, head {chain['head']}",
        mark="PRACTICE RECORD: never for a real lot" if made.practice else "",
        sections=tuple(part(facts) for part in _SECTIONS),
    )
