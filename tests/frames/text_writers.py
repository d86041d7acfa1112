"""Writers of text logs that share nothing with the readers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canassist.model import FrameFlag

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from tests.frames.frame_samples import Sample

S = 1_000_000_000


def candump_line(one: Sample) -> str:
    """Write a line by the comment in can-utils' ``lib.h``."""
    stamp = f"({one.time_ns // S}.{one.time_ns % S // 1000:06d})"
    can_id = f"{one.can_id:08X}" if one.has(FrameFlag.EXTENDED) else f"{one.can_id:03X}"
    if one.has(FrameFlag.ERROR):
        can_id = f"{one.can_id | 0x20000000:08X}"
    body = f"#{one.data.hex().upper()}"
    if one.has(FrameFlag.REMOTE):
        body = f"#R{one.length}" if one.length else "#R"
    if one.has(FrameFlag.FD):
        digit = 2 * one.has(FrameFlag.ERROR_STATE) + one.has(FrameFlag.BIT_RATE_SWITCH)
        body = f"##{digit:X}{one.data.hex().upper()}"
    way = " T" if one.has(FrameFlag.SENT) else ""
    return f"{stamp} {one.bus} {can_id}{body}{way}"


ASC_HEADER = (
    "date Sat Sep 30 15:06:13.191 2017\nbase hex  timestamps absolute\n"
    "internal events logged\n// version 9.0.0\n"
    "Begin Triggerblock Sat Sep 30 15:06:13.191 2017\n   0.000000 Start of measurement\n"
)
LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)


def asc_line(one: Sample, base: str = "hex") -> str:
    """Write a line as recorders lay it out."""
    stamp = f"{one.time_ns // S:4d}.{one.time_ns % S // 1000:06d}"
    number = (lambda value: f"{value:X}") if base == "hex" else str
    byte = (lambda value: f"{value:02X}") if base == "hex" else str
    data = " ".join(byte(value) for value in one.data)
    can_id = number(one.can_id) + ("x" if one.has(FrameFlag.EXTENDED) else "")
    way = "Tx" if one.has(FrameFlag.SENT) else "Rx"
    if one.has(FrameFlag.ERROR):
        return f"{stamp} {one.bus}  ErrorFrame"
    if one.has(FrameFlag.FD):
        brs, esi = one.has(FrameFlag.BIT_RATE_SWITCH), one.has(FrameFlag.ERROR_STATE)
        code = LENGTHS.index(one.length)
        flags = 0x1000 | brs << 13 | esi << 14
        return (
            f"{stamp} CANFD   {one.bus} {way}   {can_id:>9}  {'':32} {brs:d} {esi:d} {code:x}"
            f" {one.length:>2} {data} {130000:>8} {130:>4} {flags:>8X} {0:>8X}"
            "  46500250   460a0250   20010a08   20011a02"
        )
    kind = f"r {one.length:x}" if one.has(FrameFlag.REMOTE) else f"d {one.length:x} {data}"
    return f"{stamp} {one.bus}  {can_id:<15} {way}   {kind}".rstrip()


def text_of(header: str, line: Callable[[Sample], str]) -> Callable[[list[Sample]], bytes]:
    """Return a writer of a header and one line a frame."""
    return lambda many: (header + "".join(f"{line(one)}\n" for one in many)).encode()


def whole_lines(
    header: str, line: Callable[[Sample], str], needed: Callable[[Sample], str] | None = None
) -> Callable[[list[Sample], int], list[Sample]]:
    """Return a function that gives the frames whose line lies whole before a cut.

    `needed` gives the part of a line that holds the frame, where more follows it.
    """

    def whole(many: Iterable[Sample], size: int) -> list[Sample]:
        at, found = len(header), []
        for one in many:
            if at + len((needed or line)(one)) <= size:
                found.append(one)
            at += len(line(one)) + 1
        return found

    return whole
