"""The routes of alerts: the list, "seen", and the test button."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from tests.edges.web_rig import NOW, Rig

LINE: dict[str, Any] = {
    "id": 41, "kind": "oil_ready", "urgency": "hand", "headline": "The oil is ready.", "text": "Stir, then quench.",
    "at": NOW, "seen_at": None, "seen_by": None,
}  # fmt: skip


class Alerts:
    def __init__(self) -> None:
        self.noted: list[Any] = []
        self.count = 1

    def recent(self) -> list[dict[str, Any]]:
        return [dict(LINE)]

    def channels(self) -> list[Mapping[str, Any]]:
        return [
            {"name": "phone", "waiting": 2, "forgotten": 0, "failing": "No answer.", "last_delivered_at": NOW},
            {"name": "mail", "waiting": 0, "forgotten": 0, "failing": "", "last_delivered_at": None},
        ][: self.count]

    def seen(self, event_id: int, who: str, at: float) -> bool:
        self.noted.append((event_id, who, at))
        return event_id == 41

    def test(self, at: float) -> int:
        return self.count


@pytest.fixture
def alerts() -> Alerts:
    return Alerts()


@pytest.fixture
def rig(alerts: Alerts) -> Rig:
    return Rig(alerts=alerts)


def test_the_list_has_the_newest_and_how_each_channel_fares(rig: Rig) -> None:
    answer = rig.get("/api/v1/alerts")
    assert answer.status_code == 200
    assert answer.json() == {
        "alerts": [LINE | {"at": "2027-01-15T08:00:00.000Z"}],
        "channels": [
            {"name": "phone", "waiting": 2, "forgotten": 0, "failing": "No answer.",
             "last_delivered_at": "2027-01-15T08:00:00.000Z"}
        ],
    }  # fmt: skip


def test_seen_is_noted_with_who_and_an_unknown_one_is_said(rig: Rig, alerts: Alerts) -> None:
    assert rig.post("/api/v1/alerts/41/seen").json() == {"id": 41, "seen": True}
    assert alerts.noted == [(41, "phone 1", NOW)]
    answer = rig.post("/api/v1/alerts/42/seen")
    assert answer.status_code == 404
    assert answer.json()["reasons"] == [{"code": "no_alert", "text": "There is no alert 42 among the newest."}]
    assert rig.post("/api/v1/alerts/x/seen").status_code == 422


def test_a_test_goes_to_every_channel_or_says_that_there_is_none(rig: Rig, alerts: Alerts) -> None:
    answer = rig.post("/api/v1/alerts/test")
    assert (answer.status_code, answer.json()) == (202, {"channels": 1})
    alerts.count = 0
    answer = rig.post("/api/v1/alerts/test")
    assert answer.status_code == 409
    assert "names no [[alerts.channel]]" in answer.json()["detail"]


def test_alerts_are_for_paired_devices(rig: Rig) -> None:
    assert rig.ask("GET", "/api/v1/alerts").status_code == 401
    assert rig.ask("POST", "/api/v1/alerts/41/seen").status_code in (401, 403)
