"""How fast columns are decoded, as a ratio to cantools frame by frame.

Run ``python tests/bench/decoding.py``. Both decode the same frames of the same messages:
11 signals in 6 messages (Intel and Motorola, signed, scaled, multiplexed). Medians of
interleaved rounds, frames already in memory.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from pathlib import Path

import numpy as np
from cantools.database.can import Database

from canassist.decode import MessageLayout, load_databases
from canassist.decode.signals.extract import decode_signal
from canassist.model import FrameSource, MessageFrames

FRAMES = 60_000
ROUNDS = 5

DATABASE = """VERSION ""
BU_: A
BO_ 256 Motion: 8 A
 SG_ Speed : 0|16@1+ (0.01,0) [0|0] "km/h" A
 SG_ Revs : 23|16@0+ (0.25,0) [0|0] "rpm" A
BO_ 272 Steer: 8 A
 SG_ Torque : 0|12@1- (0.01,0) [0|0] "Nm" A
 SG_ Angle : 23|16@0- (0.1,0) [0|0] "deg" A
BO_ 288 Supply: 8 A
 SG_ Voltage : 0|10@1+ (0.02,0) [0|0] "V" A
 SG_ Current : 16|16@1- (0.05,0) [0|0] "A" A
BO_ 304 Heat: 8 A
 SG_ Inside : 0|8@1+ (1,-40) [0|0] "degC" A
BO_ 320 Paged: 8 A
 SG_ Page M : 0|2@1+ (1,0) [0|0] "" A
 SG_ First m0 : 8|16@1+ (0.1,0) [0|0] "" A
 SG_ Second m1 : 8|16@1- (0.1,0) [0|0] "" A
BO_ 336 State: 8 A
 SG_ Mode : 4|3@1+ (1,0) [0|0] "" A
"""


def frames_of(message: MessageLayout, dice: np.random.Generator) -> MessageFrames:
    """Draw random payloads; a selector gets only values that exist."""
    payload = dice.integers(0, 256, (FRAMES, 8), dtype=np.uint8)
    if message.name == "Paged":
        payload[:, 0] &= 1
    return MessageFrames(
        source=FrameSource(0, message.key),
        time_s=np.arange(FRAMES).astype(np.float64) / 100.0,
        payload=payload,
        length=np.full(FRAMES, 8, dtype=np.uint8),
    )


def main() -> None:
    """Print both medians, both rates and their ratio."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.dbc"
        path.write_text(DATABASE)
        messages = load_databases([path]).messages
    theirs = Database()
    theirs.add_dbc_string(DATABASE)
    dice = np.random.default_rng(7)
    columns = [(message, frames_of(message, dice)) for message in messages]
    rows = [(message.key, [row.tobytes() for row in frames.payload]) for message, frames in columns]
    ours_s, theirs_s = [], []
    for _ in range(ROUNDS):
        begun = time.perf_counter()
        for message, frames in columns:
            for signal in message.signals:
                decode_signal(frames, message, signal)
        ours_s.append(time.perf_counter() - begun)
        begun = time.perf_counter()
        for key, payloads in rows:
            decode = theirs.get_message_by_frame_id(key).decode
            for data in payloads:
                decode(data, decode_choices=False)
        theirs_s.append(time.perf_counter() - begun)
    ours, other = statistics.median(ours_s), statistics.median(theirs_s)
    count = FRAMES * len(columns)
    print(f"columns   {ours * 1e3:8.1f} ms  {count / ours / 1e6:6.1f} M frames/s")
    print(f"cantools  {other * 1e3:8.1f} ms  {count / other / 1e6:6.2f} M frames/s")
    print(f"ratio     {other / ours:8.0f}")


if __name__ == "__main__":
    main()
