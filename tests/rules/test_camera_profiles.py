"""Camera profiles as texts: strict to read, the same when written and read again."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from serialkeeper.errors import Refused
from serialkeeper.outside.devices import shipped
from serialkeeper.rules import moments
from serialkeeper.rules.fields import COLUMNS, Lines
from serialkeeper.rules.profiles import (
    Codes,
    Grades,
    Profile,
    Sheet,
    Times,
    Verdicts,
    check_name,
    parse,
)
from serialkeeper.rules.spelling import to_toml
from serialkeeper.rules.translation import translate

WORDS = st.text(st.characters(exclude_categories=("Cs",)), min_size=1, max_size=12)
STEPS = st.from_regex(r"[A-Za-z_][A-Za-z0-9_.-]{0,8}", fullmatch=True)
PATTERNS = st.sampled_from(
    ["%Y-%m-%d %H:%M:%S", "%d.%m.%y %H:%M", "%-d/%-m/%Y %-H:%M:%S.%f", "%Y%m%d%H%M%S,%f"]
)


def sources(form: str, header: bool) -> st.SearchStrategy[Any]:
    """Where a field may stand."""
    if form == "csv":
        return st.integers(1, 500) | WORDS if header else st.integers(1, 500)
    if form == "json-lines":
        return st.lists(WORDS.filter(lambda word: "." not in word), min_size=1, max_size=3).map(
            ".".join
        )
    elements = st.lists(STEPS, min_size=1, max_size=3).map("/".join)
    return elements | STEPS.map("@{}".format) | st.tuples(elements, STEPS).map("/@".join)


@st.composite
def profiles(draw: st.DrawFn) -> Profile:
    """Any profile that makes sense."""
    form = draw(st.sampled_from(["csv", "json-lines", "xml"]))
    sheet = Sheet()
    if form == "csv":
        sheet = Sheet(
            draw(st.sampled_from(",;\t|#")),
            draw(st.sampled_from(['"', ""])),
            draw(st.booleans()),
            draw(st.integers(0, 100)),
        )
    one = sources(form, sheet.header).map(lambda source: (source,))
    fields: dict[str, Any] = {
        name: draw(one) for name in (*COLUMNS, "roll") if name == "seen" or draw(st.booleans())
    }
    if "at" in fields and draw(st.booleans()):
        fields["at"] += draw(one)
    identifier = draw(st.sampled_from(["text", "none", "field"]))
    if identifier == "field":
        fields["identifier"] = draw(one)
    unique = st.lists(WORDS, min_size=3, max_size=6, unique=True)
    words = draw(unique)
    pattern = draw(PATTERNS)
    times = draw(
        st.sampled_from(
            [
                Times(),
                Times("epoch-seconds"),
                Times("%Y-%m-%dT%H:%M%z"),
                Times(pattern, "Asia/Tokyo"),
            ]
        )
    )
    grades = Grades(
        draw(st.sampled_from(["any", "number", "full"])), draw(st.sampled_from(".,")), (words[0],)
    )
    return Profile(
        format=form,
        fields=fields,
        encoding=draw(st.sampled_from(["utf-8", "utf-8-bom", "latin-1", "utf-16"])),
        line_end="lf" if form == "xml" else draw(st.sampled_from(["lf", "crlf"])),
        record=draw(st.lists(STEPS, min_size=2, max_size=4).map("/".join)) if form == "xml" else "",
        optional=() if form == "csv" else tuple(name for name in fields if draw(st.booleans())),
        sheet=sheet,
        codes=Codes(
            draw(WORDS),
            "" if identifier == "text" else draw(WORDS | st.just("")),
            identifier,
            dict.fromkeys(draw(unique), "]d1") if identifier == "field" else {},
            tuple(draw(unique)),
        ),
        times=times if "at" in fields else Times(),
        verdicts=Verdicts((words[0],), tuple(words[1:2]), tuple(words[2:]))
        if "verdict" in fields
        else Verdicts(),
        grades=grades if "grade" in fields else Grades(),
        text_separator=draw(WORDS) if "text" in fields else "|",
        lane=0 if "lane" in fields else draw(st.integers(0, 1000)),
    )


@settings(max_examples=300, deadline=None)
@given(profiles())
def test_a_profile_written_and_read_is_the_same(profile: Profile) -> None:
    """parse(to_toml(profile)) is the profile, whatever words and places it has."""
    assert parse(to_toml(profile)) == profile


@pytest.mark.parametrize("name", shipped())
def test_the_examples_are_profiles(name: str) -> None:
    """What comes with us is understood, and its names are names."""
    assert parse(to_toml(parse(shipped()[name]))) == parse(shipped()[name])
    assert check_name(name) == name


SOUND = """\
format = "csv"
[fields]
seen = "code"
at = "time"
verdict = "result"
[time]
format = "%Y-%m-%d %H:%M:%S"
zone = "Europe/Berlin"
"""

INVALID: dict[str, tuple[str, str, str]] = {
    "no TOML": ("format", "form at", "profile"),
    "unknown format": ('"csv"', '"dbf"', "format"),
    "unknown key": ("[fields]", "colour = 1\n[fields]", "colour"),
    "unknown table": ("[fields]", "[light]\na = 1\n[fields]", "light"),
    "a table of another format": ("[fields]", '[xml]\nrecord = "a/b"\n[fields]', "xml"),
    "unknown field": ("seen =", 'scene = "x"\nseen =', "fields.scene"),
    "no code": ('seen = "code"\n', "", "fields.seen"),
    "a number for a text": ('"csv"', "1", "format"),
    "column 0": ('"code"', "0", "fields.seen"),
    "two places": ('"code"', '["a", "b"]', "fields.seen"),
    "a name without header": ("[fields]", "[csv]\nheader = false\n[fields]", "fields.seen"),
    "delimiter of two signs": ("[fields]", '[csv]\ndelimiter = "||"\n[fields]', "csv.delimiter"),
    "delimiter from a number": ("[fields]", '[csv]\ndelimiter = "1"\n[fields]', "csv.delimiter"),
    "optional in CSV": ('"csv"', '"csv"\noptional = ["at"]', "optional"),
    "unknown encoding": ('"csv"', '"csv"\nencoding = "ebcdic"', "encoding"),
    "unknown zone": ("Europe/Berlin", "Mars/Olympus", "time.zone"),
    "an offset as zone": ("Europe/Berlin", "+02:00", "time.zone"),
    "no zone": ('zone = "Europe/Berlin"\n', "", "time.zone"),
    "a zone too much": ("%Y-%m-%d %H:%M:%S", "rfc3339", "time.zone"),
    "a zone and an offset": ("%H:%M:%S", "%H:%M:%S%z", "time.zone"),
    "an unknown sign": ("%H:%M:%S", "%H:%M:%S %p", "time.format"),
    "no minutes": ("%H:%M:%S", "%H", "time.format"),
    "minutes twice": ("%H:%M:%S", "%H:%M:%M", "time.format"),
    "a lone %": ("%H:%M:%S", "%H:%M:%S %", "time.format"),
    "one word, two meanings": ("[time]", '[verdict]\npass = ["a"]\nfail = ["a"]\n[time]', "pass"),
    "grade not mapped": ("[time]", '[grade]\ndecimal = ","\n[time]', "grade.decimal"),
    "lane 0": ("[time]", "[constant]\nlane = 0\n[time]", "constant.lane"),
    "lane twice": (
        'verdict = "result"',
        'lane = "l"\n[constant]\nlane = 1',
        "constant.lane",
    ),
    "a column for the identifier, unused": (
        'seen = "code"',
        'seen = "code"\nidentifier = "s"',
        "code.identifier",
    ),
    "an identifier without column": (
        "[time]",
        '[code]\nidentifier = "field"\n[time]',
        "code.identifier",
    ),
    "no identifier": (
        "[time]",
        '[code]\nidentifier = "none"\nidentifiers = {a = "]d2"}\n[time]',
        "identifiers",
    ),
    "FNC1 beside the identifier": ("[time]", '[code]\nfnc1 = "<F1>"\n[time]', "code.fnc1"),
    "no separator": ("[time]", '[code]\nseparator = ""\n[time]', "code.separator"),
    "key in a table": ("[time]", '[code]\nseperator = "x"\n[time]', "code.seperator"),
}


@pytest.mark.parametrize("case", INVALID)
def test_a_bad_profile_names_its_key(case: str) -> None:
    """Unknown, missing and contradictory settings are refused, each by its key."""
    parse(SOUND)
    old, new, key = INVALID[case]
    text = SOUND.replace(old, new, 1)
    assert text != SOUND
    with pytest.raises(Refused) as refused:
        parse(text)
    error = refused.value
    assert error.word == "profile_invalid"
    assert error.where.endswith(key), error
    assert error.expected and error.came and error.remedy


@pytest.mark.parametrize("name", ["", "Line4", "a b", "x/y", "p.toml", "-x", "a" * 41, "é"])
def test_names_of_profiles_are_plain(name: str) -> None:
    """A name is a word that no file and no option is mistaken for."""
    with pytest.raises(Refused) as refused:
        check_name(name)
    assert refused.value.word == "profile_invalid"


@settings(max_examples=200, deadline=None)
@given(
    moment=st.datetimes(datetime(2001, 1, 1), datetime(2099, 1, 1)),
    zone=st.sampled_from(["Europe/Berlin", "America/New_York", "Asia/Kolkata", "UTC"]),
    pattern=st.sampled_from(
        ["%d.%m.%Y %H:%M:%S,%f", "%Y%m%d%H%M%S%f", "%m/%d/%y %H.%M.%S-%f", "%S (%f) %Y-%d-%m+%M:%H"]
    ),
)
def test_local_times_are_what_the_zone_database_says(
    moment: datetime, zone: str, pattern: str
) -> None:
    """Python's own zones tell which local times are once, twice or never; ours agree."""
    clock = moment.replace(microsecond=moment.microsecond // 1000 * 1000)
    found, there = moments.from_pattern(pl.Series([clock.strftime(pattern)]), pattern, zone)
    assert there[0] == clock
    early, late = (clock.replace(tzinfo=ZoneInfo(zone), fold=fold) for fold in (0, 1))
    once = early.utcoffset() == late.utcoffset()
    if not once:
        assert found[0] is None
        real = early.astimezone(UTC).astimezone(ZoneInfo(zone)).replace(tzinfo=None) == clock
        assert moments.is_twice(clock, zone) == real
    else:
        assert found[0] == early.astimezone(UTC)


@settings(max_examples=200, deadline=None)
@given(st.text("0123456789-:.,TZ+ ", max_size=25))
def test_a_text_is_a_time_only_if_python_says_so_too(text: str) -> None:
    """Nothing is read as a time that `strptime` would not read the same way."""
    pattern = "%Y-%m-%d %H:%M:%S"
    _, clock = moments.from_pattern(pl.Series([text]), pattern, "UTC")
    if clock[0] is not None:
        assert clock[0] == datetime.strptime(text, pattern)


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("1780304400", "2026-06-01T09:00:00.000Z"),
        ("1780304400.25", "2026-06-01T09:00:00.250Z"),
        ("1780304400.2509", "2026-06-01T09:00:00.250Z"),
        ("-5", None),
        ("1e9", None),
        ("9" * 15, None),
        ("", None),
    ],
)
def test_seconds_since_1970(text: str, written: str | None) -> None:
    """Seconds with and without a fraction; what is no plain number is none."""
    found = moments.from_epoch(pl.Series([text]), seconds=True)
    assert moments.written(found)[0] == written


@pytest.mark.parametrize(("offset", "hour"), [("Z", 9), ("+02:00", 7), ("-0530", 14), ("+0200", 7)])
def test_times_with_their_own_offset(offset: str, hour: int) -> None:
    """%z is Z, +02:00 or +0200."""
    found, _ = moments.from_pattern(
        pl.Series([f"2026-06-01 09:00{offset}"]), "%Y-%m-%d %H:%M%z", ""
    )
    assert found[0].hour == hour


@pytest.mark.parametrize(
    ("form", "decimal", "text", "grade"),
    [
        ("number", ".", "3.5", "3.5"),
        ("number", ".", "3.50", "3.5"),
        ("number", ",", "3,5", "3.5"),
        ("number", ",", "3.5", None),
        ("number", ".", "3,5", None),
        ("number", ".", "3.55", None),
        ("number", ".", "4.1", None),
        ("number", ".", "B", None),
        ("letter", ".", "B", "B"),
        ("letter", ".", "E", None),
        ("letter", ".", "3", None),
        ("full", ".", "1.5/08/660", "1.5/08/660"),
        ("full", ",", "1,5/08/660/45", "1.5/08/660/45"),
        ("full", ".", "1.5", None),
        ("any", ".", "C/08/W", "C/08/W"),
        ("any", ".", "none", ""),
        ("any", ".", "", ""),
    ],
)
def test_grades(form: str, decimal: str, text: str, grade: str | None) -> None:
    """Each form takes its own grades only; a grade is never rounded."""
    profile = Profile("csv", {"seen": (1,), "grade": (2,)}, grades=Grades(form, decimal, ("none",)))
    raw = pl.DataFrame({"seen": ["", ""], "grade": ["", text]})
    if grade is not None:
        assert translate(profile, raw, Lines("f", 7))["grade"][1] == grade
        return
    with pytest.raises(Refused) as refused:
        translate(profile, raw, Lines("f", 7))
    assert (refused.value.word, refused.value.where) == ("results_value", "f, line 8")
