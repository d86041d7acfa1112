"""A request that is not granted, in plain words."""

from __future__ import annotations

import secrets

from canassist.web.words import say


class Refused(Exception):  # noqa: N818 - what happened, not what went wrong
    """A request that is not granted; shown to whoever asked.

    Parameters
    ----------
    status : int
        HTTP status.
    problem, fix : str
        What is wrong and what to do, one sentence each.
    """

    def __init__(self, status: int, problem: str, fix: str) -> None:
        super().__init__(status, problem, fix)
        self.status = status
        self.problem = problem
        self.fix = fix


def refused(status: int, name: str, /, **values: object) -> Refused:
    """Return a refusal whose two sentences stand in the words file."""
    return Refused(status, say(f"refusals.{name}", **values), say(f"refusals.{name}_fix", **values))


def new_number() -> str:
    """Return a number by which an error is found in the log."""
    return secrets.token_hex(4)
