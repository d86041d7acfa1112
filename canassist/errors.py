"""Errors that a user can put right: what is wrong and what to do about it."""

from __future__ import annotations


class CanassistError(Exception):
    """Something a user can put right.

    Parameters
    ----------
    problem : str
        What is wrong and where: file, line or byte, as one sentence.
    fix : str
        What to do about it, as one sentence.

    Notes
    -----
    Both sentences stay in ``args``, so the error survives a worker process.
    ``exit_status`` is what the command line ends with.
    """

    exit_status = 3

    def __init__(self, problem: str, fix: str) -> None:
        super().__init__(problem, fix)

    @property
    def problem(self) -> str:
        """What is wrong and where."""
        return str(self.args[0])

    @property
    def fix(self) -> str:
        """What to do about it."""
        return str(self.args[1])

    def __str__(self) -> str:
        return f"{self.problem} {self.fix}"


class InputError(CanassistError):
    """A file or folder is missing or cannot be read."""


class NoFramesError(InputError):
    """A log holds no CAN frame."""


class InflationError(InputError):
    """A compressed log is broken from the start or larger than allowed."""


class DatabaseError(InputError):
    """A signal database cannot be used."""


class ProfileError(InputError):
    """A vehicle profile is not valid."""


class MissingExtraError(CanassistError):
    """An optional library is needed for this and not installed."""


class OutputError(CanassistError):
    """A result cannot be written where it was asked for."""

    exit_status = 2


class UsageError(CanassistError):
    """The request contradicts itself."""

    exit_status = 2


class VerificationError(CanassistError):
    """A report failed verification."""

    exit_status = 4
