"""Every bound of the program, with its reason. Nothing grows past a number that stands here."""

from typing import Final

# Text. IEC 61850-7-3 gives nameplate attributes as VisString255.
TEXT_MAX: Final = 255
PERSON_MAX: Final = 80  # who
REASON_MAX: Final = 500  # why, reference, note
SENTENCE_TEXT_MAX: Final = 80  # of one text inside a sentence, so that it stays a sentence
SENTENCE_CHANGES_MAX: Final = 4  # told one by one in a sentence; more are counted
SENTENCE_MAX: Final = 1_500  # the longest sentence that these bounds allow

# Versions. A pattern's work grows with the text, and no version is longer.
VERSION_TEXT_MAX: Final = 64
VERSION_REVISION_LETTERS_MAX: Final = 2  # 702 revisions; three letters are a word
VERSION_PATTERN_MAX: Final = 200  # characters of a scheme's pattern; past it nobody can read it
VERSION_PATTERN_REPEATS_MAX: Final = 6  # of * + {1,3}: each multiplies a failing match
VERSION_PATTERN_OPTIONS_MAX: Final = 8  # of ?: each doubles a failing match
VERSION_PATTERN_WAYS_MAX: Final = 100_000  # of trying one text; some milliseconds
VERSION_PATTERNS_KEPT: Final = 256  # compiled; a site has a few maps with a pattern each
VERS_TEXT_MAX: Final = 4_096  # of a range of versions; a maker's longest has some hundred
VERS_CONSTRAINTS_MAX: Final = 256

# Files. A site of 1,000 relays takes about 300 KB; maps stay far below.
FILE_BYTES_MAX: Final = 4 * 1024 * 1024
YAML_DEPTH_MAX: Final = 24
YAML_NODES_MAX: Final = 200_000  # keys and values; 5,000 relays with 15 keys each have 150,000
YAML_ENTRIES_MAX: Final = 10_000  # of one list or map; each may be at fault in five ways
YAML_WORD_MAX: Final = 10_000  # characters of a tag; the parser's work grows with their square
RELAYS_MAX: Final = 5_000
GROUPS_MAX: Final = 5_000  # protection groups: one for each relay, if each had its own
GROUP_MEMBERS_MAX: Final = 100  # the bays of one busbar
GROUP_PAIRS_MAX: Final = 64  # firmware versions that two line ends may have together
MAPS_PER_RELAY_MAX: Final = 16
FIELDS_MAX: Final = 512
COMPONENTS_MAX: Final = 64  # parts with firmware of their own; relays have a handful
CODES_MAX: Final = 1_024  # names of one enumeration
RANGES_MAX: Final = 256
PROBLEMS_MAX: Final = 200  # told at once; more is said to be more
PROBLEM_TEXT_MAX: Final = 800  # characters of what is wrong, where, or how to mend it

# The approved list. Each two rules for one firmware are held against each other.
APPROVED_RULES_MAX: Final = 200  # families of a substation, with a handful of components each
APPROVED_GLOBS_MAX: Final = 16  # makers or models of one family
APPROVED_VERSIONS_MAX: Final = 100  # a family's firmware over its life
APPROVED_STEPS_MAX: Final = 200
PACKAGE_BYTES_MAX: Final = 4 * 1024**3  # a relay's firmware is some MB, with tools some hundred

# Advisories. CSAF 2.0, appendix C: what every reader of documents should take.
CSAF_BYTES_MAX: Final = 16 * 1024 * 1024  # C.1: 15 MB
CSAF_DEPTH_MAX: Final = 80  # parts in one another; a tree of 30 branches, each with its list
CSAF_PRODUCTS_MAX: Final = 100_000  # C.2: entries of most lists; more of some fit into no 15 MB
CSAF_BONDS_MAX: Final = 8  # relationships of relationships; each doubles what is looked at
CSAF_LINES_MAX: Final = 20_000  # of one document that name families here; each meets every box
CSAF_TEXT_MAX: Final = 250_000  # C.3: of the longest; what is shown of it is far less
CSAF_ID_MAX: Final = 1_000  # C.3: of an id of a product or group
CSAF_DOCUMENTS_MAX: Final = 2_000  # of a folder: some makers' of twenty years

# Files of other programs. A station description of a large substation is 20 to 40 MiB long.
SCL_BYTES_MAX: Final = 64 * 1024 * 1024
SCL_TAG_BYTES_MAX: Final = 1024 * 1024  # of a tag or comment, which is held as one piece
SCL_DEPTH_MAX: Final = 64  # elements inside one another; IEC 61850-6 itself needs under 20
SCL_NAMES_MAX: Final = 10_000  # different names of elements and attributes; they are all kept
SCL_KEPT_MAX: Final = 100_000  # devices, addresses, types and bays remembered of one file
SCL_TOLD_MAX: Final = 4  # things of one kind told of an IED one by one; more are counted
CSV_COLUMNS_MAX: Final = 64  # a relay has under 20; more come of a spreadsheet that is no list

# Modbus. MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4 and 4.1.
REGISTERS_MAX: Final = 125
BITS_MAX: Final = 2_000
PDU_BYTES_MAX: Final = 253
MBAP_LENGTH_MIN: Final = 3  # unit, function code and one octet
MBAP_LENGTH_MAX: Final = 254  # unit and the largest PDU
# One identification: object ids are one octet, and a device may send one object a transaction.
IDENTIFICATION_OBJECTS_MAX: Final = 256
IDENTIFICATION_TURNS_MAX: Final = 32
STRAY_FRAMES_MAX: Final = (
    8  # frames of another transaction taken per request before the link closes
)

# Judging and journal.
EVENTS_WAITING_MAX: Final = 1_000  # not yet durable; past it judging pauses
COMMIT_BATCH_MAX: Final = 500
SNAPSHOT_EVERY: Final = 10_000
SAMPLES_PER_RELAY_MAX: Final = 1_000
EVENT_BYTES_MAX: Final = 1024 * 1024 * 5  # site_loaded carries the text of a site
SITE_BYTES_MAX: Final = EVENT_BYTES_MAX - 1024 * 1024  # of its files as recorded; the rest is ample
COMMAND_ANSWERS_MAX: Final = 10_000  # remembered, so that a repeated command gets its first answer
COMMITS_WAITING_MAX: Final = 64  # callers with events before the committing thread; more wait
SNAPSHOTS_KEPT: Final = 2  # the newest, and the one before in case it does not fit
STATE_BYTES_MAX: Final = 32 * 1024 * 1024  # 5,000 relays, each with nameplate, baseline and flags
PRUNE_EVENTS_MAX: Final = 50_000  # dropped in one transaction, which holds up commits meanwhile

# Work, investigations, boxes: what the state remembers; the journal keeps them all.
BOOK_KEPT: Final = 5_000  # works, and as many investigations; the oldest ended ones are dropped
WORK_NOTES_MAX: Final = 50  # of one piece of work
WORK_RELAYS_MAX: Final = 100  # planned by one command: a substation's
WORKS_OPEN_MAX: Final = 1_000  # each is looked at every few seconds; a fleet's campaign has fewer
WORK_EXPECTS_MAX: Final = 64  # attributes that one plan names; a relay has 10, and a few parts
WORK_WINDOW_DAYS_MAX: Final = 31  # an outage is hours; past a month it would excuse any change
OBJECTIONS_TOLD_MAX: Final = 20  # rules that one request breaks, told one by one
WORK_TRIES_MAX: Final = 5  # starts of one piece of work; a procedure permits two at most
WORK_READY_AHEAD_DAYS: Final = 7  # before its window; nobody makes ready for what is further off
WORK_READY_AGAIN_S: Final = 60.0  # clear for so long before it is ready again, should it flutter
ASSETS_MAX: Final = 20_000  # boxes: 5,000 positions over the years, and the shelf
ASSET_PLACES_MAX: Final = 20  # of one box

# The year of updates: what the state remembers; the journal keeps it all.
BULLETINS_KEPT: Final = 1_000  # makers send a few a year
EXCEPTIONS_KEPT: Final = 5_000  # one for each relay
EVALUATIONS_KEPT: Final = 200  # makers of one substation
PACKAGES_KEPT: Final = 2_000  # checked: a handful of versions of each family
PACKAGE_FILES_MAX: Final = 20  # checked by one command
AGAINST_MAX: Final = 50  # sentences of one check
ARCHIVE_ENTRIES_MAX: Final = 10_000  # of a package; tools with all their parts have some thousand
ARCHIVE_BYTES_MAX: Final = 8 * 1024**3  # of all that it holds; none is larger
ARCHIVE_RATIO_MAX: Final = 200  # what it holds against its own size; text packs to a twentieth
ARCHIVE_INDEX_MAX: Final = 16 * 1024**2  # octets of a directory, or of one header, held at once
ARCHIVE_TOLD_MAX: Final = 200  # entries told one by one; more are counted
SIGNED_BYTES_MAX: Final = 512 * 1024**2  # Ed25519 signs the whole file, which is held at once
KEY_BYTES_MAX: Final = 64 * 1024  # of a key or a signature
RSA_BITS_MIN: Final = 2_048  # NIST SP 800-131A (from memory)
OUTAGE_WINDOWS_MAX: Final = 500  # two a week for five years
OUTAGE_BAYS_MAX: Final = 100  # out at once: the bays of one busbar
OUTAGE_CHOICES_MAX: Final = 1_000  # fixed, forbidden, deadlines: one for each of a fleet's steps
OUTAGE_STEPS_MAX: Final = 5_000  # of one plan: one for each relay
OUTAGE_TOLD_MAX: Final = 6  # windows named one by one in a sentence; more are counted

# Evidence: what one report holds of a journal of any length.
EVIDENCE_ROWS_MAX: Final = 100_000  # changes, baselines, steps; a fleet's three years have fewer
EVIDENCE_GAPS_MAX: Final = 200  # of one relay; the longest are named, the rest counted
EVIDENCE_WHY_MAX: Final = 6  # reasons of one gap; nobody reads more
EVIDENCE_READINGS_MAX: Final = 2_000  # days of front-panel readings of one relay
EVIDENCE_STEPS_MAX: Final = 200  # of one piece of work; moves, notes, rules set aside
EVIDENCE_CONFIGURATIONS_MAX: Final = 12  # whose text is in a report: one a month
EVIDENCE_MAKE_S: Final = 600.0  # for the page; some million events take a few minutes
EVIDENCE_FILES_MAX: Final = 1_000  # of a bundle that is checked; we write some dozen

# Alarms: what the state remembers; the journal keeps them all.
ALARMS_KEPT: Final = 10_000  # two of each of 5,000 relays, at once, is past any list of alarms
ALARM_OCCURRENCES_MAX: Final = 20  # of one alarm, each told anew; nobody takes in more at once
ALARM_RECENT_MAX: Final = 10  # times at which the operator was told; chattering counts them
ALARM_ENTRIES_MAX: Final = 200  # of a catalogue; the shipped one has some thirty
SHELVED_H_MAX: Final = 8  # a shift: whoever shelved it is still there when it comes back
OWN_FACTS_MAX: Final = 64  # about the poller itself: its outputs and a handful more
DISK_FREE_MIN: Final = 500_000_000  # bytes: a year of a busy journal

# Points of plain protocols: given once, for ever.
POINT_BLOCKS_MAX: Final = 20_000  # 5,000 positions over the years, and gateways
POINT_PLACES_MAX: Final = 512  # 200 entries at once, and those that were renamed or taken out

# Publishing.
OUTPUT_BATCH_MAX: Final = 500
NEWEST_EVENT_OCTETS: Final = 64 * 1024  # of those kept for outputs, a batch of them: 32 MiB at most
OUTPUT_LAG_MAX: Final = 1_000_000  # events behind; past it an output skips and says output_gap
OUTPUT_RETRY_FIRST_S: Final = 0.5  # a broker that restarts is back within seconds
OUTPUT_RETRY_CAP_S: Final = 30.0  # a dead one costs two tries a minute
RETAINED_LOOK_S: Final = 1.0  # how often live status is looked at for a change worth a message
WORK_CLEARED_MAX: Final = 100  # ended last, cleared at each start: more than end within a second
ALARMS_CLEARED_MAX: Final = 500  # over last, cleared at each start: more than a flood's
# MQTT. 20: Mosquitto's own default for messages under way to or from one client.
MQTT_IN_FLIGHT_MAX: Final = 20
MQTT_CONNECT_S: Final = 5.0  # TCP, then TLS, then CONNACK, each
MQTT_GOODBYE_S: Final = 1.0  # of the two seconds within which the service ends
MQTT_HEARD_MAX: Final = 16  # acknowledgements and births asked for; what is more is dropped
MQTT_HEARD_BYTES_MAX: Final = 16 * 1024  # of one packet of theirs: acknowledgements, a goodbye
MQTT_OVERHEAD_BYTES: Final = 512  # header, topic and properties beside a payload
# Sparkplug. A host that lost its place asks for births; many may at once, when they come back.
SPARKPLUG_REBIRTH_REST_S: Final = 5.0  # after births; meanwhile a host goes on with what it has
SPARKPLUG_STEP_EVENTS: Final = 50  # between two confirmations: so many are told again at most
SPARKPLUG_ID_MAX: Final = 64  # of a group, a node, a host: topics carry them in every message
# Syslog. RFC 5424, 6.1: every receiver takes 480 octets, and should take 2,048.
SYSLOG_OCTETS_MIN: Final = 480
SYSLOG_OCTETS_MAX: Final = 8_192  # RFC 5425, 4.3.1: receivers should take so many
SYSLOG_UDP_OCTETS: Final = 1_180  # RFC 5426, 3.2: what every receiver over IPv6 takes, unfragmented
SYSLOG_TLS_OCTETS: Final = 2_048  # RFC 5425, 4.3.1: what every receiver takes
SYSLOG_HOST_MAX: Final = 64  # Linux's own; structured data must fit into 480 octets beside it
SYSLOG_CONNECT_S: Final = 5.0  # name, TCP and TLS together
SYSLOG_TAKE_S: Final = 60.0  # for a receiver to take what it was sent: a minute for 500 messages
SYSLOG_UDP_BURST: Final = 20  # datagrams at once; a receiver's usual buffer holds some 90
SYSLOG_UDP_REST_S: Final = 0.01  # after them
SYSLOG_HEED_S: Final = 0.2  # for a refusal to come back; longer than any way within a country
SYSLOG_HEAD_S: Final = 3_600.0  # between two heads of the journal: so much could be cut off unseen
SYSLOG_HEAD_EVENTS: Final = 1_000  # or so many events

# Alarm points over Modbus TCP.
POINT_CLIENTS_MAX: Final = 64  # front ends of every control room and their spares
POINT_NETWORKS_MAX: Final = 64  # from which clients may come
POINT_REQUESTS_AT_ONCE: Final = 16  # of one client; guide 4.4.2: a server's transactions, 1 to 16

# IEC 60870-5-104.
IEC104_CLIENTS_MAX: Final = 64  # control centres, their spares, and somebody who looks
IEC104_GROUPS_MAX: Final = 16  # each has a queue of its own
IEC104_K_MAX: Final = 1_000  # frames under way; 12 is usual
IEC104_WAITING_MAX: Final = 10_000  # changes for one group, while another takes them
IEC104_BEHIND_MAX: Final = 100_000  # events that are read again for a group that took them not
IEC104_ANSWERS_MAX: Final = 64  # a client sends some commands at once and waits for answers
IEC104_HANDSHAKE_S: Final = 5.0  # of TLS
IEC104_LOOK_S: Final = 0.1  # for what happens while a client has yet to confirm what did
IEC104_NOTE_S: Final = 1.0  # between two notes of how far each group is

# A process of its own for an output.
CHILD_TOLD_MAX: Final = 4 * 1024 * 1024  # octets of a line to it: the alarms of 5,000 relays
CHILD_LINE_MAX: Final = 64 * 1024  # octets of a line from it: what was acknowledged, by whom, why
CHILD_SILENT_S: Final = 20.0  # it says that it goes round five times in between
CHILD_GOODBYE_S: Final = 1.0  # of the two seconds within which the service ends
CHILD_ERROR_OCTETS: Final = 4_096  # of its stderr at once; a longer line is told in pieces
CHILD_ERROR_LINES: Final = 100  # of its stderr in a minute; more are counted

# OPC UA. The process that serves it may be asked by anybody who reaches its port.
OPCUA_SESSIONS_MAX: Final = 32  # control rooms, their spares, and an engineer's browser
OPCUA_SUBSCRIPTIONS_MAX: Final = 128  # of all sessions: four each
OPCUA_ITEMS_MAX: Final = 20_000  # monitored, of one session: a site of 1,000 relays, all values
OPCUA_QUEUE_MAX: Final = 2_000  # events for one who is slow: more than a refresh of a site brings
OPCUA_UNACKED_MAX: Final = 20  # notifications kept to be sent again; more are told by a refresh
OPCUA_OPERATIONS_MAX: Final = 1_000  # of one request: reads, browses, items
OPCUA_CHUNK_OCTETS: Final = 65_536  # OPC 10000-6, 7.1.2.3 asks for 8,192 at least
OPCUA_MESSAGE_OCTETS: Final = 1024 * 1024  # a request of so many operations takes less
OPCUA_WAITING_MAX: Final = 100  # requests of one connection; a client has a dozen under way
OPCUA_ACTIVATION_S: Final = 10.0  # from the connection to a session
OPCUA_SESSION_S: Final = 60.0  # without a request, and the session and what it subscribed to go
OPCUA_PUBLISHING_MS: Final = (100.0, 60_000.0)  # relays are read every minute; 0 would never rest
OPCUA_TRUSTED_MAX: Final = 200  # files in the folder of trusted certificates
OPCUA_PEOPLE_MAX: Final = 100  # who may sign in
OPCUA_CONDITION_NODES_MAX: Final = 1_000  # each of 30 nodes; past it alarms are events only
OPCUA_EVENT_IDS_KEPT: Final = 16  # of one alarm, by which it may be acknowledged
OPCUA_ASKED_MAX: Final = 16  # acknowledgements on their way to the book
OPCUA_ANSWER_S: Final = 10.0  # for the book to answer; a commit takes milliseconds

# The page: anybody who reaches its port may ask it.
PAGE_NAMES_MAX: Final = 16  # by which people open it
PAGE_CONNECTIONS_MAX: Final = 200  # thirty people, each with the six that a browser opens
PAGE_HEAD_OCTETS: Final = 16 * 1024  # of a request's head; a browser's takes under 2 KiB
PAGE_BODY_OCTETS: Final = 64 * 1024  # of a form or a command; a plan of work takes under 20 KiB
PAGE_HEAD_S: Final = 10.0  # from the connection, or the answer before, to a whole head
PAGE_BODY_S: Final = 10.0  # for the rest of the request
PAGE_SEND_S: Final = 20.0  # for a browser to take what it is sent; past it the connection ends
PAGE_GOODBYE_S: Final = 1.0  # of the two seconds within which the service ends
PAGE_THREADS: Final = 2  # that read the journal and draw, beside the loop
PAGE_WAITING_MAX: Final = 64  # requests that wait for one of them; more are told to come back
PAGE_ROWS_MAX: Final = 200  # events of the journal in one answer
PAGE_LOOKED_MAX: Final = 4_000  # events looked at for one answer: a fifth of a second of a thread
TIMELINE_EVENTS_MAX: Final = 1_000  # of a relay in one picture; more could not be told apart
PAGE_STREAMS_MAX: Final = 64  # of changes: one for each page that somebody looks at
PAGE_MOVED_KEPT: Final = 2_000  # events of which a page that lost its stream is told what moved
SPREAD_TURNS_MAX: Final = 5_000  # of one rule: 1,000 relays, each updated five times
PAGE_READ_S: Final = 5.0  # between two tellings of when relays were read, and two signs of life
PAGE_CALM_S: Final = 0.25  # between two tellings of what moved: a start-up's thousand come as few
PAGE_SESSIONS_MAX: Final = 200
PAGE_SESSIONS_OF_ONE_MAX: Final = 8  # places at which one person is signed in; the oldest ends
PAGE_ACTING_IDLE_S: Final = 1_800.0  # after it, who may do more than look signs in again
PAGE_TRIES_S: Final = 300.0  # within which wrong passwords are counted
PAGE_TRIES_OF_NAME_MAX: Final = 10  # in that time; with 12 characters nobody guesses so
PAGE_TRIES_OF_ADDRESS_MAX: Final = 20  # some people behind one proxy
PAGE_TRIED_MAX: Final = 1_000  # names and addresses of which tries are remembered
PAGE_HASHES_AT_ONCE: Final = 2  # passwords tried at a time: each takes 64 MiB and a tenth second
PAGE_NOTED_MAX: Final = 20  # comings and refusals of a user, or of all strangers, told one by one
PAGE_NOTED_S: Final = 600.0  # in that time; what is more is counted: strangers make 3,000 a day
PAGE_KEPT_S: Final = 2.0  # for such an event to be durable; past it nobody waits for it
USERS_MAX: Final = 200  # who may sign in, of one substation
PASSWORD_MIN: Final = 12  # characters
PASSWORD_MAX: Final = 128

# Control socket.
CONTROL_LINE_MAX: Final = 256 * 1024
COMMAND_ID_MAX: Final = 64  # a UUID has 36
CONTROL_CLIENTS_MAX: Final = 16
ERRANDS_MAX: Final = 64  # requests of people waiting for one connection
TRIAL_S_MAX: Final = 86_400  # at one relay: a day and a night; each response time is kept
