"""Camera profiles: proposed from a sample, tried, kept."""

from __future__ import annotations

from collections import Counter
from functools import partial
from pathlib import Path
from typing import Any

from serialkeeper.errors import Refused, WrongUsage
from serialkeeper.outside import camera, devices, samples
from serialkeeper.outside.files import Delivery, read_text
from serialkeeper.rules import profiles, proposal
from serialkeeper.rules.chain import HOUSE
from serialkeeper.rules.fields import COLUMNS
from serialkeeper.rules.spelling import to_toml
from serialkeeper.store.record import Record

_AT_ONCE = 4 << 20
_SHOWN = 10
"""Readings that are shown as they were understood."""


def profile(
    record: Record,
    sample: Path | None = None,
    *,
    profile: str = "",
    keep: str = "",
    out: Path | None = None,
) -> dict[str, Any]:
    """List the camera profiles, or understand a sample by one and perhaps keep it.

    Without a profile one is proposed from the sample. The whole sample is read, so every
    line of it is checked.

    Args:
        record: the record.
        sample: a results file of the device; None lists the profiles.
        profile: a kept or shipped profile's name, or a file NAME.toml; empty proposes one.
        keep: keep the profile in the record under this name.
        out: write the profile's TOML there.

    Refuses `profile_invalid`, `profile_unknown`, `profile_exists`, `file_exists`,
    `file_missing`, and what `outside.devices.read` refuses.

    Returns:
        profiles; or profile, toml, unsure, not_given, readings, understood, rows, kept, file.
    """
    if sample is None:
        if profile or keep or out:
            raise WrongUsage(
                "usage",
                "A profile is tried on a sample.",
                expected="inspect profile SAMPLE --profile ... --keep ...",
                came="no sample",
                remedy="Give a results file of the device.",
            )
        return {"profiles": _all(record)}
    camera.opened(sample).close()  # refuses a file that is not there
    text, unsure, missing = _text(record, sample, profile)
    result = {
        "profile": profile,
        "toml": text,
        "unsure": unsure,
        "not_given": missing,
        **_understood(sample, profiles.parse(text, profile or f"proposed for {sample}")),
        "kept": None,
        "file": None,
    }
    if keep:
        result["kept"] = _keep(record, keep, text, unsure)
    if out:
        with Delivery(out) as file:
            file.write(text.encode())
            file.sync()
            file.deliver()
        result["file"] = str(out)
    return result


def _all(record: Record) -> list[dict[str, Any]]:
    """Kept profiles, then those that come with us and are not kept under their name."""
    with record.read() as view:
        kept = view.profiles()
    names = {row.name for row in kept}
    made: list[dict[str, Any]] = [
        {"name": row.name, "kept": row.at, "sha256": row.sha256, "toml": row.text} for row in kept
    ]
    made += [
        {"name": name, "kept": None, "sha256": None, "toml": text}
        for name, text in devices.shipped().items()
        if name not in names
    ]
    return [{**row, "format": profiles.parse(row["toml"]).format} for row in made]


def _text(record: Record, sample: Path, name: str) -> tuple[str, list[str], list[str]]:
    """The profile's TOML, what a proposal could not tell, and the fields it maps nowhere."""
    if not name:
        found = proposal.propose(samples.look(sample))
        return to_toml(found.profile), list(found.unsure), list(found.not_given)
    if name.endswith(".toml"):
        text = read_text(Path(name), profiles.LONGEST)
    else:
        with record.read() as view:
            kept = {row.name: row.text for row in view.profiles()}
        text = profiles.choose(name, kept, devices.shipped())
    mapped = profiles.parse(text, name).fields
    return text, [], [field for field in COLUMNS if field not in mapped]


def _understood(sample: Path, profile: profiles.Profile) -> dict[str, Any]:
    """What the profile makes of every reading of a sample."""
    first: list[dict[str, Any]] = []
    readings = read = 0
    verdicts: Counter[str] = Counter()
    grades: Counter[str] = Counter()
    with camera.opened(sample) as file:
        for batch in devices.read(sample, iter(partial(file.read, _AT_ONCE), b""), profile):
            rows = batch.rows
            readings += rows.height
            read += int((rows["seen"] != "").sum())
            verdicts.update(dict(rows["verdict"].value_counts().iter_rows()))
            grades.update(dict(rows["grade"].str.replace("/.*", "").value_counts().iter_rows()))
            first += rows.head(_SHOWN - len(first)).to_dicts()
    return {
        "readings": readings,
        "understood": {
            "read": read,
            "not_read": readings - read,
            "verdicts": _named(verdicts),
            "grades": _named(grades),
        },
        "rows": first,
    }


def _named(counts: Counter[str]) -> dict[str, int]:
    return {word or "not given": count for word, count in counts.most_common(12)}


def _keep(record: Record, name: str, text: str, unsure: list[str]) -> str:
    """Keep the text under a new name. Refuses `profile_exists`, `profile_invalid`."""
    profiles.check_name(name)
    if unsure:
        raise Refused(
            "profile_invalid",
            "A proposal with open questions is not kept.",
            where="--keep",
            expected="a profile that a person has looked through",
            came="; ".join(unsure),
            remedy="Write it with --out FILE.toml, correct it, then keep it: --profile FILE.toml.",
        )
    if name == profiles.DEFAULT or name in devices.shipped():
        raise _exists(name, "it comes with this version")
    with record.work(HOUSE) as work:
        if (there := work.find_profile(name)) is not None:
            raise _exists(name, f"kept at {there.at}")
        work.keep_profile(name, text)
    return name


def _exists(name: str, why: str) -> Refused:
    return Refused(
        "profile_exists",
        "There is a camera profile of that name already.",
        where=f"profile {name}",
        expected="a new name",
        came=why,
        remedy="Keep the new version under a new name; takes say which one they were read by.",
    )
