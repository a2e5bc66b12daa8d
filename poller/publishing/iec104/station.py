"""What an outstation answers: station interrogation; whatever else it is asked, it refuses.

Source: IEC 60870-5-101:2003, 7.2.3 and 7.4, and 60870-5-104:2006, 7; from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from poller.publishing.iec104 import frames as wire
from poller.publishing.iec104.frames import COMMANDS, Asdu, Cause, Type
from poller.publishing.iec104.points import Numbers, Picture

REFUSED: Final = COMMANDS | {Type.COUNTER_INTERROGATION, Type.CLOCK, Type.RESET}
"""Known, and never carried out."""
OF_EVERY_STATION: Final = frozenset(
    {Type.INTERROGATION, Type.COUNTER_INTERROGATION, Type.CLOCK, Type.RESET}
)
ANSWER: Final = {
    Cause.ACTIVATION: Cause.ACTIVATION_CONFIRMED,
    Cause.DEACTIVATION: Cause.DEACTIVATION_CONFIRMED,
}
INTERROGATION_OCTETS: Final = 4  # object address and qualifier


class Station:
    """common: address. first: information object address of the point with number 0."""

    def __init__(
        self,
        *,
        common: int,
        first: int,
        overflow: int,
        numbers: Callable[[], Numbers],
        picture: Callable[[], Picture],
    ) -> None:
        self.common, self.first, self.overflow = common, first, overflow
        self._numbers, self._picture = numbers, picture

    def refusal(self, asked: Asdu) -> Asdu | None:
        """None: it is an interrogation of this station, which may be carried out."""

        def no(cause: Cause) -> Asdu:
            return asked.mirrored(cause, common, negative=True)

        every = asked.common == wire.EVERY_STATION and asked.type in OF_EVERY_STATION
        common = self.common if every else asked.common
        if asked.type != Type.INTERROGATION and asked.type not in REFUSED:
            return no(Cause.UNKNOWN_TYPE)
        if common != self.common:
            return no(Cause.UNKNOWN_STATION)
        if asked.cause not in ANSWER:
            return no(Cause.UNKNOWN_CAUSE)
        if asked.type == Type.INTERROGATION and asked.address != 0:
            return no(Cause.UNKNOWN_OBJECT)
        wanted = (
            asked.type == Type.INTERROGATION
            and asked.cause == Cause.ACTIVATION
            and asked.structure == 1
            and asked.rest[3:] == bytes((wire.STATION_QOI,))
        )
        return None if wanted else no(ANSWER[Cause(asked.cause)])

    def busy(self, asked: Asdu) -> Asdu:
        """An interrogation is under way already."""
        return asked.mirrored(Cause.ACTIVATION_CONFIRMED, self.common, negative=True)

    def interrogation(self, asked: Asdu, overflow: Callable[[], bool]) -> Iterator[Asdu]:
        """All points, each as it stands when its ASDU is taken from here.

        So none of them says what was before something that was sent meanwhile.
        """
        yield asked.mirrored(Cause.ACTIVATION_CONFIRMED, self.common)
        yield wire.interrogated(asked, self.common, self.overflow, bytes((overflow(),)))
        numbers = self._numbers()
        for run in numbers.runs:
            now = self._picture()
            points = bytes(now.point(one, numbers.owner(one)) for one in run)
            yield wire.interrogated(asked, self.common, self.first + run.start, points)
        yield asked.mirrored(Cause.TERMINATION, self.common)
