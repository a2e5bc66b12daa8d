"""What to say where a port can't be opened."""

from __future__ import annotations

from poller.model.text import shown


def not_opened(place: str, reason: Exception) -> str:
    """place: host and port, as people type it. reason: by the system, or by the look-up of a name;
    where it names a file it is not of the port."""
    why = getattr(reason, "strerror", None) or str(reason)
    says = f"{place} can't be opened: {shown(why)}"
    if isinstance(reason, PermissionError) and reason.filename is None:
        says += "; a port below 1024 needs a right of its own: see CAP_NET_BIND_SERVICE in "
        says += "config/bayroll.service"
    return says
