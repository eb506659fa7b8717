"""The ways in which serialkeeper says no.

    SerialKeeperError
    ├── Refused        a rule says no; the record is as it was       exit 1
    ├── WrongUsage     the call itself makes no sense                exit 2
    ├── Damaged        the record failed one of its own checks       exit 3
    ├── Unavailable    something outside is not there; try again     exit 4
    └── Interrupted    somebody stopped it; what was committed stays exit 130

Each carries a stable `word` from `WORDS`, so that a script can tell refusals apart
without reading sentences, and says where it happened, what was expected, what came
and what to do.
"""

from __future__ import annotations

from typing import Any, ClassVar

WORDS: dict[str, str] = {
    # who and where
    "record_missing": "There is no record at that place.",
    "record_exists": "A record or file is already there; nothing is ever overwritten.",
    "record_unreadable": "The file there is not a record that this version can read.",
    "practice_only": "Only a practice record may do this.",
    "live_only": "Only a live record has passwords.",
    "password_needed": "A live record has to know who you are, by name and password.",
    "sign_in_refused": "Name and password do not go together, or were tried too often.",
    "password_weak": "The password is too easily guessed.",
    "session_over": "The session at this station is over.",
    "token_over": "The token is not in force any more.",
    "token_narrow": "The token is not for this.",
    "badge_taken": "The badge is somebody else's.",
    "badge_unknown": "That is not this person's badge.",
    "token_unknown": "The record has no such token of yours.",
    "password_temporary": "A password that somebody else gave has to be changed first.",
    "secret_exposed": "Others can read the file with the password.",
    "last_administrator": "The record would have no administrator any more.",
    "person_unknown": "The record knows no such person.",
    "person_retired": "That person does not work on the record any more.",
    "person_exists": "A person of that name is already in the record.",
    "role_not_allowed": "The person's role may not do this.",
    "second_person_needed": "A second person has to confirm this.",
    "reason_needed": "This needs a reason.",
    "evidence_needed": "The finding allows this only with evidence that was not given.",
    # products, lots, numbers
    "bad_gtin": "The GTIN is not valid.",
    "bad_key": "An SSCC, a GLN or another GS1 key is not valid.",
    "bad_value": "A value does not follow the rules for its kind.",
    "product_exists": "The product is already in the record.",
    "product_unknown": "The record knows no such product.",
    "lot_exists": "The lot is already in the record.",
    "lot_unknown": "The record knows no such lot.",
    "lot_ambiguous": "More than one product has a lot of that number.",
    "lot_not_approved": "The lot is not approved yet.",
    "lot_state": "The lot is in a state in which this is not done.",
    "expiry_past": "The expiry date is not in the future.",
    "guessing_odds": "The numbers could be guessed too easily.",
    "numbers_exhausted": "The product has no number prefixes left.",
    "allocation_unfinished": "An interrupted allocation has to be finished first.",
    # files to import
    "import_empty": "The file to import holds no rows.",
    "import_header": "The file to import does not have the expected columns.",
    "import_encoding": "The file to import is not in the expected encoding.",
    "import_rows": "Rows of the file to import cannot be taken, so none was.",
    "import_claimed": "The numbers of this file belong to another lot already.",
    "numbers_expired": "The numbers may not be used any more.",
    "nothing_to_give_up": "No import of the lot is under way.",
    "nothing_to_return": "The lot has no imported numbers to report back.",
    "location_unknown": "The record knows no such location.",
    "location_exists": "The location is already in the record.",
    # printing
    "nothing_to_print": "There is no label to print in that range.",
    "nothing_printed": "Nothing of the lot was printed yet.",
    "count_needed": "A decision on that many labels needs their count beside it.",
    "print_changed": "The labels changed while the print file was made.",
    "job_unknown": "The record knows no such print job.",
    "symbol_too_small": "The code needs more codewords than the lot's symbol holds.",
    "symbol_too_large": "The symbol does not fit into its space on the label.",
    "unread_symbol": "A symbol does not read back as what it should say.",
    "layout_invalid": "The label layout is not understood.",
    "file_exists": "The file is already there; nothing is ever overwritten.",
    "file_missing": "The file is not there.",
    "file_unwritable": "The file cannot be written there.",
    # camera profiles
    "profile_invalid": "The camera profile is not understood.",
    "profile_unknown": "There is no camera profile of that name.",
    "profile_exists": "A camera profile of that name is kept already; profiles are never edited.",
    # results files
    "results_empty": "The results file holds no readings.",
    "results_header": "The results file does not have the expected columns.",
    "results_encoding": "The results file is not in the expected encoding.",
    "results_row": "A row of the results file does not have the expected form.",
    "results_truncated": "The results file ends in the middle of a row.",
    "results_position": "A row names no place, or a place outside the plan.",
    "results_unplaced": "Nothing in the file says which labels its readings belong to.",
    "results_clock": "The times of a file without positions go backwards.",
    "results_value": "A field of the results file does not have the expected form.",
    "results_rehearsed": "The file comes from a rehearsal, and this is a live record.",
    "results_name_taken": "A file of that name with other content was taken before.",
    "take_unfinished": "An earlier take of the lot is not finished yet.",
    "results_claimed": "The labels of this file were inspected already.",
    "results_changed": "What was read of a followed file is not there any more.",
    "followed_elsewhere": "Another process follows this file.",
    # runs
    "run_unknown": "The lot has no such run.",
    "run_state": "The run is in a state in which this is not done.",
    "clearance_incomplete": "A clearance covers every point of its list.",
    # proving the reader
    "challenge_unknown": "There is no such challenge set.",
    "challenge_count": "The file does not hold one reading for every label of the challenge set.",
    # images
    "images_empty": "The folder holds no images, or no symbol reads on any of them.",
    "images_order": "The names of the images do not tell their order.",
    "images_grid": "The symbols on the images do not stand in rows and lanes as said.",
    "image_unreadable": "An image file is damaged, or is no image that this version reads.",
    "image_too_large": "An image is larger than this version reads.",
    # rolls
    "roll_unknown": "The lot has no such roll.",
    "roll_rows": "These rows cannot be a roll of their own.",
    "roll_state": "The roll is in a state in which this is not done.",
    "roll_mistaken": "The file shows another roll.",
    "roll_not_inspected": "No label of the roll was inspected yet.",
    "roll_open_points": "Labels of the roll are undecided, or not shown to have left it.",
    "scan_elsewhere": "The scanned label does not stand beside the cut.",
    # scans
    "scan_symbology": "The symbol is of a kind that does not carry this.",
    "scan_doubtful": "The scanned text can be understood in more than one way.",
    "scan_garbled": "The scanned text was changed on its way from the symbol.",
    # labels, counts, closing
    "label_unknown": "The record knows no such label.",
    "move_not_allowed": "A label in that state cannot make that move.",
    "never_accepted": "A label with this finding can never be accepted.",
    "count_invalid": "The count does not follow the rules for its kind.",
    "lot_open_points": "The lot still has open points.",
    "alarm_unknown": "The lot has no such open alarm.",
    "alarms_open": "The lot has alarms that nobody has acknowledged.",
    "lot_unbalanced": "The two ledgers of the lot do not agree, or something is unaccounted.",
    "events_unreadable": "The file is no EPCIS document that can be read.",
    "nothing_to_send": "The lot has caused no event yet.",
    "destination_unknown": "The record knows no such destination in use.",
    "destination_exists": "There is a destination of that name or at that place already.",
    "document_unknown": "The lot has no such document there.",
    "document_differs": "This version writes a sent document with other bytes.",
    "nothing_stuck": "No document of the lot waits for a person there.",
    "secret_missing": "The secret of a destination is not there.",
    "receiver_unavailable": "A destination does not answer as it should; nothing is lost.",
    "receiver_refuses": "A destination takes nothing from us.",
    "review_unknown": "The review list has no such group any more.",
    "review_open": "The lot has a review list that is not empty.",
    "own_work": "Whoever did or confirmed a thing cannot review it.",
    "examples_needed": "Labels of the group have to be opened before it is signed.",
    # packs
    "packs_invalid": "The pack levels are not understood.",
    "level_unknown": "The lot has no such level of packs.",
    "pack_unknown": "The record knows no such pack.",
    "packed_already": "It is in a pack already.",
    "not_packable": "It may not go into that pack.",
    "given_twice": "It was given twice.",
    "pack_full": "The pack does not hold that many.",
    "pack_part": "The pack has to be full.",
    "pack_state": "The pack is in a state in which this is not done.",
    "not_in_pack": "It is not in that pack.",
    "nothing_to_pack": "There is nothing loose to be packed.",
    "ssccs_exhausted": "The company prefix has no SSCCs left with that extension digit.",
    # holds
    "held": "It is held: it is neither packed nor sent.",
    "hold_unknown": "The lot has no such open hold.",
    # the record itself
    "chain_broken": "The journal was altered.",
    "table_differs": "A table differs from what the journal says.",
    "credential_differs": "What is kept of a password is not what the journal names.",
    "not_covered": "The checkpoint is older than what is to be proven.",
    "signature_broken": "An entry lacks a signature that it needs, or bears one of another entry.",
    "original_differs": "A kept original differs from what the journal says.",
    "export_differs": "An export is not as it was made.",
    "record_busy": "Another process holds the record.",
    "record_unreachable": "The record's server does not answer.",
    "record_denied": "The record's server does not let this account do that.",
    "record_full": "The record's disk or server has no room for this.",
    "record_changed": "Another version of the program has changed the record meanwhile.",
    "record_outdated": "The record was made by an earlier version, and has to be migrated.",
    "record_newer": "The record belongs to a later version of the program.",
    "record_moved": "The record was moved: work goes on at another place.",
    "backup_sealed": "This is a backup, and no record at work.",
    "in_recovery": "The record was restored and not recovered yet.",
    "no_backup": "The file is no backup of a record.",
    "copy_unfinished": "The record there is a copy that is not finished.",
    "nothing_moved": "The record was not moved.",
    "station_exists": "A station of that name is in the record already.",
    "station_unknown": "The record does not know this station, and it knows others.",
    "interrupted": "The command was stopped before it was done.",
    "fault": "The program itself failed.",
    "usage": "The command was not understood.",
    # over HTTP
    "token_needed": "A program signs in with a token.",
    "host_unknown": "The server does not go by that name.",
    "origin_foreign": "A page of another site asks for this.",
    "too_large": "The request is larger than what is taken here.",
    "too_slow": "The request did not come in time.",
    "form_over": "The form is too old, or not one of this server's.",
    "too_many_open": "Too many pages follow the record at the same time.",
    "too_many_tries": "Too many wrong passwords came from that address.",
    "address_taken": "The server cannot listen at that address.",
}
"""Every refusal word and its meaning in one sentence."""


class SerialKeeperError(Exception):
    """What every error of this package has in common.

    Args:
        word: one of `WORDS`; stable, for programs.
        message: one plain sentence, for people.
        where: file and line, lot and position, table and key.
        expected: what would have been right.
        came: what was there instead.
        remedy: what to do now.
        more: further refusals of the same call, at most a hundred.
    """

    exit_code: ClassVar[int] = 70

    def __init__(
        self,
        word: str,
        message: str,
        *,
        where: str = "",
        expected: str = "",
        came: str = "",
        remedy: str = "",
        more: tuple[str, ...] = (),
    ) -> None:
        if word not in WORDS:
            raise LookupError(f"{word!r} is not a refusal word")
        super().__init__(message)
        self.word = word
        self.message = message
        self.where = where
        self.expected = expected
        self.came = came[:200] + "…" if len(came) > 200 else came
        self.remedy = remedy
        self.more = more[:100]

    def __reduce__(self) -> tuple[Any, ...]:
        """Errors travel between processes whole."""
        return _again, (type(self), self.as_dict())

    def as_dict(self) -> dict[str, Any]:
        """The refusal as plain data, for `--json`."""
        return {
            "word": self.word,
            "message": self.message,
            "where": self.where,
            "expected": self.expected,
            "came": self.came,
            "remedy": self.remedy,
            "more": list(self.more),
        }

    @property
    def in_short(self) -> str:
        """The refusal on one line, for an account of many."""
        where = f" ({self.where})" if self.where else ""
        came = (
            f" There was: {self.came}{'' if self.came.endswith('.') else '.'}" if self.came else ""
        )
        wanted = f" Expected: {self.expected}." if self.expected else ""
        told = f"{self.message.rstrip('.')}{where} [{self.word}].{came}{wanted} {self.remedy}"
        return " ".join(told.split())

    def __str__(self) -> str:
        lines = [f"{self.message} [{self.word}]"]
        for label in ("where", "expected", "came", "remedy"):
            text = getattr(self, label)
            if text:
                name = "what to do" if label == "remedy" else label
                lines.append(f"  {name}: {text}")
        lines.extend(f"  also: {line}" for line in self.more)
        return "\n".join(lines)


def _again(kind: type[SerialKeeperError], told: dict[str, Any]) -> SerialKeeperError:
    return kind(told.pop("word"), told.pop("message"), **{**told, "more": tuple(told["more"])})


class Refused(SerialKeeperError):
    """A rule says no. Nothing was changed."""

    exit_code = 1


class WrongUsage(SerialKeeperError):
    """The call itself makes no sense."""

    exit_code = 2


class Damaged(SerialKeeperError):
    """The record failed one of its own checks: stop, and call the person in charge of it."""

    exit_code = 3


class Unavailable(SerialKeeperError):
    """Something outside is not there or busy; the same call may succeed later."""

    exit_code = 4


class Interrupted(SerialKeeperError):
    """Somebody stopped the command. What was committed stays, nothing is half done."""

    exit_code = 130
