"""What should stand retained at the broker, and what does, as far as it has told us.

Rule: at each new connection everything is published again, since the broker may be another or may
have forgotten; on one connection only what changed is. Only the newest of each topic is kept, so
that a slow broker gets fewer messages and not older ones.
"""

from __future__ import annotations

from collections.abc import Mapping

from poller.model.standing import Relay, State
from poller.model.status import StatusReading
from poller.publishing.projections import Body, nameplate_body, status_body
from poller.publishing.topics import NAMEPLATE, STATUS
from poller.site.register_map import StatusFields
from poller.site.settings import Site


class Shelf:
    """Bounded by two topics a relay and one for the poller.

    noted: topic to digest as the journal keeps it: what earlier runs may have left at the broker.
    """

    def __init__(self, site: Site, noted: Mapping[str, str]) -> None:
        self._site = site
        self._noted = dict(noted)
        self._wanted: dict[str, Body] = {}
        self._shown: dict[str, tuple[str, float]] = {}  # topic to digest and when, this connection
        self._seen: dict[str, tuple[Relay, StatusReading | None]] = {}
        self._to_clear: set[str] = set(noted)
        self._brought_up = False

    def bring_up(self, state: State, live: Mapping[str, StatusReading]) -> None:
        """Projects what changed since the last call; a relay that did not costs a comparison."""
        for relay_id, relay in state.relays.items():
            reading = live.get(relay_id)
            before = self._seen.get(relay_id)
            if before is not None and before[0] is relay and before[1] is reading:
                continue
            self._seen[relay_id] = (relay, reading)
            if relay.listed:
                self._project(relay_id, relay, reading, state.seq, before)
            else:
                self._take_away(relay_id)
        if not self._brought_up:
            self._to_clear -= self._wanted.keys()
            self._brought_up = True

    def want(self, topic: str, body: Body) -> None:
        self._wanted[topic] = body
        self._to_clear.discard(topic)

    def new_connection(self) -> None:
        self._shown.clear()

    def to_clear(self) -> list[str]:
        """Topics of relays that are no longer listed; none before it is known which those are."""
        return sorted(self._to_clear) if self._brought_up else []

    def cleared(self, topic: str) -> None:
        self._to_clear.discard(topic)
        self._shown.pop(topic, None)
        self._noted.pop(topic, None)

    def due(self, now_s: float) -> list[tuple[str, Body]]:
        """What the broker lacks, and status that is older than status_publish_s.

        now_s: monotonic.
        """
        publish_s = self._site.file.status_publish_s
        due = []
        for topic, body in self._wanted.items():
            digest, at_s = self._shown.get(topic, ("", 0.0))
            old = body.topic.expires and now_s - at_s >= publish_s
            if digest != body.digest or old:
                due.append((topic, body))
        return due

    def published(self, topic: str, body: Body, now_s: float) -> None:
        self._shown[topic] = (body.digest, now_s)

    def to_note(self, due: list[tuple[str, Body]]) -> dict[str, str | None]:
        """What the journal should know before these are published: a crash must not orphan one."""
        return {topic: body.digest for topic, body in due if self._noted.get(topic) != body.digest}

    def noted(self, digests: Mapping[str, str | None]) -> None:
        self._noted.update({topic: one for topic, one in digests.items() if one is not None})

    def _project(
        self,
        relay_id: str,
        relay: Relay,
        reading: StatusReading | None,
        seq: int,
        before: tuple[Relay, StatusReading | None] | None,
    ) -> None:
        site = self._site.file.site
        if before is None or before[0] is not relay:
            plate = nameplate_body(site=site, relay_id=relay_id, relay=relay, seq=seq)
            self.want(NAMEPLATE.of(site, relay_id), plate)
        status = status_body(
            site=site,
            relay_id=relay_id,
            relay=relay,
            seq=seq,
            reading=reading,
            mapped=self._mapped(relay),
        )
        self.want(STATUS.of(site, relay_id), status)

    def _mapped(self, relay: Relay) -> StatusFields | None:
        found = self._site.maps.get(relay.map) if relay.map is not None else None
        return None if found is None else found.status

    def _take_away(self, relay_id: str) -> None:
        """Cleared even where no note of it was kept: a clear too many does no harm."""
        for topic in (NAMEPLATE, STATUS):
            address = topic.of(self._site.file.site, relay_id)
            self._wanted.pop(address, None)
            self._to_clear.add(address)
