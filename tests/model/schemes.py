"""Version schemes as a register map gives them, and texts that a scheme can read."""

from __future__ import annotations

from typing import Final

from hypothesis import strategies as st

from poller.model.firmware_version import Scheme
from poller.site.register_map import Dotted, DottedServicePack, Pattern, RevisionLetters

DOTTED: Final = Dotted(kind="dotted")
PACKS: Final = DottedServicePack(kind="dotted_service_pack")
LETTERS: Final = RevisionLetters(kind="revision_letters")
# R3.12-B, R3.12: release, build and a patch letter or number that may be missing
RELEASE: Final = Pattern(
    kind="pattern",
    pattern=r"R(?P<release>\d+)\.(?P<build>\d+)(?:-(?P<patch>\w+))?",
    order=("release", "build", "patch"),
)
SCHEMES: Final[dict[str, Scheme]] = {
    "dotted": DOTTED,
    "packs": PACKS,
    "letters": LETTERS,
    "release": RELEASE,
}

# small numbers, so that equal keys and equal prefixes turn up often
number = st.integers(0, 12).flatmap(lambda n: st.sampled_from([f"{n}", f"{n:02}", f"{n:03}"]))
dots = st.builds(
    lambda prefix, parts: prefix + ".".join(parts),
    st.sampled_from(["", "v", "V"]),
    st.lists(number, min_size=1, max_size=4),
)


def optional(word: str) -> st.SearchStrategy[str]:
    spelled = st.builds(
        lambda gap, word, inner, n: gap + word + inner + n,
        st.sampled_from(["", " ", "-"]),
        st.sampled_from([word, word.lower()]),
        st.sampled_from(["", " ", "-"]),
        number,
    )
    return st.just("") | spelled


packs = st.builds(lambda *parts: "".join(parts), dots, optional("SP"), optional("HF"))
letters = st.builds(
    lambda prefix, text: prefix + text,
    st.sampled_from(["", "Rev ", "REV ", "rev", "Rev. ", "Rev."]),
    st.text("ABCZabcz", min_size=1, max_size=2),
)
releases = st.builds(
    lambda release, build, patch: f"R{release}.{build}{patch}",
    number,
    number,
    st.just("")
    | number.map("-{}".format)
    | st.text("ABZ", min_size=1, max_size=3).map("-{}".format),
)
READABLE: Final = {"dotted": dots, "packs": packs, "letters": letters, "release": releases}

scheme_names = st.sampled_from(sorted(SCHEMES))


def texts(count: int) -> st.SearchStrategy[tuple[Scheme, tuple[str, ...]]]:
    """A scheme and so many texts it can read."""
    return scheme_names.flatmap(
        lambda name: st.tuples(st.just(SCHEMES[name]), st.tuples(*[READABLE[name]] * count))
    )
