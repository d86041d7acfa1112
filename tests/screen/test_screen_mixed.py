"""Many logs of mixed formats, 3 % of them damaged: every row is right, every reason is told."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from markupsafe import escape

from canassist.screen import screen
from tests.screen.mixed_logs import ANSWERS, DAMAGES, Mixed, write_mixed

ENDINGS = (".log", ".log.gz", ".blf", ".asc", ".csv", ".trc", ".zip", ".asc.gz", ".log.xz", ".mf4")
TICK_S = 0.002
"""The coarsest time stamps, of the TRC and ASC writers, are rounded to less."""


def rows_of(mixed: Mixed, out: Path) -> tuple[pd.DataFrame, str]:
    """Screen and return the table of logs by path, and the overview."""
    fleet = mixed.fleet
    done = screen([str(fleet.logs)], out, dbc=[fleet.dbc], profile=fleet.profile)
    assert done.screening.logs == len(mixed.truth)
    rows = pd.read_parquet(out / "logs")
    rows.index = pd.Index([Path(log).relative_to(fleet.logs).as_posix() for log in rows.log])
    return rows, done.page.read_text("utf-8")


def assert_every_row_right(mixed: Mixed, rows: pd.DataFrame, page: str) -> None:
    assert sorted(rows.index) == sorted(mixed.truth)
    wrong = {}
    for log, truth in mixed.truth.items():
        row = rows.loc[log].to_dict()
        if truth.damage:
            why = row["reason"] or row["damage"]
            in_part = row["status"] == "read" and 0 < row["frames"] < truth.frames
            found = {
                "no more than is there": row["status"] == "damaged" or in_part,
                "told in the table": bool(why),
                "told on the page": Path(log).name in page and str(escape(why[:100])) in page,
            }
        else:
            found = {
                "whole": (row["status"], row["reason"], row["damage"]) == ("read", "", ""),
                f"code {row['code']}": row["code"] == truth.code,
                f"{row['frames']} frames": row["frames"] == truth.frames,
                f"{row['duration_s']} s": abs(row["duration_s"] - truth.duration_s) < TICK_S,
                f"month {row['month']}": row["month"] == f"{truth.start:%Y-%m}",
                f"start {row['start_utc']}": pd.isna(row["start_utc"]) == truth.local,
            }
        if not all(found.values()):
            wrong[log] = [words for words, right in found.items() if not right]
    assert wrong == {}


def test_sixty_logs_of_mixed_formats_are_all_right(tmp_path: Path) -> None:
    mixed = write_mixed(tmp_path / "fleet", 66, ("mixed", "path_resistance"), ENDINGS[:-1])
    assert_every_row_right(mixed, *rows_of(mixed, tmp_path / "out"))


@pytest.mark.slow
def test_five_hundred_logs_of_mixed_formats_are_all_right(tmp_path: Path) -> None:
    mixed = write_mixed(tmp_path / "fleet", 500, tuple(ANSWERS), ENDINGS)
    damaged = [truth.damage for truth in mixed.truth.values() if truth.damage]
    assert len(damaged) == 15
    assert set(damaged) == set(DAMAGES)
    rows, page = rows_of(mixed, tmp_path / "out")
    assert_every_row_right(mixed, rows, page)
    assert len(rows[(rows.status == "damaged") | (rows.damage != "")]) == 15
