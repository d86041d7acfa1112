"""The recorded log in another format, made when the recording is over."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

import can

from canassist import frames
from canassist.errors import OutputError
from canassist.record.capture.replay import messages_of

if TYPE_CHECKING:
    from canassist.frames import Recording

FORMATS: Final = frozenset({".log", ".asc", ".blf", ".trc"})
"""Endings that python-can writes, and that are read here."""


def convert(log: Path, target: Path) -> int:
    """Write a log anew in the format that the ending names, and read it again to be sure.

    Returns
    -------
    int
        Frames, the same in both.

    Raises
    ------
    OutputError
        If it cannot be written, or does not read back as many frames; nothing is left then.
    """
    handle, name = tempfile.mkstemp(
        prefix=f".{target.name[:40]}.", suffix=target.suffix.lower(), dir=target.parent
    )
    os.close(handle)
    temporary = Path(name)
    try:
        written = _write(frames.open_log([log]), temporary)
        read = _count(frames.open_log([temporary]))
        if read != written:
            problem = f"{target.name}: holds {read} of {written} frames."
            raise OutputError(problem, f"Keep {log.name}, and choose another format.")
        temporary.chmod(0o644)
        temporary.replace(target)
    except OSError as error:
        problem = f"{target}: cannot be written ({error.strerror or error})."
        raise OutputError(problem, f"The whole log is {log.name}; make room.") from error
    finally:
        temporary.unlink(missing_ok=True)
    return written


def _write(recording: Recording, path: Path) -> int:
    count = 0
    with can.Logger(str(path)) as logger:
        for message in messages_of(recording, numbered=path.suffix != ".log"):
            logger.on_message_received(message)
            count += 1
    return count


def _count(recording: Recording) -> int:
    return sum(len(block) for block in recording.blocks())
