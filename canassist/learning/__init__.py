"""What is normal for a model, learned from rides of known-good vehicles: a profile with sources."""

from canassist.learning.learn_model import LearnOptions, learn
from canassist.learning.ride_ledger import ledger_of

__all__ = ["LearnOptions", "learn", "ledger_of"]
