"""What client and workers hand each other; light, so that workers start before anything heavy."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What is to be done with every log.

    Attributes
    ----------
    version : str
        The client's canassist; a worker's must be the same.
    home : str
        The client's current folder, from which addresses of logs may be told.
    dbc : tuple of str
        Databases; a worker must reach them under these names.
    profile : str
        Profile, or empty.
    inputs : frozenset of str
        SHA-256 of databases and profile: a worker's must be the same.
    results : str
        Folder of the result files of these settings; shared by all workers.
    done : str
        File of the contents that are done already; empty where nothing is, or all is to be
        done over.
    reports : str
        Where full reports go.
    """

    version: str
    home: str
    dbc: tuple[str, ...]
    profile: str
    inputs: frozenset[str]
    results: str
    done: str = ""
    reports: str = ""


@dataclass(frozen=True, slots=True)
class ScreenedOutcome:
    """What became of one log.

    Attributes
    ----------
    log : str
        Its address.
    sha256 : str
        Of its content; empty where it could not be read at all.
    part : str
        Name of the result file that it was put into now; empty where it is done already.
    reason : str
        Why it has no result; empty where it has one.
    """

    log: str
    sha256: str = ""
    part: str = ""
    reason: str = ""


def get_ready() -> None:
    """Import what a worker needs, while the client is still looking around."""
    from canassist.screen import work_batch  # noqa: F401, PLC0415 - imported to be there


def screen_logs(order: Order, logs: tuple[str, ...]) -> list[ScreenedOutcome]:
    """Work on some logs and write one result file; what is wrong with a log is its result.

    Raises
    ------
    InputError
        If this worker has another version of canassist, another database or profile.
    OutputError
        If the result cannot be written.
    """
    from canassist.screen import work_batch  # noqa: PLC0415 - heavy; only workers need it

    return work_batch.screen_logs(order, logs)


def report_logs(order: Order, logs: tuple[str, ...]) -> list[ScreenedOutcome]:
    """Write the full reports of some logs.

    Raises
    ------
    OutputError
        If they cannot be written.
    """
    from canassist.screen import work_batch  # noqa: PLC0415 - the same

    return work_batch.report_logs(order, logs)
