"""A zip that holds databases, or several logs: each file takes its own place.

A zip of one log alone stays as it came; the reader unpacks that itself.
"""

from __future__ import annotations

import zipfile
from typing import TYPE_CHECKING, Final

from canassist.web.http.refusal import refused
from canassist.web.http.safe_names import LOG_ENDINGS, file_name, role_of

if TYPE_CHECKING:
    from canassist.web.http.multipart_upload import MultipartUpload, UploadedFile
    from canassist.web.settings import PageLimits

_PIECE: Final = 1 << 20
_MOST_TIMES: Final = 200
"""A zip that unfolds to more than this many times its size is not a recorder's."""


def open_zips(upload: MultipartUpload, limits: PageLimits) -> tuple[str, ...]:
    """Put the files of mixed zips in place of the zips; return the names of what was left out.

    Raises
    ------
    Refused
        If one unfolds to more than an upload may hold.
    """
    left: list[str] = []
    for one in upload.of_role("log"):
        if one.name.lower().endswith(".zip"):
            left += _open(upload, one, limits)
    return tuple(left)


def _open(upload: MultipartUpload, packed: UploadedFile, limits: PageLimits) -> list[str]:
    try:
        with zipfile.ZipFile(packed.incoming.path) as archive:
            items = [one for one in archive.infolist() if not one.is_dir()]
            wanted = [one for one in items if _is_of_use(one)]
            roles = [role_of(one.filename) for one in wanted]
            only_logs = set(roles) <= {"log"}
            if only_logs and not 1 < len(roles) <= limits.upload_files:
                return []  # one log, or a recorder's thousand pieces: the reader joins them
            _check(packed, wanted, limits)
            for item, role in zip(wanted, roles, strict=True):
                _take(upload, archive, item, role)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError):
        return []  # the reader says what is wrong with it
    upload.remove(packed)
    return [file_name(one.filename) for one in items if one not in wanted]


def _is_of_use(item: zipfile.ZipInfo) -> bool:
    name = file_name(item.filename).lower()
    hidden = name.startswith(".") or "__macosx" in item.filename.lower()
    return not hidden and (role_of(name) != "log" or name.endswith(LOG_ENDINGS))


def _check(packed: UploadedFile, wanted: list[zipfile.ZipInfo], limits: PageLimits) -> None:
    whole = sum(item.file_size for item in wanted)
    if len(wanted) > limits.upload_files:
        raise refused(413, "upload_files", count=limits.upload_files)
    if whole > min(limits.upload_bytes, max(packed.incoming.size, _PIECE) * _MOST_TIMES):
        raise refused(413, "log_size", name=packed.name)


def _take(
    upload: MultipartUpload, archive: zipfile.ZipFile, item: zipfile.ZipInfo, role: str
) -> None:
    uploaded = upload.add(role, file_name(item.filename))
    left = item.file_size  # what it claims was checked; it may not bring more
    with archive.open(item) as content:
        while data := content.read(min(_PIECE, left + 1)):
            left -= len(data)
            if left < 0:
                raise refused(413, "log_size", name=uploaded.name)
            uploaded.incoming.write(data)
    uploaded.sha256 = uploaded.incoming.finish()
