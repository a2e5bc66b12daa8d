"""Hashes of passwords, in a file of their own beside the journal, which goes out to outputs.

Who there is and in which roles stands in the journal. A hash alone lets nobody in.
"""

from __future__ import annotations

import fcntl
import json
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final, NoReturn

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from poller.journal.file import give_to_its_owner
from poller.model import limits
from poller.model.problems import Faulty, Problem
from poller.model.refusal import Refusal

FORMAT: Final = 1
OCTETS_MAX: Final = limits.USERS_MAX * 512  # a name and a hash take under 200
# argon2id by RFC 9106, section 4, second choice: 3 passes over 64 MiB; a tenth of a second
HASHER: Final = PasswordHasher()


def beside(journal: Path) -> Path:
    """The file for the journal there."""
    return journal.with_name(f"{journal.name}.users")


def sound(password: str) -> str:
    """The password, long enough to be one. Raises Refusal."""
    if not limits.PASSWORD_MIN <= len(password) <= limits.PASSWORD_MAX:
        raise Refusal(
            f"a password has {limits.PASSWORD_MIN} to {limits.PASSWORD_MAX} characters, "
            f"not {len(password)}"
        )
    return password


class Passwords:
    """The file. Every method raises Faulty where it can't be read or written."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._nobodys: str | None = None

    def known(self) -> frozenset[str]:
        """Users who have a password."""
        return frozenset(self._read())

    def set(self, user: str, password: str) -> None:
        """Raises Refusal for one that is too short or too long. Takes a tenth of a second."""
        hashed = HASHER.hash(sound(password))
        with self._changing() as hashes:
            hashes[user] = hashed

    def forget(self, user: str) -> None:
        with self._changing() as hashes:
            hashes.pop(user, None)

    def match(self, user: str, password: str) -> bool:
        """Takes as long for somebody who is not known. Blocks for a tenth of a second."""
        known = self._read().get(user)
        try:
            HASHER.verify(known or self._nobody(), password[: limits.PASSWORD_MAX + 1])
        except (VerificationError, InvalidHashError):
            return False
        return known is not None

    def _nobody(self) -> str:
        if self._nobodys is None:
            self._nobodys = HASHER.hash(os.urandom(16))
        return self._nobodys

    def _read(self) -> dict[str, str]:
        try:
            with self.path.open("rb") as file:
                found = os.fstat(file.fileno())
                if stat.S_IMODE(found.st_mode) & 0o077:
                    self._fail("others may read it", f"chmod 600 {self.path}")
                text = file.read(OCTETS_MAX + 1)
        except FileNotFoundError:
            return {}
        except OSError as reason:
            self._fail(f"it can't be read: {reason.strerror}", "see to its owner and its folder")
        try:
            told = json.loads(text)
            if told["format"] != FORMAT:
                raise ValueError(f"format {told['format']}")
            return {str(user): str(hashed) for user, hashed in told["hashes"].items()}
        except (ValueError, LookupError, TypeError, AttributeError, RecursionError):
            self._fail("it is not as it was written", "take it away; set each password anew")

    @contextmanager
    def _changing(self) -> Iterator[dict[str, str]]:
        """One at a time, and whole or not at all."""
        new = self.path.with_name(f"{self.path.name}.new")
        try:
            folder = os.open(self.path.parent, os.O_RDONLY | os.O_DIRECTORY)
            try:
                fcntl.flock(folder, fcntl.LOCK_EX)
                hashes = self._read()
                yield hashes
                with suppress(FileNotFoundError):
                    new.unlink()  # of a change that was cut short
                text = json.dumps({"format": FORMAT, "hashes": hashes}, sort_keys=True)
                descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
                with os.fdopen(descriptor, "w", encoding="utf-8") as file:
                    give_to_its_owner(descriptor, self.path.with_suffix(""))  # the journal's
                    file.write(text + "\n")
                    file.flush()
                    os.fsync(file.fileno())
                new.replace(self.path)
                os.fsync(folder)
            finally:
                os.close(folder)
        except OSError as reason:
            self._fail(f"it can't be written: {reason.strerror}", "see to its folder and the disk")

    def _fail(self, what: str, mend: str) -> NoReturn:
        raise Faulty(
            [
                Problem(
                    code="users-file",
                    file=str(self.path),
                    what=f"the file of passwords: {what}",
                    mend=mend,
                )
            ]
        )
