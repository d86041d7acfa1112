"""Network captures of SocketCAN interfaces: pcap and pcapng.

Formats as the capture library's published pages give them (LINKTYPE_CAN_SOCKETCAN, LINUX_SLL,
LINUX_SLL2) and the IETF drafts on pcap and pcapng; that a "cooked" capture keeps the CAN
identifier in the byte order of the file is from memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, BinaryIO, Final

from canassist.frames.base import BLOCK_BYTES
from canassist.frames.formats.pcap.pcap_blocks import NG_MAGIC, NgFile
from canassist.frames.formats.pcap.pcap_records import PCAP_MAGIC, PcapFile, has_pcap_header
from canassist.frames.frame_rows import EARLIEST_UTC_NS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.frames.base import ReadRequest
    from canassist.model import FrameBlock, ReadReport

_MAGIC_BYTES: Final = 4


class PcapReader:
    """Reads pcap and pcapng captures of CAN interfaces."""

    name = "pcap"
    endings = (".pcap", ".pcapng", ".cap")
    needs_seek = False

    def matches(self, head: bytes) -> bool:
        """Tell by the magic number."""
        return head[:_MAGIC_BYTES] in PCAP_MAGIC or head.startswith(NG_MAGIC)

    def read(
        self, source: BinaryIO, *, request: ReadRequest, report: ReadReport
    ) -> Iterator[FrameBlock]:
        """Yield the frames in file order, in blocks.

        Raises
        ------
        NoFramesError
            If the capture is of another kind of network.
        """
        piece = source.read(BLOCK_BYTES)
        kind = PcapFile if has_pcap_header(piece) else NgFile
        capture = kind(request, report)
        at, rest = 0, b""
        while piece:
            data = rest + piece
            piece = source.read(BLOCK_BYTES)
            block, used = capture.read(data, at, last=not piece)
            at, rest = at + used, data[used:]
            if len(block):
                report.epoch = "utc" if block.time_ns[0] >= EARLIEST_UTC_NS else "file"
                yield block
        capture.end()
