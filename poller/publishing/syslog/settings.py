"""The settings of an entry `syslog` in outputs."""

from __future__ import annotations

import ipaddress
import re
from contextlib import suppress
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, Field

from poller.model import limits
from poller.site.check_hosts import HOST_NAME
from poller.site.settings import Port, Tls
from poller.site.strict import Strict

NAME: Final = re.compile(rf"[!-~]{{1,{limits.SYSLOG_HOST_MAX}}}")  # RFC 5424, 6.2.4: PRINTUSASCII


def _one_host(text: str) -> str:
    with suppress(ValueError):
        return str(ipaddress.ip_address(text))
    if not HOST_NAME.fullmatch(text):
        raise ValueError("write one address or host name; the port has a key of its own")
    return text


class _Settings(Strict):
    """What both ways have.

    facility: 13, log audit: what people did and what was found; under 4 or 10, security, collectors
    look for log-ins. enterprise: the private enterprise number (IANA) of the site's owner; 32473 is
    nobody's, for examples (RFC 5612). hostname: of this computer, absent: as it calls itself.
    retry_cap_s: the longest wait between two tries; 30 s, two tries a minute.
    """

    host: Annotated[str, AfterValidator(_one_host)]
    facility: Annotated[
        int, Field(ge=1, le=23, description="RFC 5424, 6.2.1; 0 is for kernels alone")
    ] = 13
    enterprise: Annotated[int, Field(ge=1, le=2**32 - 1, description="RFC 5424, 7.2.2")] = 32473
    hostname: Annotated[str, Field(pattern=f"^{NAME.pattern}$")] | None = None
    retry_cap_s: Annotated[float, Field(ge=0.1, le=600)] = limits.OUTPUT_RETRY_CAP_S


class UdpSettings(_Settings):
    """octets_max: of a message; longer ones lose the end of their text."""

    transport: Literal["udp"]
    port: Port = 514
    octets_max: Annotated[int, Field(ge=limits.SYSLOG_OCTETS_MIN, le=limits.SYSLOG_OCTETS_MAX)] = (
        limits.SYSLOG_UDP_OCTETS
    )


class TlsSettings(_Settings):
    """The default, so that nothing goes in the clear unasked."""

    transport: Literal["tls", "udp"] = "tls"
    port: Port = 6514
    tls: Tls
    octets_max: Annotated[int, Field(ge=limits.SYSLOG_OCTETS_MIN, le=limits.SYSLOG_OCTETS_MAX)] = (
        limits.SYSLOG_TLS_OCTETS
    )
