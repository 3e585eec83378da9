"""What a series of health readings means: a verdict in words, its evidence, what has changed."""

from refreshd.health.changes import pass_changes
from refreshd.health.judging import RULES, Judgement, judge

__all__ = ["RULES", "Judgement", "judge", "pass_changes"]
