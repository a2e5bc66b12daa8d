"""The words for service bulletins, advisories, and what is due."""

from __future__ import annotations

from typing import Final

from poller.model.due import Severity, Signature
from poller.planning.advisories import Verdict
from poller.planning.csaf_shape import Remedy

SEVERITY: Final = {
    Severity.FAILURE_TO_TRIP: "failure to trip",
    Severity.SLOW_TRIP: "slow trip",
    Severity.UNNECESSARY_TRIP: "unnecessary trip",
    Severity.NOT_PROTECTION: "protection is not concerned",
}
SIGNATURE: Final = {
    Signature.NONE: "no signature given",
    Signature.GOOD: "its signature is good",
    Signature.BAD: "its signature is NOT good",
}
VERDICT: Final = {
    Verdict.AFFECTED: "affected",
    Verdict.NEEDS_A_PERSON: "needs a person",
    Verdict.UNDER_INVESTIGATION: "under investigation",
    Verdict.FIXED: "fixed",
    Verdict.NOT_AFFECTED: "not affected",
}
REMEDY: Final = {
    Remedy.VENDOR_FIX: "fix",
    Remedy.MITIGATION: "mitigation",
    Remedy.WORKAROUND: "workaround",
    Remedy.NONE_AVAILABLE: "no fix yet",
    Remedy.NO_FIX_PLANNED: "no fix planned",
}
