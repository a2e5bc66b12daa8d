"""The catalogue of alarms that ships in the program, for sites that name none.

No file is opened here, so the text stands here, and config/alarms.yaml is written from it:
`python -m tests.site.corpus` does that.
"""

from __future__ import annotations

from functools import cache
from typing import Final

from poller.site.alarm_catalogue import Catalogue
from poller.site.load import load_alarms
from poller.site.settings import Site


@cache
def shipped() -> Catalogue:
    """Read when it is first needed; that takes a tenth of a second."""
    return load_alarms(TEXT, "alarms.yaml")


def catalogue_of(site: Site) -> Catalogue:
    """The site's own catalogue, else the one that ships."""
    return shipped() if site.alarms is None else site.alarms


TEXT: Final = """\
# The catalogue of alarms that holds where a site names none. Copy it beside your site file, write
# alarms: alarms.yaml there, and change what is otherwise with you; what is left out is no alarm.
# Each entry says what rationalisation asks: what happens if nobody acts, what to do, within which
# time, and why it is as it is. Of the entries for the operator about 5 of 100 are high, 15 medium
# and 80 low.
format: 1
acknowledged_over: bayroll         # the one place: bayroll, mqtt or opcua
shelving_max_h: 8                  # at most 8
chattering: {count: 3, within_s: 1800}    # so often: held until it has rested for as long
many_silent: {more_than: 5, within_s: 60}
watchdog_contacts: reach_scada     # or none: whether those of the relays are wired to SCADA
watchdog_exceptions: []            # ids of relays for which it is otherwise
targets: {per_day: 150, per_day_max: 300}

# audience: operator_alarm reaches SCADA; engineering_notice and security_event do not.
# off_delay_s: so long it must be away before it is over. latching: true holds it until it is reset.
entries:
  # What changed.
  - id: unplanned_change
    condition: unplanned_change    # while the investigation of the change is open
    audience: [operator_alarm, security_event]
    priority: medium
    on_delay_s: 0
    off_delay_s: 0
    consequence: The relay runs firmware or options that nobody approved with its settings, and
      may act otherwise than engineered.
    response: Call the engineer; don't switch the relay off.
    time_to_respond_min: 60
    reason: No delay, since two readings a minute apart have confirmed it. Medium, since
      protection goes on meanwhile.
  - id: replaced
    condition: replaced
    audience: [operator_alarm]
    priority: low
    on_delay_s: 0
    off_delay_s: 0
    consequence: Another box protects the bay; its settings and test are not on record.
    response: Ask who replaced it; call the engineer if nobody did.
    time_to_respond_min: 240
    reason: Confirmed before it is told. Low, since a box is mostly replaced by people who are
      known.
  - id: settings_changed
    condition: settings_changed
    audience: [operator_alarm]
    priority: low
    on_delay_s: 0
    off_delay_s: 0
    consequence: The relay may act otherwise than its setting sheet says.
    response: Call the engineer to compare the settings with those on record.
    time_to_respond_min: 240
    reason: Confirmed before it is told. Low, since settings are changed by people of the house as
      a rule.
  - id: wrong_version
    condition: wrong_version
    audience: [operator_alarm]
    priority: low
    on_delay_s: 0
    off_delay_s: 0
    consequence: The relay is back in the bay with firmware that was not planned for it.
    response: Call the engineer of the work; the bay is not to be returned to service as updated.
    time_to_respond_min: 60
    reason: No delay, it was read twice. Low, since whoever works on it is there.
  - id: not_done
    condition: not_done
    audience: [operator_alarm]
    priority: low
    on_delay_s: 0
    off_delay_s: 0
    consequence: The work is taken for done, and the relay is what it was before.
    response: Call the engineer of the work.
    time_to_respond_min: 240
    reason: No delay, since the relay was given time to come up. Low, since the relay protects as
      before.

  # What the relay says of itself, one entry a flag; its map says which bit that is.
  - id: flag.firmware_changed
    condition: flag
    flag: firmware_changed
    audience: [operator_alarm]
    priority: medium
    on_delay_s: 0
    off_delay_s: 0
    consequence: The relay says that its firmware was changed; it may act otherwise than engineered.
    response: Call the engineer; don't switch the relay off.
    time_to_respond_min: 60
    reason: No delay, since two readings agreed on it. Medium as the change itself, of which it is
      the first sign.
  - id: flag.hardware_changed
    condition: flag
    flag: hardware_changed
    audience: [operator_alarm]
    priority: low
    on_delay_s: 0
    off_delay_s: 0
    consequence: A part of the relay was changed, and its settings may not fit it.
    response: Ask who changed it; call the engineer if nobody did.
    time_to_respond_min: 240
    reason: No delay, since two readings agreed on it. Low, since hardware is changed by people at
      the relay.
  - id: flag.settings_changed
    condition: flag
    flag: settings_changed
    audience: [operator_alarm]
    priority: low
    on_delay_s: 0
    off_delay_s: 0
    consequence: The relay may act otherwise than its setting sheet says.
    response: Call the engineer to compare the settings with those on record.
    time_to_respond_min: 240
    reason: No delay, since two readings agreed on it. Low as the change of settings itself.
  - id: flag.restart_pending
    condition: flag
    flag: restart_pending
    audience: [operator_alarm]
    priority: low
    on_delay_s: 0
    off_delay_s: 0
    consequence: What was loaded acts only after a restart, which then comes when nobody expects it.
    response: Call the engineer, who plans the restart.
    time_to_respond_min: 480
    reason: No delay, since two readings agreed on it. Low, since the relay protects as before.
  - id: flag_left                  # raised by planned work, and standing after it
    condition: flag_left
    audience: [operator_alarm]
    priority: low
    on_delay_s: 0
    off_delay_s: 0
    consequence: The warning hides the next one, which nobody may have planned.
    response: Clear it as the family's own procedure says, or call the engineer of the work.
    time_to_respond_min: 480
    reason: No delay, since the work that raised it is over or its window is. Low, since it tells
      nothing new.
  - id: flag.support_ending
    condition: flag
    flag: support_ending
    audience: [engineering_notice]
    priority: low
    on_delay_s: 0
    off_delay_s: 0
    consequence: Faults that are found later are not mended by the maker.
    response: Plan the update or the replacement.
    time_to_respond_min: 43200
    reason: A notice, since nobody at the desk has anything to do.
  - id: flag.support_ended
    condition: flag
    flag: support_ended
    audience: [engineering_notice]
    priority: low
    on_delay_s: 0
    off_delay_s: 0
    consequence: Faults are not mended by the maker any more.
    response: Plan the update or the replacement.
    time_to_respond_min: 43200
    reason: A notice, since nobody at the desk has anything to do.
  - id: flag.storage_low
    condition: flag
    flag: storage_low
    audience: [engineering_notice]
    priority: low
    on_delay_s: 0
    off_delay_s: 0
    consequence: The next disturbance may not be recorded, and an update may not find room.
    response: Save the stored records, open the copies, then make room as the family's procedure
      says.
    time_to_respond_min: 10080
    reason: A notice, since protection is not touched and days are left.

  # How it is.
  - id: silent                     # so many misses in a row as the site says, three by default
    condition: silent
    audience: [operator_alarm]
    priority: low
    on_delay_s: 300
    off_delay_s: 60
    consequence: A change or a fault of this relay would not be seen.
    response: Look whether SCADA still hears it; tell the engineer of communications.
    time_to_respond_min: 480
    reason: Three misses and 300 s outlast a restart. 60 s off, for a line that comes and goes.
      Low, since protection does not need the network.
  - id: gateway_silent             # every relay behind one address is; in place of theirs
    condition: gateway_silent
    audience: [operator_alarm]
    priority: low
    on_delay_s: 300
    off_delay_s: 60
    consequence: Changes and faults of the relays behind it would not be seen.
    response: Look at the gateway and its supply; tell the engineer of communications.
    time_to_respond_min: 480
    reason: Delays as of a silent relay. One alarm, since there is one thing to mend.
  - id: many_silent                # more than five within 60 s; in place of theirs
    condition: many_silent
    audience: [operator_alarm]
    priority: low
    on_delay_s: 300
    off_delay_s: 60
    consequence: Changes and faults of many relays would not be seen.
    response: Look at the switches and at the poller's own link; tell the engineer of
      communications.
    time_to_respond_min: 240
    reason: Delays as of a silent relay. One alarm, since a switch or a link is what they have in
      common.
  - id: not_in_service             # behaviour is test, blocked, both or off
    condition: not_in_service
    audience: [operator_alarm]
    priority: medium
    on_delay_s: 900
    off_delay_s: 0
    consequence: The relay does not trip; a fault is cleared late, by others.
    response: Ask who tests it; if nobody does, call the engineer to return it to service.
    time_to_respond_min: 30
    reason: 15 min, since a test that is watched is shorter or is work of its own. Medium, since
      the bay is protected by its other relay at most.
  - id: identity_unreadable        # for half an hour, or as long as the site says
    condition: identity_unreadable
    audience: [operator_alarm]
    priority: low
    on_delay_s: 0
    off_delay_s: 0
    consequence: A change of this relay would not be seen.
    response: Tell the engineer.
    time_to_respond_min: 480
    reason: No delay, since half an hour has passed before it is told. Low, since the relay
      protects.
  - id: no_valid_map
    condition: no_valid_map
    audience: [operator_alarm]
    priority: low
    on_delay_s: 0
    off_delay_s: 0
    consequence: The relay is not what its maps are for, and nothing else is read of it.
    response: Tell the engineer, who writes a map or finds out what stands there.
    time_to_respond_min: 480
    reason: No delay, since its identity was read. Low, since the relay protects.
  - id: duplicate_serial
    condition: duplicate_serial
    audience: [operator_alarm]
    priority: low
    on_delay_s: 0
    off_delay_s: 0
    consequence: One relay is read twice and another not at all, whose changes would not be seen.
    response: Tell the engineer, who compares the addresses.
    time_to_respond_min: 480
    reason: No delay, since it does not pass by itself. Low, since no relay is at fault.
  - id: relay_failure              # of relays whose watchdog contact is not wired to SCADA
    condition: relay_failure
    audience: [operator_alarm]
    priority: high
    on_delay_s: 10
    off_delay_s: 60
    consequence: The relay does not protect, and nothing else tells the desk.
    response: Call the protection engineer at once; look whether the bay's other relay is healthy.
    time_to_respond_min: 10
    reason: 10 s, as a relay may say so while it starts. High, since here no watchdog contact
      tells it.
  - id: relay_failure_wired        # of relays whose watchdog contact is
    condition: relay_failure_wired
    audience: [engineering_notice]
    priority: low
    on_delay_s: 10
    off_delay_s: 60
    consequence: The relay does not protect; its watchdog contact tells the desk.
    response: Compare what the relay says with the alarm of its contact.
    time_to_respond_min: 60
    reason: A notice, since the wired contact is the alarm, and sooner.

  # Against the approved list.
  - id: firmware.approved_older
    condition: firmware_status
    status: approved_older
    audience: [engineering_notice]
    priority: low
    on_delay_s: 0
    off_delay_s: 0
    consequence: The relay can be updated; nothing else.
    response: Plan the update with the next outage of the bay.
    time_to_respond_min: 43200
    reason: A notice, since the version is approved.
  - id: firmware.withdrawn
    condition: firmware_status
    status: withdrawn
    audience: [engineering_notice]
    priority: medium
    on_delay_s: 0
    off_delay_s: 0
    consequence: The relay runs a version that must not run any more.
    response: Read why it was withdrawn, and plan the update.
    time_to_respond_min: 10080
    reason: A notice, since the desk can do nothing about it. Medium, since it is not to wait for
      the next outage.

  # The poller's own.
  - id: output_away
    condition: output_away
    audience: [engineering_notice]
    priority: low
    on_delay_s: 300
    off_delay_s: 60
    consequence: What is found out does not reach those who take it from this output; it is kept
      for them.
    response: Look at the broker or the peer, and at the way to it.
    time_to_respond_min: 480
    reason: 300 s outlast a restart of a broker. A notice, since whoever misses the messages sees
      it themselves.
  - id: disk_low
    condition: disk_low
    audience: [engineering_notice]
    priority: medium
    on_delay_s: 60
    off_delay_s: 60
    consequence: The journal can't grow any more, and judging pauses.
    response: Make room on the disk of the poller's computer.
    time_to_respond_min: 1440
    reason: 60 s, as temporary files come and go. A notice, since relays and SCADA are not touched.
  - id: clock_wrong
    condition: clock_wrong
    audience: [engineering_notice]
    priority: low
    on_delay_s: 60
    off_delay_s: 300
    consequence: The times in the journal are not those of the relays and of SCADA.
    response: Look at the time service of the poller's computer.
    time_to_respond_min: 1440
    reason: 60 s, as a clock is set when the computer starts. A notice, since intervals do not
      hang on it.
  - id: journal_failing
    condition: journal_failing
    audience: [engineering_notice]
    priority: medium
    on_delay_s: 60
    off_delay_s: 60
    consequence: Nothing new is judged or told until the journal takes it.
    response: Look at the disk of the poller's computer and at its messages.
    time_to_respond_min: 60
    reason: 60 s, as a slow disk catches up. A notice that SCADA can't get either, since nothing
      is told before it is durable.
"""
