"""Column decoding against cantools frame by frame, and the share that judging takes."""

from __future__ import annotations

from pathlib import Path

import cantools
import numpy as np

import canassist
from canassist import judging, pipeline
from canassist.decode import MessageLayout, load_databases
from canassist.decode.signals.extract import decode_signal
from canassist.model import Case, FrameSource, MessageFrames
from tests.bench.decoding import DATABASE
from tests.speed.ratios import ratio

FRAMES = 4_000
LEAST_DECODING = 20.0
"""`tests/bench/decoding.py` measures over 100 on long columns."""

MOST_OF_READING = 3.0
"""Judging one short sample ride takes at most this times reading and decoding it."""

ROOT = Path(__file__).resolve().parents[2]


def columns_of(message: MessageLayout, dice: np.random.Generator) -> MessageFrames:
    payload = dice.integers(0, 256, (FRAMES, 8), dtype=np.uint8)
    if message.name == "Paged":
        payload[:, 0] &= 1
    return MessageFrames(
        source=FrameSource(0, message.key),
        time_s=np.arange(FRAMES) / 100.0,
        payload=payload,
        length=np.full(FRAMES, 8, dtype=np.uint8),
    )


def test_decoding_is_many_times_faster_than_frame_by_frame(tmp_path: Path) -> None:
    path = tmp_path / "ride.dbc"
    path.write_text(DATABASE, "utf-8")
    theirs = cantools.database.load_file(path)
    dice = np.random.default_rng(1)
    work = [(item, columns_of(item, dice)) for item in load_databases([path]).messages]
    rows = {item.name: [bytes(row) for row in frames.payload] for item, frames in work}

    def plain() -> None:
        for name, payloads in rows.items():
            for row in payloads:
                theirs.decode_message(name, row, decode_choices=False)

    def columns() -> None:
        for message, frames in work:
            for signal in message.signals:
                decode_signal(frames, message, signal)

    measured = ratio(plain, columns)
    assert measured > LEAST_DECODING, f"{measured:.0f} times"


def test_judging_takes_a_small_share() -> None:
    profile = canassist.read_profile(ROOT / "dbc_demo" / "demo_trail_vehicle.toml")
    logs = [ROOT / "sample_logs" / "hot_tight_turns.blf"]
    databases = [ROOT / "dbc_demo" / "demo_trail_vehicle.dbc"]
    ride = pipeline.survey(logs, databases, profile)

    def reading() -> None:
        pipeline.survey(logs, databases, profile)

    def judged() -> None:
        judging.judge(ride.timeline, profile, Case())

    share = 1.0 / ratio(reading, judged)
    assert share < MOST_OF_READING, f"{share:.1f} of reading"
