"""Events to conclusions: causes weighed by open evidence, in plain sentences."""

from canassist.conclude.coverage import count_coverage
from canassist.conclude.verdict_of_ride import conclude
from canassist.model import Verdict

__all__ = ["Verdict", "conclude", "count_coverage"]
