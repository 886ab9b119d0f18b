"""The alarm rules: what holds where, each second. `Collapse` and `Stalls` each keep a memory of their own."""

from logger.judgement.rules.collapse import Collapse
from logger.judgement.rules.conditions import Condition
from logger.judgement.rules.others import Rules
from logger.judgement.rules.stalls import Stalls

__all__ = ("Collapse", "Condition", "Rules", "Stalls")
