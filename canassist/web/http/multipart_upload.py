"""An upload on its way in: parsed as it comes, written to disk as it comes, within bounds."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from python_multipart import MultipartParser
from python_multipart.exceptions import FormParserError
from python_multipart.multipart import parse_options_header

from canassist.web.http.refusal import refused
from canassist.web.http.safe_names import file_name, role_of
from canassist.web.store.records import Stored

if TYPE_CHECKING:
    from collections.abc import Callable

    from canassist.web.settings import PageLimits
    from canassist.web.store.content_files import Blobs, Incoming

_LONGEST_FIELD: Final = 16 << 10
_MOST_FIELDS: Final = 64
_LONGEST_NAME: Final = 1024
_LONGEST_HEADER: Final = 8 << 10
_LOOK_EVERY: Final = 64 << 20
ROLES: Final = frozenset({"log", "dbc", "profile"})


@dataclass(slots=True)
class UploadedFile:
    """A file of an upload, in or still coming in."""

    role: str
    name: str
    incoming: Incoming
    sha256: str = ""

    def stored(self) -> Stored:
        """Return it as the shelf keeps it."""
        return Stored(sha256=self.sha256, name=self.name, size=self.incoming.size)


@dataclass(slots=True)
class _Part:
    disposition: bytes = b""
    name: str = ""
    uploaded: UploadedFile | None = None
    text: bytearray = field(default_factory=bytearray)
    skip: bool = False


class MultipartUpload:
    """Takes an upload's bytes and keeps its fields and files.

    Nothing of it counts before `seal`; `drop` removes whatever came in.

    Parameters
    ----------
    boundary : bytes
        Between the parts.
    blobs : Blobs
        Where files go.
    limits : PageLimits
    may_come_in : callable
        Called with the fields so far before the first file is taken; raises to refuse.
    """

    def __init__(
        self,
        boundary: bytes,
        *,
        blobs: Blobs,
        limits: PageLimits,
        may_come_in: Callable[[dict[str, str]], None],
    ) -> None:
        self.fields: dict[str, str] = {}
        self.files: list[UploadedFile] = []
        self._blobs = blobs
        self._limits = limits
        self._may_come_in = may_come_in
        self._part = _Part()
        self._header = (bytearray(), bytearray())
        self._parts = 0
        self._ended = False
        self._look_at = 0
        self.size = 0
        self._parser = MultipartParser(
            boundary,
            {
                "on_part_begin": self._begin,
                "on_header_field": lambda data, a, b: self._head(0, data[a:b]),
                "on_header_value": lambda data, a, b: self._head(1, data[a:b]),
                "on_header_end": self._header_end,
                "on_headers_finished": self._headers_finished,
                "on_part_data": self._data,
                "on_part_end": self._end,
                "on_end": self._all_ended,
            },
        )

    def feed(self, data: bytes) -> None:
        """Take the next bytes.

        Raises
        ------
        Refused
            If a bound is passed or the upload is not laid out as one.
        OSError
            If the disk does not take them.
        """
        self.size += len(data)
        if self.size > self._limits.upload_bytes:
            raise refused(413, "upload_size", size=self._limits.upload_bytes / 1e9)
        if self.size >= self._look_at:
            self._look_at = self.size + _LOOK_EVERY
            if self._blobs.free_bytes() < self._limits.reserve_bytes:
                raise refused(507, "disk_full")
        try:
            self._parser.write(data)
        except FormParserError:
            raise refused(400, "upload_form") from None

    def check_whole(self) -> None:
        """Refuse an upload that was cut short."""
        if not self._ended:
            raise refused(400, "upload_form")

    def seal(self) -> None:
        """Give the files of a whole upload their place."""
        self.check_whole()
        for one in self.files:
            self._blobs.keep(one.incoming.path, one.sha256)

    def drop(self) -> None:
        """Remove what has no place yet."""
        for one in self.files:
            one.incoming.drop()

    def add(self, role: str, name: str) -> UploadedFile:
        """Begin a file that came inside another."""
        uploaded = UploadedFile(role, name, self._blobs.incoming())
        self.files.append(uploaded)
        return uploaded

    def remove(self, uploaded: UploadedFile) -> None:
        """Take a file out whose content came in otherwise."""
        self.files.remove(uploaded)
        uploaded.incoming.drop()

    def of_role(self, role: str) -> list[UploadedFile]:
        """Return the files of one role in their order."""
        return [one for one in self.files if one.role == role]

    def _begin(self) -> None:
        self._part = _Part()
        self._parts += 1
        if self._parts > _MOST_FIELDS + self._limits.upload_files:
            raise refused(413, "upload_files", count=self._limits.upload_files)

    def _head(self, place: int, data: bytes) -> None:
        self._header[place].extend(data)
        if len(self._header[place]) > _LONGEST_HEADER:
            raise refused(400, "upload_form")

    def _header_end(self) -> None:
        name, value = (bytes(part) for part in self._header)
        if name.lower() == b"content-disposition":
            self._part.disposition = value
        self._header = (bytearray(), bytearray())

    def _headers_finished(self) -> None:
        _, options = parse_options_header(self._part.disposition)
        self._part.name = options.get(b"name", b"").decode("utf-8", "replace")
        given = options.get(b"filename")
        if given is None:
            return
        if not given:
            self._part.skip = True  # a file field that was left empty
            return
        self._open(given)

    def _open(self, given: bytes) -> None:
        if len(given) > _LONGEST_NAME:
            raise refused(400, "name_length")
        self._may_come_in(self.fields)
        if len(self.files) >= self._limits.upload_files:
            raise refused(413, "upload_files", count=self._limits.upload_files)
        name = file_name(given.decode("utf-8", "replace"))
        role = self._part.name if self._part.name in ROLES else role_of(name)
        uploaded = UploadedFile(role, name, self._blobs.incoming())
        self.files.append(uploaded)
        self._part.uploaded = uploaded

    def _data(self, data: bytes, start: int, end: int) -> None:
        part = self._part
        if part.skip:
            return
        if part.uploaded is None:
            part.text += data[start:end]
            if len(part.text) > _LONGEST_FIELD:
                raise refused(413, "form_size")
            return
        part.uploaded.incoming.write(data[start:end])
        if part.uploaded.incoming.size > self._most_bytes(part.uploaded.role):
            raise refused(413, f"{part.uploaded.role}_size", name=part.uploaded.name)

    def _most_bytes(self, role: str) -> int:
        if role == "dbc":
            return self._limits.database_bytes
        return self._limits.profile_bytes if role == "profile" else self._limits.upload_bytes

    def _end(self) -> None:
        part = self._part
        if part.uploaded is not None:
            part.uploaded.sha256 = part.uploaded.incoming.finish()
            return
        if part.skip:
            return
        if len(self.fields) >= _MOST_FIELDS:
            raise refused(413, "form_size")
        self.fields[part.name] = bytes(part.text).decode("utf-8", "replace")

    def _all_ended(self) -> None:
        self._ended = True
