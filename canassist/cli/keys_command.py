"""``canassist keys``: a key pair to sign reports with."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from canassist.cli.exit_status import say
from canassist.errors import OutputError


def keys(
    name: Annotated[
        Path, typer.Argument(metavar="NAME", help="NAME.key and NAME.pub are written.")
    ] = Path("workshop"),
) -> None:
    """Make a key pair: the private one signs reports, the public one is given away."""
    from canassist import report as writing
    from canassist.atomic_write import write_whole

    private, public = name.with_name(f"{name.name}.key"), name.with_name(f"{name.name}.pub")
    for path in (private, public):
        if path.exists():
            problem = f"{path}: is there already, and a key is never overwritten."
            raise OutputError(problem, "Choose another name, or move the old key away.")
    pair = writing.make_keys()
    write_whole({private: pair.private_pem, public: pair.public_pem}, secret=frozenset({private}))
    say(f"{private}: keep it to yourself; sign with --sign {private}")
    say(f"{public}: give it to those who receive your reports")
    say(f"fingerprint {pair.fingerprint}")
