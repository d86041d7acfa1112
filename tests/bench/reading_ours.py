"""One pass of ours: wanted frames read, or the headers of all others with them; decoded."""

from __future__ import annotations

import numpy as np
from pass_report import Clock, given, tell

from canassist.decode import FrameCollector, load_databases
from canassist.decode.signals.extract import decode_signal
from canassist.frames import ReadRequest, open_log, registry
from canassist.model import IdSet


def main() -> None:
    """Read, decode, tell."""
    asked = given()
    list(registry.readers())  # imports are not measured
    known = load_databases([asked.database])
    by_key = {message.key: message for message in known.messages}
    request = ReadRequest(wanted=IdSet(by_key), headers=asked.way == "statistics")
    clock = Clock()
    recording = open_log([asked.log])
    collector = FrameCollector()
    for block in recording.blocks(request=request):
        collector.feed(block)
    if request.headers:
        recording.stats()
    values = {}
    found = collector.finish(recording.zero_ns)
    for source, frames in found.items():
        message = by_key[source.key]
        for signal in message.signals:
            values[signal.name] = decode_signal(frames, message, signal).value
    times = clock.stop()
    values["time"] = np.sort(np.concatenate([frames.time_s for frames in found.values()]))
    tell(times, values)


if __name__ == "__main__":
    main()
