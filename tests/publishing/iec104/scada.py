"""A control centre in a process of its own: c104's client, which decodes all that we say of it.

    python -m tests.publishing.iec104.scada PORT OPTIONS_JSON

On stdin one request a line, a JSON list: a name of DOES and what it takes. On stdout one line of
JSON for each thing that it hears, and each answer. c104 is GPLv3; it is a tool of these tests only.
"""

import json
import sys
import threading
import time
from typing import Any

import c104

HOST = "127.0.0.1"
STATION = 1
SAYING = threading.Lock()


def say(what: str, **more: Any) -> None:
    with SAYING:
        print(json.dumps({"what": what, "at": time.monotonic(), **more}), flush=True)


def frame(connection: c104.Connection, data: bytes) -> None:
    told = c104.explain_bytes_dict(apdu=data)
    if told["format"] == "I":
        say(
            "asdu",
            type=told["type"].value,
            cause=told["cot"].value,
            negative=told["negative"],
            station=told["commonAddress"],
            originator=told["originatorAddress"],
            sequence=told["sequence"],
            objects=told["numberOfObjects"],
            address=told["firstInformationObjectAddress"],
            elements=told["elements"].replace(" ", ""),
        )
    else:
        say("frame", format=told["format"], octets=data.hex())


def point(
    point: c104.Point, previous_info: c104.Information, message: c104.IncomingMessage
) -> c104.ResponseState:
    """For each object of an ASDU."""
    at = point.recorded_at
    say(
        "point",
        address=point.io_address,
        type=message.type.value,
        cause=message.cot.value,
        value=point.value,
        quality=point.quality.value,
        at_ms=None if at is None else round(at.timestamp() * 1_000),
    )
    return c104.ResponseState.SUCCESS


def unexpected(connection: c104.Connection, message: c104.IncomingMessage, cause: c104.Umc) -> None:
    say("unexpected", cause=cause.name)


def initialized(client: c104.Client, station: c104.Station, cause: c104.Coi) -> None:
    say("initialized", cause=cause.value)


def state(connection: c104.Connection, state: c104.ConnectionState) -> None:
    say("state", state=state.name)


def main(port: int, options: dict[str, Any]) -> None:
    client = c104.Client(tick_rate_ms=50, command_timeout_ms=2_000)
    client.originator_address = options.get("originator", 0)
    client.on_station_initialized(initialized)
    connection = client.add_connection(ip=HOST, port=port, init=c104.Init.NONE)
    assert connection is not None
    connection.protocol_parameters.confirm_interval = options.get("t2_s", 1)
    connection.protocol_parameters.receive_window_size = options.get("w", 8)
    connection.on_receive_raw(frame)
    connection.on_state_change(state)
    connection.on_unexpected_message(unexpected)
    station = connection.add_station(STATION)
    assert station is not None
    for address in options.get("points", ()):
        added = station.add_point(io_address=address, type=c104.Type.M_SP_TB_1)
        assert added is not None
        added.on_receive(point)

    def command(address: int, kind: str) -> bool:
        one = station.get_point(address)
        if one is None:
            one = station.add_point(io_address=address, type=getattr(c104.Type, kind))
            assert one is not None
        return one.transmit(c104.Cot.ACTIVATION)

    does: dict[str, Any] = {
        "interrogate": lambda station=STATION: connection.interrogation(station),
        "counters": lambda: connection.counter_interrogation(STATION),
        "set clock": lambda: connection.clock_sync(STATION),
        "test": lambda: connection.test(STATION),
        "command": command,
        "connect": connection.connect,
        "disconnect": connection.disconnect,
        "mute": connection.mute,
        "unmute": connection.unmute,
    }
    client.start()
    for line in sys.stdin:
        name, *given = json.loads(line)
        say("done", name=name, result=does[name](*given))
    client.stop()


if __name__ == "__main__":
    main(int(sys.argv[1]), json.loads(sys.argv[2]))
