"""Sending one message by a channel's address: apprise knows how mail, webhooks and push services are spoken to."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from functools import cache
from typing import Any, Final

from controller.model import Alert, Urgency
from controller.settings import AlertChannel

Sender = Callable[[Alert], None]

_KIND: Final[Mapping[Urgency, str]] = {"fire": "failure", "trip": "failure", "hand": "warning", "news": "info"}


class SendError(Exception):
    """The message did not get through; the text is one sentence, without the address and its secrets."""


def sender_for(settings: AlertChannel) -> Sender:
    """A sender for this channel. apprise is imported at the first message, in the channel's own thread."""

    @cache
    def service() -> Any:
        try:
            import apprise
        except ImportError:
            raise SendError(
                'Messages need one more package: the README says how it is added, under "What each message means".'
            ) from None
        # It would write addresses into the log, with the passwords that they hold.
        logging.getLogger("apprise").setLevel(logging.CRITICAL + 1)
        found = apprise.Apprise()
        if not found.add(settings.url):
            raise SendError("Its url in the shop file is none that can be sent to.")
        return found

    def send(alert: Alert) -> None:
        body = alert.text or alert.headline
        if not service().notify(title=alert.headline, body=body, notify_type=_KIND[alert.urgency]):
            raise SendError("The other end did not take the message, or did not answer.")

    return send
