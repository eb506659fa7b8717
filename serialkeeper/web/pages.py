"""Pages: who gets one instead of JSON, what all of them show, and how they are written."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache, partial
from importlib.resources import files
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote, urlencode

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from serialkeeper.errors import WORDS, SerialKeeperError
from serialkeeper.rules import rights, signatures
from serialkeeper.rules.events import write_offset
from serialkeeper.rules.moments import minutes_east
from serialkeeper.rules.tokens import DAYS, SCOPES
from serialkeeper.steps import lots
from serialkeeper.web.gate import MOST_AT_ONCE
from serialkeeper.web.problems import problem, status_of
from serialkeeper.web.saying import in_words, plainly, retold, translated
from serialkeeper.web.visits import YEAR, Visit
from serialkeeper.web.wording import Words, catalogue, chosen, grouped, preferred

if TYPE_CHECKING:
    from serialkeeper.store.record import Record
    from serialkeeper.web.asking import Served

HTML = "text/html"

HEADERS = {
    "Content-Security-Policy": "default-src 'none'; style-src 'self'; script-src 'self'; "
    "img-src 'self'; connect-src 'self'; form-action 'self'; frame-ancestors 'none'; "
    "base-uri 'none'",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Referrer-Policy": "same-origin",  # with none, a browser does not say whose page a form is of
    "Vary": "Accept, Accept-Language, Cookie",
}
"""Of every page; the gate's own go along."""

PLACES = (
    *(("now", "/now"), ("review", "/review"), ("find", "/find"), ("lots", "/lots")),
    *(("products", "/products"), ("hand_off", "/hand-off"), ("people", "/people")),
)
"""The pages that every page leads to, in this order: name and path."""


ALERT = 'role="alert"'
"""What stands in a page that tells a refusal: once on top, and once where the form is."""


@dataclass(frozen=True, slots=True)
class Page:
    """A page of the record: its template, and the function whose answer it shows."""

    template: str
    path: str
    function: Callable[..., Any]


PAGES: dict[str, Page] = {}
"""All pages by the names of their templates; routes put themselves in."""


PAGE_PARAMETERS: dict[str, tuple[str, ...]] = {}
"""What pages take that stand in no document for programs, by path; they put themselves in."""


@dataclass(frozen=True, slots=True)
class Tried:
    """A form that was refused.

    Attributes:
        form: its name.
        typed: what was typed into it, passwords left out.
        refusal: why nothing was done.
        field: beside which field that is told, or empty.
    """

    form: str
    typed: Mapping[str, str]
    refusal: SerialKeeperError
    field: str = ""


def wants_page(request: Request) -> bool:
    """Whether whoever asks is a browser that shows a page: it prefers HTML to JSON. What brings a
    token is a program."""
    if "authorization" in request.headers:
        return False
    weights = dict(reversed(preferred(request.headers.get("accept", ""))))
    other = weights.get("*/*", 0.0)
    json = weights.get("application/json", weights.get("application/*", other))
    return weights.get(HTML, 0.0) > json


def render(request: Request, template: str, status: int = 200, **more: Any) -> Response:
    """A page.

    Args:
        more: what it shows; `it` is the answer of its step, `tried` a form that was refused.
    """
    served: Served = request.app.state.served
    visit = served.visitors.visit(request)
    words = words_of(request, visit)
    record: Record | None = getattr(request.state, "record", None)
    nothing = {"it": None, "tried": None, "above": None}
    shown = {**nothing, **_around(request, served, visit, words, record), **more}
    about = _lot_of(request, shown["it"])
    shown["lot_in_hand"] = about or visit.lot
    shown["lot_standing"] = standing = _standing(record, about)
    shown |= _moments(standing["zone"])
    page = _environment().get_template(template)
    text = page.render(shown)
    if shown["tried"] and text.count(ALERT) < 2:  # its form, or its field, is not offered any more
        text = page.render({**shown, "above": shown["tried"].refusal})
    response = Response(text, status, HEADERS, media_type=HTML)
    if visit.fresh:
        served.visitors.keep(response, "browser", visit.browser)
    keep_language(request, response)
    if status == 200 and (lot := shown["lot_in_hand"]) and lot != visit.lot:
        served.visitors.keep(response, "lot", lot)
    return response


def pieces(template: str, words: Words, record: Record, it: Any) -> dict[str, str]:
    """The pieces of a page that follow the record, by name: what each macro of a template that
    takes `it` alone gives for it, with the words and the rights of whoever looks."""
    about = _lot_told(it)
    shown = {"t": words, "tried": None, "me": record, "practice": record.practice}
    shown |= _moments(_standing(record, about)["zone"])
    module = (
        _environment().get_template(template).make_module({**shown, "may": partial(_may, record)})
    )
    return {name: str(getattr(module, name)(it)) for name in module.regions}  # type: ignore[attr-defined]


def keep_language(request: Request, response: Response) -> None:
    """A language that was asked for stays."""
    if (asked := request.query_params.get("lang", "")) in catalogue():
        request.app.state.served.visitors.keep(response, "language", asked, seconds=YEAR)


def words_of(request: Request, visit: Visit) -> Words:
    """The words for whoever asks."""
    asked = request.query_params.get("lang", "")
    return chosen(asked, visit.language, request.headers.get("accept-language", ""))


def _around(
    request: Request, served: Served, visit: Visit, words: Words, record: Record | None
) -> dict[str, Any]:
    """What every page shows beside its own: who and where one is, what was done, where to go."""
    told = served.visitors.told(visit)
    return {
        "t": words,
        # what answers a form is no page that can be had again
        "languages": list(catalogue()) if request.method == "GET" else [],
        "here": here(request),
        "asked": dict(request.query_params),
        "places": PLACES,
        "me": record,
        "practice": served.record.practice,
        "in_session": bool(record and record.session),
        "by_badge": bool(record and record.session and record.session.badge),
        "idle": served.idle if record and record.session else 0,
        "told": [(kind, words(word, **_retold(values, words))) for kind, word, values in told],
        "form_key": partial(served.visitors.form_key, visit),
        "may": partial(_may, record),
        "signs": lambda verb: verb in signatures.NEEDED,
    }


def _retold(values: Mapping[str, Any], words: Words) -> dict[str, Any]:
    """What stands in the places of what was done, in the page's language where a step said it."""
    return {name: in_words(one, words) if type(one) is str else one for name, one in values.items()}


def _may(record: Record | None, verb: str) -> bool:
    """Whether whoever looks may write that; what they may not is not offered."""
    return record is not None and rights.may(verb, record.role, practice=record.practice)


def _standing(record: Record | None, name: str) -> Mapping[str, Any]:
    """Whether work comes into the lot of a page, and the time zone of its place."""
    nothing = {"open": False, "zone": ""}
    if record is None or not name:
        return nothing
    try:
        return lots.standing(record, name)
    except SerialKeeperError:  # the page is about to tell so
        return nothing


def _moments(zone: str) -> dict[str, Any]:
    return {"moment": partial(moment, zone), "moment_text": partial(moment_text, zone)}


def moment(zone: str, at: str, *, fine: bool = False) -> Markup:
    """A time of the record as pages show it: that of the place, with its offset; UTC where no place
    is known.

    Args:
        zone: of the IANA database, or empty.
        at: UTC, as the record keeps it.
        fine: with milliseconds.

    >>> str(moment("Europe/Berlin", "2026-06-30T22:30:00.123Z"))
    '<time datetime="2026-06-30T22:30:00.123Z">2026-07-01 00:30:00 +02:00</time>'
    """
    return Markup('<time datetime="{}">{}</time>').format(at, moment_text(zone, at, fine=fine))


def moment_text(zone: str, at: str, *, fine: bool = False) -> str:
    """The same as plain text."""
    there, name = datetime.fromisoformat(at), "UTC"
    if zone:
        minutes = minutes_east(zone, at[:16])
        there, name = there + timedelta(minutes=minutes), write_offset(minutes)
    shown = there.replace(tzinfo=None).isoformat(" ", "milliseconds" if fine else "seconds")
    return f"{shown} {name}"


def _lot_told(it: Any) -> str:
    """The lot that runs where somebody looks, or empty."""
    if isinstance(it, Mapping) and isinstance(now := it.get("now"), Mapping):
        return f"{now['gtin']}/{now['lot']}"
    return ""


def _lot_of(request: Request, it: Any) -> str:
    """The lot whose page it is, or that runs where somebody looks; or empty."""
    if told := _lot_told(it):
        return told
    there: Mapping[str, str] = request.path_params
    return f"{there['gtin']}/{unquote(there['lot'])}" if {"gtin", "lot"} <= set(there) else ""


def tell(request: Request, error: SerialKeeperError, status: int = 0) -> Response:
    """A refusal: a page for a browser, a problem document for a program. Who has to sign in first
    is led there, and back again."""
    if not wants_page(request):
        return problem(error, status)
    status = status or status_of(error)
    if status == 401:
        answer = RedirectResponse(f"/sign-in?{urlencode({'back': here(request)})}", 303)
        keep_language(request, answer)
        return answer
    return render(request, "refused.html", status, refusal=error)


def here(request: Request) -> str:
    """The path that was asked for, as it came, with what was asked there."""
    raw: bytes = request.scope.get("raw_path") or request.scope["path"].encode()
    query: bytes = request.scope.get("query_string", b"")
    asked = query if request.method == "GET" else b""  # what a form sends is not asked for again
    return (raw + (b"?" + asked if asked else b"")).decode("ascii", "replace")


def is_here(path: str) -> bool:
    """Whether a text names a page of this server, and can be no other's."""
    plain = path.isascii() and path.isprintable() and "\\" not in path
    return plain and path.startswith("/") and not path.startswith("//")


# -- how pages are written -----------------------------------------------------------------------


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FunctionLoader(_template),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    environment.filters.update(
        n=grouped, piece=lambda text: quote(str(text), safe=""), lot_path=lot_path, scan_of=scan_of
    )
    environment.globals.update(
        most_at_once=MOST_AT_ONCE,
        token_scopes=SCOPES,
        token_days=DAYS,
        static=static_path,
        pairs=lambda some: [(one, one) for one in some],
        plainly=plainly,
        retold=retold,
        in_words=in_words,
        roles_for=rights.RIGHTS.__getitem__,
        translated=translated,
        meanings=WORDS,
    )
    return environment


def prepare() -> None:
    """Read every template, so that the first page that somebody wants is as quick as the next."""
    for one in files("serialkeeper").joinpath("web", "templates").iterdir():
        _environment().get_template(one.name)


def _template(name: str) -> tuple[str, str, None]:
    found = files("serialkeeper").joinpath("web", "templates", name)
    return found.read_text(encoding="utf-8"), name, None


def lot_path(name: str) -> str:
    """The path of a lot's page, from GTIN/LOT."""
    gtin, _, lot = name.partition("/")
    return f"/lots/{gtin}/{quote(lot, safe='')}"


def scan_of(key: str) -> str:
    """What a scan of a pack's or a unit's label says, bracketed, from its key."""
    gtin, slash, serial = key.partition("/")
    return f"(01){gtin}(21){serial}" if slash else f"(00){key}"


# -- files that pages need -----------------------------------------------------------------------

_KINDS = {"css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}


@cache
def _static() -> dict[str, tuple[bytes, str]]:
    """Every file by the last part of its path: content and kind. A name tells its content, so a
    browser keeps it for good."""
    folder = files("serialkeeper").joinpath("web", "static")
    there = {}
    for one in folder.iterdir():
        if kind := _KINDS.get(one.name.rpartition(".")[2]):
            content = one.read_bytes()
            there[f"{hashlib.sha256(content).hexdigest()[:12]}-{one.name}"] = content, kind
    return there


@cache
def static_path(name: str) -> str:
    """The path of a file."""
    return next(f"/static/{one}" for one in _static() if one.partition("-")[2] == name)


def static(name: str) -> Response | None:
    """A file by the last part of its path; only those that are there."""
    if name not in _static():
        return None
    content, kind = _static()[name]
    headers = {"Cache-Control": f"public, max-age={YEAR}, immutable"}
    return Response(content, headers=headers, media_type=kind)
