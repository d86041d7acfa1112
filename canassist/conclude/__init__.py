"""Events to conclusions: causes weighed by open evidence, in plain sentences."""

from canassist.conclude.coverage import STEERING_NM, STEP_S, count_coverage
from canassist.conclude.verdict_of_ride import conclude
from canassist.model import Verdict

__all__ = ["STEERING_NM", "STEP_S", "Verdict", "conclude", "count_coverage"]
