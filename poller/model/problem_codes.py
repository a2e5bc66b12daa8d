"""The stable codes of problems and what each means. Codes are never renamed or used again."""

from typing import Final

CODES: Final[dict[str, str]] = {}
