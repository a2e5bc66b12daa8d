"""Every pair of colours that meets on the page has the contrast of WCAG 2.2, AA, light and dark."""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

STATIC = files("poller.web").joinpath("static")
TEXT, PART = 4.5, 3.0  # success criteria 1.4.3 and 1.4.11

# what stands on what, and how much contrast that needs
PAIRS = """
ink      paper      TEXT
ink      sheet      TEXT
quiet    paper      TEXT
quiet    sheet      TEXT
lead     paper      TEXT
lead     sheet      TEXT
on-lead  lead       TEXT
fine     sheet      TEXT
fine     paper      TEXT   # a row under the pointer
warn     warn-wash  TEXT
warn     sheet      TEXT
bad      bad-wash   TEXT
ink      bad-wash   TEXT   # a line of a nameplate that differs
bad      sheet      TEXT
bad      paper      TEXT
edge     sheet      PART   # borders of fields
edge     paper      PART
bad      sheet      PART
focus    paper      PART
focus    sheet      PART
"""


def palettes() -> dict[str, dict[str, str]]:
    light, dark = STATIC.joinpath("palette.css").read_text().split("@media")
    read = {
        name: dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", text))
        for name, text in (("light", light), ("dark", dark))
    }
    assert read["light"].keys() == read["dark"].keys()
    return read


def styles() -> str:
    """All that uses the palette."""
    found = [one for one in STATIC.iterdir() if one.name.endswith(".css")]
    return "\n".join(one.read_text() for one in found if one.name != "palette.css")


def luminance(colour: str) -> float:
    """WCAG 2.2, relative luminance."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, contrast ratio: 1 to 21."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


# WCAG 2.2's own ends, and #767676 on white, the grey that its techniques name as just enough
@pytest.mark.parametrize(
    ("one", "other", "expected"),
    [("#000000", "#ffffff", 21.0), ("#123456", "#123456", 1.0), ("#767676", "#ffffff", 4.54)],
)
def test_the_ratio_is_the_standards(one: str, other: str, expected: float) -> None:
    assert contrast(one, other) == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("line", PAIRS.strip().splitlines())
def test_a_pair_has_contrast_enough(scheme: str, line: str) -> None:
    one, other, needs = line.split("#", maxsplit=1)[0].split()
    colours = palettes()[scheme]
    found = contrast(colours[one], colours[other])
    assert found >= {"TEXT": TEXT, "PART": PART}[needs], f"{found:.2f}"


def test_no_colour_stands_anywhere_but_in_the_palette() -> None:
    css = styles()
    assert re.findall(r"#[0-9a-fA-F]{3,8}\b|rgba?\(|hsla?\(", css) == []


def test_every_colour_of_the_palette_is_used_and_every_one_used_is_there() -> None:
    css = styles()
    assert set(re.findall(r"var\(--([a-z-]+)\)", css)) == palettes()["light"].keys()
