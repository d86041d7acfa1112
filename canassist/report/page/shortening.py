"""Long foreign texts, cut to what a table or picture can hold."""

from __future__ import annotations


def stopped(text: str) -> str:
    """Return a phrase as a sentence: with a full stop, where it has none yet."""
    return text if text.endswith((".", "!", "?")) else f"{text}."


def short(text: str, most: int = 80) -> str:
    """Return text with its end cut off where it is longer than `most`, and say how long it is."""
    return text if len(text) <= most else f"{text[:most]}\u2026 ({len(text)} characters)"
