"""One run told as four devices would tell it: our own file, and the three example profiles."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape, quoteattr
from zoneinfo import ZoneInfo

Row = dict[str, Any]
ZONE = ZoneInfo("Europe/Berlin")
VERDICTS = {"pass": "good", "fail": "bad", "": "-"}


def moment(row: Row) -> datetime:
    return datetime.fromisoformat(row["at"].replace("Z", "+00:00"))


def write_csv(path: Path, rows: list[Row]) -> None:
    """`example-csv`: semicolons, CRLF, local time in two columns, decimal comma."""
    lines = ["label;web row;lane;day;time of day;code;class;result;print;unused"]
    for row in rows:
        at = moment(row).astimezone(ZONE)
        code = row["seen"].removeprefix("]d2").replace("{GS}", "<GS>") or "NO CODE"
        fields = (
            *(row["position"], row["row"], row["lane"]),
            *(f"{at:%d.%m.%Y}", f"{at:%H:%M:%S},{at.microsecond // 1000:03d}"),
            *(code, row["grade"].replace(".", ",") or "-", VERDICTS[row["verdict"]]),
            *(row["text"].replace("|", " / "), "x"),
        )
        lines.append(";".join(f'"{field}"' if ";" in field else field for field in fields))
    path.write_bytes("".join(f"{line}\r\n" for line in lines).encode())


def write_json_lines(path: Path, rows: list[Row]) -> None:
    """`example-json-lines`: nested objects, numbers, milliseconds since 1970."""
    lines = []
    for row in rows:
        code: dict[str, Any] = {
            "data": row["seen"].removeprefix("]d2").replace("{GS}", "\x1d"),
            "kind": "gs1 data matrix" if row["seen"] else "",
        }
        if row["grade"]:
            code["grade"] = float(row["grade"]) if row["grade"][0].isdigit() else row["grade"]
        told: dict[str, Any] = {
            "label": int(row["position"]),
            "place": {"row": int(row["row"]), "lane": int(row["lane"])},
            "t": round(moment(row).timestamp() * 1000),
            "code": code,
            "ok": {"pass": True, "fail": False, "": None}[row["verdict"]],
        }
        if row["text"]:
            told["print"] = row["text"].replace("|", "\n")
        lines.append(json.dumps(told))
    path.write_text("".join(f"{line}\n" for line in lines))


def write_xml(path: Path, rows: list[Row]) -> None:
    """`example-xml`: attributes and elements, FNC1 written out, grades with their conditions."""
    told = ['<?xml version="1.0" encoding="UTF-8"?>\n<run><head><line>1</line></head><readings>']
    for row in rows:
        code = row["seen"].removeprefix("]d2").replace("{GS}", "{F1}")
        grade = f"{row['grade']}/08/660" if row["grade"] else ""
        place = (
            f"label={quoteattr(row['position'])} row={quoteattr(row['row'])} "
            f"lane={quoteattr(row['lane'])}"
        )
        verdict = {"pass": "accept", "fail": "reject", "": ""}[row["verdict"]]
        told.append(
            f"<reading {place}>\n  <at>{moment(row).astimezone(UTC):%Y-%m-%dT%H:%M:%S.%f}Z</at>"
            f"<symbol grade={quoteattr(grade)}><data>{escape('{F1}' + code if code else '')}</data>"
            f"</symbol><verdict>{verdict}</verdict>"
            f"<print>{escape(row['text'].replace('|', '; '))}</print></reading>"
        )
    path.write_text("\n".join([*told, "</readings></run>\n"]))


FORMS = {
    "example-csv": write_csv,
    "example-json-lines": write_json_lines,
    "example-xml": write_xml,
}
