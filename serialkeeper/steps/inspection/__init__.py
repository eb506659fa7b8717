"""Inspection: what the camera saw becomes what happened to every label."""

from serialkeeper.steps.inspection.taking import take

__all__ = ["take"]
