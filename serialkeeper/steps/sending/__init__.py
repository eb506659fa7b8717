"""Sending: what the lots have caused goes to its destinations, once and in order."""

from serialkeeper.steps.sending.rounds import keep_sending, send

__all__ = ["keep_sending", "send"]
