"""One pass of the ordinary way: python-can, cantools frame by frame, a DataFrame at the end."""

from __future__ import annotations

import can
import cantools
import pandas as pd
from pass_report import Clock, given, tell


def main() -> None:
    """Read, decode, tell."""
    asked = given()
    known = cantools.database.load_file(asked.database)
    wanted = {(message.frame_id, message.is_extended_frame) for message in known.messages}
    clock = Clock()
    rows = []
    with can.LogReader(asked.log) as log:
        for message in log:
            if (message.arbitration_id, message.is_extended_id) in wanted:
                row = known.decode_message(
                    message.arbitration_id, message.data, decode_choices=False
                )
                row["time"] = message.timestamp
                rows.append(row)
    table = pd.DataFrame(rows)
    times = clock.stop()
    tell(times, {name: table[name].dropna().to_numpy() for name in table.columns})


if __name__ == "__main__":
    main()
