"""What reaches a person, how and how often. An alert changes nothing in the shop; heat never waits for one.

`rules` says which events are told and how urgently; `Teller` keeps what was told and hands it to the
channels; each `Channel` has a thread of its own, so that one that hangs holds up nothing but itself.
"""

from .channel import Channel, open_channels
from .rules import NOT_TOLD, RULES
from .teller import Teller

__all__ = ["NOT_TOLD", "RULES", "Channel", "Teller", "open_channels"]
