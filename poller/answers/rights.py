"""Rights of a role in a person's words: what somebody may do, or asked to do and was refused."""

from __future__ import annotations

from typing import Final

from poller.model.users import EVIDENCE, LOOK, USERS, Role
from poller.model.users import may as roles_may

DOES: Final = {
    LOOK: "look at every view",
    "alarm_ack": "acknowledge alarms",
    "alarm_shelve": "shelve alarms for a time",
    "alarm_unshelve": "unshelve alarms",
    "alarm_reset": "reset latched alarms",
    "alarm_out_of_service": "take alarms out of service",
    "alarm_return": "return alarms to service",
    "baseline_accept": "accept baselines",
    "reading_enter": "enter readings taken at the front panel",
    "pause": "pause polling",
    "resume": "resume polling",
    "work_add": "plan work",
    "work_start": "start work",
    "work_end": "end work",
    "work_note": "note tests and remarks on work",
    "work_cancel": "cancel work",
    "work_close": "close work",
    "investigation_link": "link an investigation to work",
    "disposition_give": "say what a change was",
    "spare_shelve": "put spares on the shelf",
    "spare_remove": "take spares off the shelf",
    "bulletin_add": "enter service bulletins",
    "bulletin_close": "close service bulletins",
    "evaluation_enter": "enter that a maker's advisories were looked through",
    "exception_give": "let what is due wait",
    "exception_end": "end such an exception",
    "package_record": "record checks of packages",
    USERS: "see who signs in, and as what",
    "user_add": "add users",
    "user_change": "change roles and passwords of users",
    "user_remove": "remove users",
    EVIDENCE: "take evidence out of the journal",
}
"""In the order in which they are read; each follows "may"."""


def rights(role: Role) -> tuple[str, ...]:
    return tuple(words for right, words in DOES.items() if roles_may([role], right))
