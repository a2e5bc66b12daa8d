"""Addresses hidden everywhere, versions kept, and remarks that might hold a secret left out.

Documentation addresses: RFC 5737, RFC 3849, RFC 7042.
"""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from poller.answers.evidence.hiding import hider, mapped, without_secrets
from poller.model.nameplate import Nameplate
from poller.model.standing import Relay, State
from poller.site.yaml_lines import read

SITE = """\
site: hollin
source_address: 192.0.2.1
broker: {host: broker.hollin.example, port: 1883}
outputs:
  iec104: {groups: {main: [198.51.100.0/24]}}
  opcua: {host: desk}
page: {names: [roll.hollin.example]}
"""
PLATE = Nameplate(vendor="Tarn", swRev="10.1.2.3")
STATE = State(
    relays={
        "q07-main1": Relay(
            bay="Q07", function="main 1", address="gw7.hollin.example:502/3", nameplate=PLATE
        ),
        "desk": Relay(bay="Q08", function="main 1", address="[2001:db8::8]:502/255"),
    }
)
HIDE = hider([read(SITE, "site.yaml").value], STATE)

# a text | what is left of it
TEXTS = """
192.0.2.7:502/255                        | (address)
moved to 192.0.2.7, said Ute             | moved to (address), said Ute
moved to 192.0.2.7.                      | moved to (address).
from 198.51.100.0/24 only                | from (address) only
at 2001:db8::8 and [2001:db8::9]:502     | at (address) and [(address)]:502
at fe80::1%eth0                          | at (address)%eth0
card 00-00-5E-00-53-01                   | card (address)
card 00:00:5e:00:53:01                   | card (address)
gw7.hollin.example does not answer       | (address) does not answer
broker.hollin.example:1883               | (address):1883
roll.hollin.example                      | (address)
firmware 10.1.2.3                        | firmware 10.1.2.3
firmware 5.1 SP2 HF3                     | firmware 5.1 SP2 HF3
swRev 2.07.013 of 3.00.004               | swRev 2.07.013 of 3.00.004
2026-03-01 09:00:00 UTC                  | 2026-03-01 09:00:00 UTC
cafe:1                                   | cafe:1
relay desk                               | relay desk
"""


@pytest.mark.parametrize("row", TEXTS.strip().splitlines())
def test_a_text(row: str) -> None:
    text, left = (part.strip() for part in row.split("|"))
    assert HIDE(text) == left


def test_a_configuration_names_no_place_any_more() -> None:
    left = HIDE(SITE)
    assert [one for one in ("192.0.2", "198.51", "example") if one in left] == []


def test_hidden_however_deep_it_stands() -> None:
    @dataclass(frozen=True)
    class Inner:
        says: str

    @dataclass(frozen=True)
    class Outer:
        number: int
        held: tuple[Inner, ...]
        named: dict[str, Inner]

    inner = Inner("at 192.0.2.7")
    told = mapped(Outer(7, (inner,), {"a": inner}), HIDE)
    assert told == Outer(7, (Inner("at (address)"),), {"a": Inner("at (address)")})


# a line of a configuration | what is left of it
REMARKS = """
host: a  # password: hunter2             | host: a  # (a remark is left out: it might hold a secret)
#passwd = hunter2                        | # (a remark is left out: it might hold a secret)
# Token: abc                             | # (a remark is left out: it might hold a secret)
password: {env: BROKER_PASSWORD}         | password: {env: BROKER_PASSWORD}
# which relays are secret to nobody      | # which relays are secret to nobody
"""


@pytest.mark.parametrize("row", REMARKS.strip().splitlines())
def test_remarks_that_might_hold_a_secret(row: str) -> None:
    text, left = (part.strip() for part in row.split("|"))
    assert without_secrets(text) == left
