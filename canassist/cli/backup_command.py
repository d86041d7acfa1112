"""``canassist backup`` and ``canassist restore``: a page's data folder as one file, and back."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from canassist.cli.exit_status import say

Data = Annotated[Path, typer.Argument(metavar="DATA", help="Data folder of `canassist serve`.")]


def backup(
    data: Data,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Where the backup goes.")],
) -> None:
    """Pack all that the local page keeps into one file, also while it runs."""
    from canassist.atomic_write import check_folder
    from canassist.web import backup as pack

    check_folder(file)
    rides = pack(data, file)
    say(f"{file}: {rides} rides with their logs, reports and vehicles")


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="What `canassist backup` wrote.")],
    data: Data,
) -> None:
    """Unpack a backup into a new data folder, each file held to its hash."""
    from canassist.web import restore as unpack

    rides = unpack(file, data)
    say(f"{data}: {rides} rides; open them with `canassist serve --data {data}`")
