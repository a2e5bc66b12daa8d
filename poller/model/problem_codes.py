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
    "scenario-attribute-unknown": "a scenario sets a nameplate attribute that the map has no field for",
    "scenario-ends-before-start": "something in a scenario ends before it begins",
    "scenario-flag-unknown": "a scenario moves a flag that the relay's map does not tell",
    "scenario-map-unknown": "a scenario names a map that its relays do not have",
    "scenario-misbehaviour-unknown": "a scenario names a misbehaviour that the simulator can't do",
    "scenario-no-fleet": "a scenario says nothing about which relays there are",
    "scenario-parameter-bound": "a parameter of a misbehaviour is out of its bounds",
    "scenario-parameter-unknown": "a misbehaviour has no parameter of that name",
    "scenario-relay-unknown": "a scenario names a relay that is not in its fleet",
    "scenario-two-fleets": "a scenario gives both a site file and a counted fleet",
    "scenario-value": "a scenario gives a value that the field of the map can't carry",
}
