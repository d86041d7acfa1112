"""What a shop sets once: its name, units, zone, how long deleted rides stay, and its key."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from pathlib import Path

    from canassist.web.store.index_database import Database

_ONLY: Final = "0"
KEY_FILE: Final = "shop.key"
PUBLIC_FILE: Final = "shop.pub"


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopSettings:
    """What the shop set; `signs` asks for the shop's signature on every report."""

    name: str = ""
    units: Literal["metric", "us"] = "metric"
    zone: str = ""
    undo_hours: int = 24
    bin_days: int = 14
    signs: bool = False


class ShopStore:
    """Keeps the shop's settings and its signing key.

    Parameters
    ----------
    database : Database
    folder : path
        The data folder; the secret half of the key lies in it and never leaves it.
    """

    def __init__(self, database: Database, folder: Path) -> None:
        self._database = database
        self._folder = folder

    def get(self) -> ShopSettings:
        """Return what is set."""
        text = "SELECT name, units, zone, undo_hours, bin_days, signs FROM shop WHERE id = ?"
        row = self._database.reading().execute(text, (_ONLY,)).fetchone()
        if row is None:
            return ShopSettings()
        return ShopSettings(**(dict(row) | {"signs": bool(row["signs"])}))

    def keep(self, settings: ShopSettings) -> None:
        """Keep what was set."""
        values = {"id": _ONLY, **asdict(settings), "signs": int(settings.signs)}
        with self._database.writing() as index:
            index.execute(
                f"REPLACE INTO shop({', '.join(values)}) VALUES ({', '.join('?' * len(values))})",  # noqa: S608 - our own column names
                tuple(values.values()),
            )

    @property
    def key(self) -> Path | None:
        """The secret key's file, where one was made."""
        path = self._folder / KEY_FILE
        return path if path.is_file() else None

    @property
    def public_key(self) -> Path:
        """The public key's file."""
        return self._folder / PUBLIC_FILE

    def make_key(self) -> None:
        """Make the shop's key, unless there is one.

        Raises
        ------
        MissingExtraError
            If the library for signatures is not installed.
        """
        from canassist.report import make_keys  # noqa: PLC0415 - the library is optional

        if self.key is not None:
            return
        made = make_keys()
        self.public_key.write_bytes(made.public_pem)
        secret = self._folder / KEY_FILE
        secret.touch(mode=0o600)
        secret.write_bytes(made.private_pem)
