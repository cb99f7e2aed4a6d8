"""Evaluating: from kept samples to decided windows, findings, and the messages they owe.

Driven by data and settings, never by the tick: run it late, twice, in other steps or on
another machine, and windows and findings are the same.
"""

from service.evaluation.evaluator import Evaluator, Outcome
from service.evaluation.plan import Policy

__all__ = ["Evaluator", "Outcome", "Policy"]
