"""Blocks of frames sorted by identifier, against the slow obvious way."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from canassist.decode import FrameCollector
from canassist.model import FrameBlock, FrameFlag, FrameSource

Frame = tuple[int, int, int, int, bytes]
"""Time in ns, bus, identifier, flags, data."""

FRAMES = st.lists(
    st.tuples(
        st.integers(0, 10**12),
        st.integers(0, 2),
        st.sampled_from([0x100, 0x7FF, 0x18FEF100]),
        st.sampled_from([0, 1, 2, 4, 8, 9]),
        st.one_of(st.binary(max_size=8), st.binary(min_size=12, max_size=64)),
    ),
    max_size=40,
)


def block_of(frames: list[Frame], width: int) -> FrameBlock:
    payload = np.zeros((len(frames), width), dtype=np.uint8)
    for row, frame in zip(payload, frames, strict=True):
        row[: len(frame[4])] = list(frame[4])
    return FrameBlock(
        time_ns=np.array([frame[0] for frame in frames], dtype=np.int64),
        bus=np.array([frame[1] for frame in frames], dtype=np.uint8),
        can_id=np.array([frame[2] for frame in frames], dtype=np.uint32),
        flags=np.array([frame[3] for frame in frames], dtype=np.uint8),
        length=np.array([len(frame[4]) for frame in frames], dtype=np.uint8),
        payload=payload,
        payload_row=np.arange(len(frames)),
    )


@given(frames=FRAMES, cut=st.integers(0, 40), zero_ns=st.integers(0, 1000))
def test_frames_come_out_by_identifier_in_time_order(
    frames: list[Frame], cut: int, zero_ns: int
) -> None:
    collector = FrameCollector()
    for part in (frames[:cut], frames[cut:]):
        width = 64 if any(len(frame[4]) > 8 for frame in part) else 8
        collector.feed(block_of(part, width))
    found = collector.finish(zero_ns)
    expected: dict[FrameSource, list[tuple[int, bytes]]] = {}
    for time_ns, bus, can_id, flags, data in frames:
        if not flags & (FrameFlag.ERROR | FrameFlag.REMOTE):
            key = can_id | (0x8000_0000 if flags & FrameFlag.EXTENDED else 0)
            expected.setdefault(FrameSource(bus, key), []).append((time_ns, data))
    assert list(found) == sorted(expected)
    for source, rows in expected.items():
        one = found[source]
        assert one.source == source
        assert np.all(np.diff(one.time_s) >= 0)
        assert sorted(one.time_s.tolist()) == sorted((t - zero_ns) / 1e9 for t, _ in rows)
        got = [
            (time_s, row[:length].tobytes(), bool(row[length:].any()))
            for time_s, row, length in zip(one.time_s, one.payload, one.length, strict=True)
        ]
        wide = any(len(data) > 8 for _, data in rows)
        assert one.payload.shape[1] == (64 if wide else 8)
        assert sorted(got) == sorted(((t - zero_ns) / 1e9, data, False) for t, data in rows)


def test_frames_of_one_time_keep_their_order() -> None:
    frames: list[Frame] = [(5, 0, 1, 0, bytes([n])) for n in range(50)]
    collector = FrameCollector()
    collector.feed(block_of(frames, 8))
    (one,) = collector.finish(0).values()
    assert one.payload[:, 0].tolist() == list(range(50))


def test_frames_without_payload_are_left_to_the_statistics() -> None:
    block = block_of([(0, 0, 1, 0, b"\x01"), (1, 0, 2, 0, b"\x02")], 8)
    some = FrameBlock(
        time_ns=block.time_ns,
        bus=block.bus,
        can_id=block.can_id,
        flags=block.flags,
        length=block.length,
        payload=block.payload[1:],
        payload_row=np.array([1]),
    )
    collector = FrameCollector()
    collector.feed(some)
    assert list(collector.finish(0)) == [FrameSource(0, 2)]


def test_nothing_fed_is_nothing_found() -> None:
    assert FrameCollector().finish(0) == {}
