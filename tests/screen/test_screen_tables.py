"""Tables are written a bounded number of rows at a time, and lose none."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from canassist.screen import parquet_tables
from canassist.screen.parquet_tables import LOG_COLUMNS, TableWriter


def write(folder: Path, rows: int) -> pd.DataFrame:
    writer = TableWriter(folder / "logs", LOG_COLUMNS)
    for number in range(rows):
        month = "2026-05" if number % 3 else "unknown"
        writer.add(month, {"log": f"{number:03d}.log", "frames": number, "other_codes": ["a"]})
    writer.finish()
    writer.take_place()
    return pd.read_parquet(folder / "logs")


def test_no_row_is_lost_where_they_do_not_fit_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parquet_tables, "ROWS_AT_HAND", 10)
    found = write(tmp_path, 35).sort_values("log", ignore_index=True)
    assert list(found.frames) == list(range(35))
    assert set(found.month[::3]) == {"unknown"}
    assert len(list((tmp_path / "logs").rglob("*.parquet"))) > 2
    sizes = [len(pd.read_parquet(path)) for path in (tmp_path / "logs").rglob("*.parquet")]
    assert max(sizes) <= 10


def test_rows_of_a_month_are_sorted_by_address(tmp_path: Path) -> None:
    found = write(tmp_path, 20)
    for _, month in found.groupby("month", observed=True):
        assert list(month.log) == sorted(month.log)


def test_an_empty_table_has_its_columns(tmp_path: Path) -> None:
    found = write(tmp_path, 0)
    assert len(found) == 0
    assert set(LOG_COLUMNS) <= set(found.columns)
