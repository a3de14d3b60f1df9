"""What people were told, whether anybody has seen it, and whether the channels get through."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from controller.model import Reason

from .addresses import ID, id_of
from .bodies import rfc3339_of
from .documents import told
from .parts import API, Parts, who
from .ports import Alerts
from .problems import Problem, problem, reply

NO_CHANNELS: Final = Reason(
    "no_channel", "The shop file names no [[alerts.channel]], so there is nowhere to send a test. Add one first."
)


class Silent:
    """No alerts at all: for an application without them."""

    def recent(self) -> list[dict[str, Any]]:
        return []

    def channels(self) -> list[Mapping[str, Any]]:
        return []

    def seen(self, event_id: int, who: str, at: float) -> bool:
        return False

    def test(self, at: float) -> int:
        return 0


def alert_routes(parts: Parts, alerts: Alerts) -> APIRouter:
    """Alerts change nothing in the shop; whoever is paired may say "seen"."""
    routes = APIRouter(prefix=f"{API}/alerts")
    wall = parts.teller.wall

    @routes.get("", openapi_extra=told("AlertsTold"))
    async def recent() -> Response:
        """The newest alerts, and how each channel fares. Addresses are not shown: they hold secrets."""
        lines = [
            line | {"at": rfc3339_of(line["at"]), "seen_at": rfc3339_of(line["seen_at"])} for line in alerts.recent()
        ]
        channels = [
            {**state, "last_delivered_at": rfc3339_of(state["last_delivered_at"])} for state in alerts.channels()
        ]
        return reply({"alerts": lines, "channels": channels})

    @routes.post("/{id}/seen", openapi_extra=told("AlertSeen", numbers=(ID,), problems=(404, 422)))
    async def seen(request: Request) -> Response:
        """Somebody has seen this alert: nobody further is called for it. Whatever stands in the body."""
        number = id_of(request)
        if not alerts.seen(number, who(request), wall()):
            raise problem(404, "no_alert", f"There is no alert {number} among the newest.")
        return reply({"id": number, "seen": True})

    @routes.post("/test", status_code=202, openapi_extra=told("AlertTest", status=202, problems=(409,)))
    async def test(request: Request) -> Response:
        """Send a test message by every channel, at any hour. Whether it got through, the list says."""
        count = alerts.test(wall())
        if not count:
            raise Problem(409, [NO_CHANNELS])
        return reply({"channels": count}, 202)

    return routes
