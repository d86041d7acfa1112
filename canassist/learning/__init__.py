"""What is normal for a model, learned from rides of known-good vehicles: a profile with sources."""

from canassist.learning.learn_model import LearnOptions, learn

__all__ = ["LearnOptions", "learn"]
