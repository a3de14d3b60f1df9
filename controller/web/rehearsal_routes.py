"""The buttons, faults and pace of the simulated shop; only in a rehearsal."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from controller.model import RehearsalControls

from .bodies import RehearsalBody, rehearsal_body
from .documents import told
from .parts import API
from .problems import problem, reply


def rehearsal_routes(controls: RehearsalControls) -> APIRouter:
    # The simulated shop is there already when there is a rehearsal; a shop's service never loads it.
    from controller.sim.faults import FAULTS

    routes = APIRouter(prefix=API)

    def state() -> dict[str, Any]:
        faults = [{"name": name, "text": FAULTS.get(name, name), "on": on} for name, on in controls.faults().items()]
        return {"faults": faults, "speed": controls.speed()}

    @routes.get("/rehearsal", openapi_extra=told("RehearsalState"))
    async def shown() -> Response:
        """Every fault and whether it is there, and the pace."""
        return reply(state())

    @routes.post("/rehearsal", openapi_extra=told("RehearsalState", body=RehearsalBody, problems=(422,)))
    async def act(request: Request) -> Response:
        """Press a button at the machine, bring or take away a fault, or change the pace."""
        body = rehearsal_body(await request.body())
        if body.press is not None:
            controls.press("arm" if body.press == "arm" else "reset")
        elif body.fault is not None:
            known = controls.faults()
            if body.fault not in known:
                raise problem(422, "not_allowed", f"There is no such fault. Known: {', '.join(sorted(known))}.")
            controls.fault(body.fault, body.on is True)
        elif body.speed is not None:
            controls.set_speed(body.speed)
        return reply(state())

    return routes
