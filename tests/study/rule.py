"""What every judge says when something does not hold."""

from __future__ import annotations


class RuleError(AssertionError):
    """An invariant did not hold."""
