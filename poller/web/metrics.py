"""/health for whoever watches over services, /metrics for whoever draws curves of them."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, HTTPException, Request
from fastapi.responses import JSONResponse, Response
from prometheus_client import CONTENT_TYPE_LATEST, CollectorRegistry, ProcessCollector
from prometheus_client import generate_latest as written
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from poller.answers.alarms import counted
from poller.web.page import Page, page_of
from poller.web.who import address, cookie

router = APIRouter(tags=["watch"])
ThePage = Annotated[Page, Depends(page_of)]
OPENMETRICS: Final = CONTENT_TYPE_LATEST


@router.get(
    "/health",
    responses={
        200: {"content": {"application/json": {"schema": {"type": "object"}}}},
        503: {"description": "not well"},
    },
)
async def health(page: ThePage) -> Response:
    """ok: it polls, and what it finds is durable. Asks for no name; says no more than that."""
    journal = page.behind.status()["journal"]
    well = journal["failing"] is None and journal["judging"] == "running"
    return JSONResponse({"health": "ok" if well else "degraded"}, 200 if well else 503)


@router.get(
    "/metrics",
    response_class=Response,
    responses={
        200: {"content": {"text/plain": {"schema": {"type": "string"}}}},
        401: {"description": "sign in first"},
    },
)
async def metrics(request: Request, page: ThePage) -> Response:
    """For Prometheus: to anybody on this machine, else to who is signed in."""
    if not _here(address(request)) and page.sessions.person(cookie(request)) is None:
        raise HTTPException(401, "sign in first")
    registry = CollectorRegistry()
    registry.register(_Figures(page))
    ProcessCollector(registry=registry)
    return Response(written(registry), media_type=OPENMETRICS)


def _here(peer: str) -> bool:
    try:
        return ipaddress.ip_address(peer).is_loopback
    except ValueError:
        return False


class _Figures(Collector):
    """Looked at when they are asked for; nothing is counted beside what the service knows."""

    def __init__(self, page: Page) -> None:
        self._page = page

    def collect(self) -> Iterator[Metric]:
        state, status = self._page.behind.state(), self._page.behind.status()
        listed = [relay for relay in state.relays.values() if relay.listed]
        yield _gauge("relays", "Relays by how they answer.", "answering", {
            "yes": sum(one.answering is True and not one.paused for one in listed),
            "no": sum(one.answering is False and not one.paused for one in listed),
            "not_tried": sum(one.answering is None and not one.paused for one in listed),
            "paused": sum(one.paused for one in listed),
        })  # fmt: skip
        stand = counted(state)
        yield _gauge("alarms", "Alarms by how they stand.", "standing", {
            "alarms": stand.alarms,
            "unacknowledged": stand.unacknowledged,
            "notices": stand.notices,
            "kept_back": stand.kept_back,
        })  # fmt: skip
        open_ones = sum(one.disposition is None for one in state.investigations.values())
        yield _one("investigations_open", "Changes that nobody has said what they were.", open_ones)
        journal = status["journal"]
        yield CounterMetricFamily(
            "bayroll_journal_events", "Events in the journal.", value=journal["seq"]
        )
        yield _one("journal_waiting", "Events that are not durable yet.", journal["waiting"])
        failing = journal["failing"] is not None
        yield _one("journal_failing", "1 while the journal can't be written.", int(failing))
        outputs: list[dict[str, Any]] = status["outputs"]
        lag = {one["output"]: one["lag"] for one in outputs}
        yield _gauge("output_lag_events", "Events not acknowledged yet.", "output", lag)
        linked = {
            one["output"]: int(one["connected"]) for one in outputs if one["connected"] is not None
        }
        yield _gauge("output_connected", "1 while its peer is there.", "output", linked)
        yield _one("page_streams", "Pages that listen for changes.", self._page.feed.streams)
        yield _one("page_sessions", "Places where somebody signed in.", len(self._page.sessions))
        yield _gauge("info", "The version that runs.", "version", {self._page.behind.version: 1})


def _one(name: str, says: str, value: float) -> Metric:
    return GaugeMetricFamily(f"bayroll_{name}", says, value=value)


def _gauge(name: str, says: str, label: str, values: dict[str, int]) -> Metric:
    found = GaugeMetricFamily(f"bayroll_{name}", says, labels=[label])
    for word, value in values.items():
        found.add_metric([word], value)
    return found
