"""Every restriction of a key in the site and in maps, each once: taking one out fails here.

That pydantic holds to its own schema is taken for granted; what it says then, the corpus shows.
Bounds that are not ours: 125 registers and 2000 bits are MODBUS Application Protocol V1.1b3, 6.1
and 6.3; 255 characters are VisString255 of IEC 61850-7-3. The others are from memory.
"""

from __future__ import annotations

import pytest

from tests.site.shape_rows import rows

ROWS = r"""
AdvisoryFamilies needs format
AdvisoryFamilies.elsewhere ..200 entries
AdvisoryFamilies.families ..200 entries
AdvisoryFamilies.folder 1..255 characters
AdvisoryFamilies.format one of 1
Approved needs format
Approved.format one of 1
Approved.rules ..200 entries
Ascii needs address registers table type
Ascii.address 0..65536
Ascii.byte_order one of high_first low_first
Ascii.length 1..255
Ascii.registers 1..125
Ascii.table one of holding input coil discrete
Ascii.type one of ascii
Bcd needs address registers table type
Bcd.address 0..65536
Bcd.digits 1..32
Bcd.registers 1..8
Bcd.table one of holding input coil discrete
Bcd.type one of bcd
Bcd.word_order one of high_first low_first
BinaryTime needs address table type
BinaryTime.address 0..65536
BinaryTime.byte_order one of high_first low_first
BinaryTime.table one of holding input coil discrete
BinaryTime.type one of cp56time2a
Bool needs address table type
Bool.address 0..65536
Bool.bit 0..15
Bool.table one of holding input coil discrete
Bool.type one of bool
Broker needs host
Broker.host 1..255 characters
Broker.keepalive_s 5..600
Broker.maximum_packet_size 2048..268435460
Broker.port 1..65535
Broker.protocol one of 5 3.1.1
Catalogue needs entries format
Catalogue.acknowledged_over one of bayroll mqtt opcua
Catalogue.entries ..200 entries
Catalogue.format one of 1
Catalogue.shelving_max_h 1..8
Catalogue.watchdog_contacts one of reach_scada none
Catalogue.watchdog_exceptions ..5000 entries
Catalogue.watchdog_exceptions each spelled ^[a-z0-9-]{1,40}$
Chattering.count 2..10
Chattering.within_s 60..86400
Digest needs by how on source
Digest.by 1..255 characters
Digest.how 1..500 characters
Digest.source 1..255 characters
Dotted needs kind
Dotted.kind one of dotted
DottedServicePack needs kind
DottedServicePack.kind one of dotted_service_pack
Entry needs audience condition consequence id off_delay_s on_delay_s priority reason response
  time_to_respond_min
Entry.audience 1..2 entries
Entry.audience each one of operator_alarm engineering_notice security_event
Entry.condition one of unplanned_change replaced settings_changed wrong_version not_done flag
  flag_left silent not_in_service identity_unreadable no_valid_map duplicate_serial relay_failure
  relay_failure_wired firmware_status gateway_silent many_silent output_away disk_low clock_wrong
  journal_failing
Entry.consequence 1..500 characters
Entry.flag spelled ^[a-z][a-z0-9_]{0,39}$
Entry.id spelled ^[a-z0-9_]{1,40}(\.[a-z0-9_]{1,40})?$
Entry.off_delay_s 0..86400
Entry.on_delay_s 0..86400
Entry.priority one of low medium high
Entry.reason 1..500 characters
Entry.response 1..500 characters
Entry.status one of current approved_older not_approved withdrawn newer_than_target not_comparable
  no_rule not_read
Entry.time_to_respond_min 1..43200
Enumerated needs address names table type
Enumerated.address 0..65536
Enumerated.names 1..1024 keys
Enumerated.names each 1..255 characters
Enumerated.table one of holding input coil discrete
Enumerated.type one of enum
EpochTime needs address table type
EpochTime.address 0..65536
EpochTime.table one of holding input coil discrete
EpochTime.type one of epoch_s
EpochTime.width one of u32 u64
EpochTime.word_order one of high_first low_first
Family needs family id named relays version_scheme
Family.family 1..255 characters
Family.firmware spelled ^[a-z][a-z0-9_]{0,39}$
Family.id spelled ^[a-z0-9-]{1,40}$
FarEnd needs relay substation version
FarEnd.relay 1..255 characters
FarEnd.substation 1..255 characters
FarEnd.version 1..255 characters
Fits.models each 1..255 characters
Fits.order_codes each 1..255 characters
Fits.vendors each 1..255 characters
FlagBit needs address flag table type
FlagBit.address 0..65536
FlagBit.bit 0..15
FlagBit.flag spelled ^[a-z][a-z0-9_]{0,39}$
FlagBit.table one of holding input coil discrete
FlagBit.type one of bool
FlagBits needs address bits table type
FlagBits.address 0..65536
FlagBits.bits 1.. keys
FlagBits.bits each spelled ^[a-z][a-z0-9_]{0,39}$
FlagBits.registers 1..4
FlagBits.table one of holding input coil discrete
FlagBits.type one of bits
FlagCode needs address codes table type
FlagCode.address 0..65536
FlagCode.codes 1..1024 keys
FlagCode.codes each each spelled ^[a-z][a-z0-9_]{0,39}$
FlagCode.table one of holding input coil discrete
FlagCode.type one of codes
FlagMeaning needs cleared_by kind says
FlagMeaning.active one of one zero
FlagMeaning.cleared_by one of itself relay_procedure engineering_tool front_panel restart
FlagMeaning.kind one of latched live
FlagMeaning.says 1..255 characters
Hardware.from 1..255 characters
Hardware.to 1..255 characters
IdentificationObject needs object
IdentificationObject.object 0..255
IdentificationObject.type one of ascii
Intervals.confirm_after_restart_s 1..3600
Intervals.confirm_s 1..3600
Intervals.nameplate_s 1..86400
Intervals.reply_timeout_s 0.1..60
Intervals.rest_ms 0..10000
Intervals.silent_misses 1..100
Intervals.status_s 1..86400
Intervals.unreadable_s 1..86400
JournalPlace.file 1..255 characters
JournalPlace.keep_days 90..36500
LargestRead.bits 1..2000
LargestRead.registers 1..125
LineEnds needs kind members pairs
LineEnds.kind one of line_ends
LineEnds.members 1..100 entries
LineEnds.members each spelled ^[a-z0-9-]{1,40}$
LineEnds.pairs 1..64 entries
LineEnds.pairs each 2..2 entries
LineEnds.pairs each each 1..255 characters
ManySilent.more_than 1..1000
ManySilent.within_s 1..3600
Match.models ..16 entries
Match.models each 1..255 characters
Match.order_code 1..255 characters
Match.vendors ..16 entries
Match.vendors each 1..255 characters
Named needs products
Named.products 1..16 entries
Named.products each 1..255 characters
Named.vendors ..16 entries
Named.vendors each 1..255 characters
Number needs address table type
Number.address 0..65536
Number.table one of holding input coil discrete
Number.type one of u16 i16 u32 i32 u64 i64 f32 f64
Number.word_order one of high_first low_first
Package needs digest file sha256 size version
Package.file 1..255 characters
Package.key 1..255 characters
Package.sha256 spelled ^[0-9a-f]{64}$
Package.size 1..4294967296
Package.version 1..255 characters
Page.host 1..255 characters
Page.names ..16 entries
Page.names each 1..255 characters
Page.port 1..65535
Page.session_h 1..168
PageTls needs certificate key
PageTls.certificate 1..255 characters
PageTls.key 1..255 characters
Part needs address
Part.address 0..65536
Part.octet one of high low
Pattern needs kind order pattern
Pattern.kind one of pattern
Pattern.order 1..8 entries
Pattern.order each spelled ^[a-z][a-z0-9_]{0,39}$
Pattern.pattern 1..200 characters
Procedure.failed 1..500 characters
Procedure.free_memory 1..500 characters
Procedure.hardware 1..500 characters
Procedure.health 1..500 characters
Procedure.in_service 1..500 characters
Procedure.lifecycle_warning 1..500 characters
Procedure.no_answer 1..500 characters
Procedure.settings 1..500 characters
Procedure.test 1..500 characters
Range needs first last table
Range.first 0..65536
Range.last 0..65536
Range.table one of holding input coil discrete
Redundant needs kind members
Redundant.kind one of redundant
Redundant.members 1..100 entries
Redundant.members each spelled ^[a-z0-9-]{1,40}$
Redundant.soak_h 0..720
RegisterMap needs family format identity map numbering version_scheme
RegisterMap.byte_order one of high_first low_first
RegisterMap.components ..64 keys
RegisterMap.family 1..255 characters
RegisterMap.flags ..512 keys
RegisterMap.format one of 1
RegisterMap.identification one of basic regular extended individual
RegisterMap.map spelled ^[a-z0-9][a-z0-9-]{0,39}$
RegisterMap.numbering one of zero_based one_based
RegisterMap.ranges ..256 entries
RegisterMap.word_order one of high_first low_first
RelayEntry needs bay function host id maps
RelayEntry.bay 1..255 characters
RelayEntry.client_slots 1..16
RelayEntry.function 1..255 characters
RelayEntry.host 1..255 characters
RelayEntry.id spelled ^[a-z0-9-]{1,40}$
RelayEntry.maps 1..16 entries
RelayEntry.maps each spelled ^[a-z0-9][a-z0-9-]{0,39}$
RelayEntry.port 1..65535
RelayEntry.unit 0..255
Relays needs models
Relays.models 1..16 entries
Relays.models each 1..255 characters
Relays.vendors ..16 entries
Relays.vendors each 1..255 characters
RevisionLetters needs kind
RevisionLetters.kind one of revision_letters
Rule needs approved family id match target version_scheme
Rule.approved 1..100 entries
Rule.approved each 1..255 characters
Rule.family 1..255 characters
Rule.fetched_by one of family order_code serial_number
Rule.firmware spelled ^[a-z][a-z0-9_]{0,39}$
Rule.id spelled ^[a-z0-9-]{1,40}$
Rule.packages ..100 entries
Rule.steps ..200 entries
Rule.target 1..255 characters
Rule.withdrawn ..100 entries
Secret.env spelled ^[A-Za-z_][A-Za-z0-9_]{0,254}$
Secret.file 1..255 characters
SharedZone needs kind members
SharedZone.kind one of shared_zone
SharedZone.members 1..100 entries
SharedZone.members each spelled ^[a-z0-9-]{1,40}$
SiteFile needs format name relays site
SiteFile.advisories 1..255 characters
SiteFile.alarms 1..255 characters
SiteFile.approved 1..255 characters
SiteFile.asset_class one of high medium low none
SiteFile.format one of 1
SiteFile.maps_folder 1..255 characters
SiteFile.name 1..255 characters
SiteFile.protection_groups ..5000 keys
SiteFile.relays 1..5000 entries
SiteFile.site spelled ^[a-z0-9-]{1,40}$
SiteFile.source_address 1..255 characters
SiteFile.status_publish_s 1..86400
StatusFields.flags ..512 entries
Step needs can_be_undone direction from minutes retry_allowed settings_survive to
Step.direction one of update rollback
Step.from 1..255 characters
Step.memory_kb 0..4294967295
Step.minutes 1..1440
Step.to 1..255 characters
Targets.per_day 1..10000
Targets.per_day_max 1..10000
Tls needs ca
Tls.ca 1..255 characters
Tls.certificate 1..255 characters
Tls.key 1..255 characters
VersionParts needs address parts pattern table type
VersionParts.address 0..65536
VersionParts.parts 1..8 entries
VersionParts.pattern 1..255 characters
VersionParts.table one of holding input coil discrete
VersionParts.type one of version_parts
Versions.below 1..255 characters
Versions.from 1..255 characters
Withdrawn needs on version why
Withdrawn.version 1..255 characters
Withdrawn.why 1..500 characters
WorkSettings.bays_at_once 1..100
WorkSettings.soak_s 1..604800
"""
LINES = ROWS.strip().replace("\n  ", " ").splitlines()


@pytest.mark.parametrize("row", LINES)
def test_a_key_is_held_to_its_restriction(row: str) -> None:
    assert row in rows()


def test_no_restriction_is_missing_from_the_table() -> None:
    assert [row for row in rows() if row not in LINES] == []
