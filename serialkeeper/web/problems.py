"""Refusals as problem documents (RFC 9457), and which HTTP status each of them has."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from starlette.responses import Response

from serialkeeper.errors import WORDS, Refused, SerialKeeperError, Unavailable, WrongUsage

MEDIA_TYPE = "application/problem+json"

STATUSES: Mapping[int, tuple[str, ...]] = {
    401: ("token_needed", "sign_in_refused", "token_over", "session_over"),
    403: (
        *("role_not_allowed", "token_narrow", "password_temporary", "password_needed"),
        *("second_person_needed", "own_work", "person_retired", "practice_only", "live_only"),
        "origin_foreign",
    ),
    404: (
        *("product_unknown", "lot_unknown", "label_unknown", "location_unknown", "person_unknown"),
        *("roll_unknown", "run_unknown", "challenge_unknown", "job_unknown", "pack_unknown"),
        *("review_unknown", "hold_unknown", "alarm_unknown", "token_unknown", "profile_unknown"),
        *("level_unknown", "station_unknown", "destination_unknown", "document_unknown"),
    ),
    408: ("too_slow",),
    413: ("too_large", "image_too_large"),
    421: ("host_unknown",),
    422: (
        *("bad_value", "bad_gtin", "bad_key", "expiry_past", "guessing_odds", "reason_needed"),
        *("evidence_needed", "examples_needed", "count_needed", "count_invalid", "password_weak"),
        *("import_empty", "import_header", "import_encoding", "import_rows", "layout_invalid"),
        *("results_empty", "results_header", "results_encoding", "results_row", "results_value"),
        *("results_truncated", "results_position", "results_unplaced", "results_clock"),
        *("profile_invalid", "packs_invalid", "image_unreadable", "images_empty", "images_order"),
        *("images_grid", "symbol_too_small", "symbol_too_large", "clearance_incomplete"),
        *("scan_symbology", "scan_doubtful", "scan_garbled", "scan_elsewhere", "roll_rows"),
        "events_unreadable",
    ),
    429: ("too_many_tries",),
}
"""Words that tell a status of their own."""

WORD_STATUS: Mapping[str, int] = {
    word: status for status, words in STATUSES.items() for word in words
}

KINDS: Mapping[type[SerialKeeperError], int] = {Refused: 409, WrongUsage: 400, Unavailable: 503}
"""The status of all other words, by kind of error; of a damaged record and a fault of ours it is
500."""

EVERYWHERE = (400, 401, 403, 404, 408, 409, 413, 421, 422, 500, 503)
"""What any route may answer when it refuses."""


def status_of(error: SerialKeeperError) -> int:
    """The HTTP status of a refusal."""
    if error.word in WORD_STATUS and not isinstance(error, Unavailable):
        return WORD_STATUS[error.word]
    return next((status for kind, status in KINDS.items() if isinstance(error, kind)), 500)


def problem(error: SerialKeeperError, status: int = 0) -> Response:
    """The problem document of a refusal.

    Args:
        status: what HTTP says of the request itself, instead of what the word tells.
    """
    status = status or status_of(error)
    told: dict[str, Any] = error.as_dict()
    if status == 401:
        told["where"] = ""  # who has not signed in is not told where the record lies
    detail = told.pop("message")
    document = {
        "type": f"/refusals#{error.word}",
        "title": WORDS[error.word],
        "status": status,
        "detail": detail,
        **told,
    }
    headers = {}
    if status == 401:
        headers["WWW-Authenticate"] = 'Bearer realm="serialkeeper"'
    elif status == 503:
        headers["Retry-After"] = "5"
    body = json.dumps(document, indent=2).encode()
    return Response(body, status, headers, media_type=MEDIA_TYPE)


def fault(error: Exception) -> SerialKeeperError:
    """A fault of ours, without its inside."""
    return SerialKeeperError(
        "fault",
        "The program itself failed.",
        remedy=f"Nothing half-done was committed. The server's own output names it "
        f"({type(error).__name__}); with SERIALKEEPER_TRACE=1 it shows where.",
    )
