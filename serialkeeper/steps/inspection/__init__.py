"""Inspection: what the camera saw becomes what happened to every label."""

from serialkeeper.steps.inspection.follower import Onlooker, Progress
from serialkeeper.steps.inspection.following import finish, follow
from serialkeeper.steps.inspection.taking import take

__all__ = ["Onlooker", "Progress", "finish", "follow", "take"]
