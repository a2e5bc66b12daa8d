"""What should stand retained at the broker, and what does, as far as it has told us.

Rule: at each new connection everything is published again, since the broker may be another or may
have forgotten; on one connection only what changed is. Only the newest of each topic is kept, so
that a slow broker gets fewer messages and not older ones.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from poller.model.standing import State
from poller.model.status import StatusReading
from poller.publishing.mqtt.topics import TOPICS
from poller.publishing.projections import Body, Known, Source
from poller.site.settings import Site

PROJECTED: Final = tuple(
    (topic, topic.projection) for topic in TOPICS if topic.projection is not None
)
BODIES_AT_ONCE: Final = 20  # of thousands; they are made where relays are polled, too


class Shelf:
    """Bounded by the topics of the relays that are known, and by the works that the state keeps.

    noted: topic to digest as the journal keeps it: what earlier runs may have left at the broker.
    """

    def __init__(self, site: Site, noted: Mapping[str, str]) -> None:
        self._site = site
        self._noted = dict(noted)
        self._wanted: dict[str, Body] = {}
        self._shown: dict[str, str] = {}  # topic to digest, on this connection
        self._owed: dict[str, None] = {}  # topics of which the broker lacks the body, in order
        self._told_at: dict[str, float] = {}  # of topics that expire, the oldest first
        self._too_long: set[str] = set()
        # by name of the topic, then id: what the bodies were made of
        self._seen: dict[str, dict[str, tuple[object, ...] | None]] = {}
        self._to_clear: set[str] = set(noted)
        self._brought_up = False
        self._bytes_max: int | None = None

    def bring_up(self, state: State, live: Mapping[str, StatusReading]) -> Iterator[None]:
        """Projects what changed since the last call; what did not costs a comparison.

        Stops after so many bodies, and at its end, so that they can be told bit by bit. Where it is
        left before that, the next call makes the rest.
        """
        known = Known(state=state, live=live)
        source = Source(site=self._site, seq=state.seq)
        site, made = self._site.file.site, 0
        for topic, projection in PROJECTED:
            seen = self._seen.setdefault(topic.name, {})
            now = dict(projection.of(known))
            for about, parts in now.items():
                as_before = about in seen and projection.is_as_before(seen[about], parts)
                if parts is None and not as_before:
                    self._take_away(topic.of(site, about))
                elif parts is not None and not as_before:
                    self.want(topic.of(site, about), topic.body(source, about, parts))
                    made += 1
                seen[about] = parts
                if made == BODIES_AT_ONCE:
                    made = 0
                    yield
            for about in seen.keys() - now.keys():
                if seen.pop(about) is not None:
                    self._take_away(topic.of(site, about))
        if not self._brought_up:
            self._to_clear -= self._wanted.keys()
            self._brought_up = True
        yield

    def want(self, topic: str, body: Body) -> None:
        self._wanted[topic] = body
        self._to_clear.discard(topic)
        self._weigh(topic, body)
        self._compare(topic, body)

    def id_of(self, topic: str) -> str | None:
        """Of the message that is wanted there now."""
        body = self._wanted.get(topic)
        return None if body is None else body.id

    def new_connection(self, bytes_max: int | None = None) -> None:
        """bytes_max: the longest payload that this broker takes; None: it has not said."""
        self._shown.clear()
        self._told_at.clear()
        self._owed = dict.fromkeys(self._wanted)
        self._bytes_max = bytes_max
        for topic, body in self._wanted.items():
            self._weigh(topic, body)

    def to_clear(self) -> list[str]:
        """Topics of what is no more; none before it is known what that is.

        Also those whose newest body is too long: an older one that stands there would be false.
        """
        if not self._brought_up:
            return []
        false = self._too_long & self._noted.keys()
        return sorted(self._to_clear | false)

    def too_long(self) -> list[str]:
        """Never sent: the broker would end the connection, and no event would get through."""
        return sorted(self._too_long)

    def cleared(self, topic: str) -> None:
        self._to_clear.discard(topic)
        self._shown.pop(topic, None)
        self._told_at.pop(topic, None)
        self._noted.pop(topic, None)

    def due(self, now_s: float) -> list[tuple[str, Body]]:
        """What the broker lacks, and status that is older than status_publish_s.

        now_s: monotonic.
        """
        for topic, at_s in self._told_at.items():
            if now_s - at_s < self._site.file.status_publish_s:
                break
            self._owed[topic] = None
        return [(one, self._wanted[one]) for one in self._owed if one not in self._too_long]

    def published(self, topic: str, body: Body, now_s: float) -> None:
        self._shown[topic] = body.digest
        wanted = self._wanted.get(topic)
        if wanted is None:
            return  # taken away while it was on its way
        if body.expires:
            self._told_at.pop(topic, None)
            self._told_at[topic] = now_s
        self._compare(topic, wanted)

    def to_note(self, due: list[tuple[str, Body]]) -> dict[str, str | None]:
        """What the journal should know before these are published: a crash must not orphan one.

        That a topic stands there is all that a later start needs; a change costs no commit.
        """
        return {topic: body.digest for topic, body in due if topic not in self._noted}

    def noted(self, digests: Mapping[str, str | None]) -> None:
        self._noted.update({topic: one for topic, one in digests.items() if one is not None})

    def _compare(self, topic: str, body: Body) -> None:
        if self._shown.get(topic) == body.digest:
            self._owed.pop(topic, None)
        else:
            self._owed[topic] = None

    def _weigh(self, topic: str, body: Body) -> None:
        if self._bytes_max is not None and len(body.payload) > self._bytes_max:
            self._too_long.add(topic)
        else:
            self._too_long.discard(topic)

    def _take_away(self, topic: str) -> None:
        """Cleared even where no note of it was kept: a clear too many does no harm."""
        self._wanted.pop(topic, None)
        self._owed.pop(topic, None)
        self._told_at.pop(topic, None)
        self._too_long.discard(topic)
        self._to_clear.add(topic)
