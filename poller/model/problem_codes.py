"""The stable codes of problems and what each means. Codes are never renamed or used again."""

from typing import Final

CODES: Final[dict[str, str]] = {
    "journal-damaged": "the journal file can't be read as a whole, or its last event is not whole",
    "journal-exists": "a journal is to be recovered into a file that exists already",
    "journal-foreign": "the file named as journal was not made by Bayroll",
    "journal-half-gone": "the journal file is gone and its write-ahead log was left",
    "journal-locked": "another process writes this journal",
    "journal-missing": "there is no journal file yet",
    "journal-newer": "a newer Bayroll made this journal file",
    "journal-unknown-kind": "the journal holds a kind of event that only a newer Bayroll knows",
    "journal-unreachable": "the journal file, its folder or its lock can't be opened or made",
}
