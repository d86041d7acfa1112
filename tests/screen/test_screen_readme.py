"""The queries that the README prints run as they stand, and say what the tables say."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from canassist.screen import screen
from canassist.screen.parquet_tables import EVENT_COLUMNS, LOG_COLUMNS, SCHEMA_NAME

if TYPE_CHECKING:
    from tests.screen.fleets import Fleet


@pytest.fixture(scope="module")
def home(small_fleet: Fleet, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a screening in ``fleet``, as the README has it."""
    folder = tmp_path_factory.mktemp("readme")
    known = {"dbc": [small_fleet.dbc], "profile": small_fleet.profile}
    screen([str(small_fleet.logs)], folder / "fleet", **known)  # type: ignore[arg-type]  # two kinds of value
    return folder


def printed(project_root: Path, language: str) -> str:
    """Return the block of a language in the README's section."""
    text = (project_root / "README.md").read_text("utf-8")
    section = text.split("## Many logs")[1].split("\n## ")[0]
    (block,) = re.findall(rf"```{language}\n(.*?)```", section, re.DOTALL)
    return str(block)


def test_the_pandas_query_runs_as_printed(
    project_root: Path, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(home)
    *statements, last = ast.parse(printed(project_root, "python")).body
    assert isinstance(last, ast.Expr)
    names: dict[str, object] = {}
    exec(compile(ast.Module(statements, []), "README.md", "exec"), names)  # noqa: S102 - our own document
    found = eval(compile(ast.Expression(last.value), "README.md", "eval"), names)  # noqa: S307 - the same
    assert isinstance(found, pd.Series)
    assert list(found.index.get_level_values("vehicle")) == ["vehicle01"]
    assert found.iloc[0] > 0.03


def test_the_duckdb_query_runs_as_printed(
    project_root: Path, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    duckdb = pytest.importorskip("duckdb", reason="DuckDB is not among the project's libraries")
    monkeypatch.chdir(home)
    rows = duckdb.sql(printed(project_root, "sql")).fetchall()
    events = pd.read_parquet(home / "fleet" / "events")
    derates = events[events.kind == "derate"].groupby(["month", "cause"], observed=True)
    expected = derates.vehicle.nunique()
    assert [row[2] for row in rows] == [int(count) for count in expected]
    assert rows


def test_the_tables_name_their_schema_and_explain_their_columns(
    project_root: Path, home: Path
) -> None:
    from pyarrow import parquet  # type: ignore[import-untyped]  # noqa: PLC0415 - ships no types; an extra

    assert f"`{SCHEMA_NAME}`" in (project_root / "README.md").read_text("utf-8")
    for table, columns in (("logs", LOG_COLUMNS), ("events", EVENT_COLUMNS)):
        files = list((home / "fleet" / table).rglob("*.parquet"))
        assert files
        for path in files:
            schema = parquet.read_schema(path)
            assert schema.metadata[b"schema"].decode() == SCHEMA_NAME
            meanings = {item.name: item.metadata[b"meaning"].decode() for item in schema}
            assert meanings == {name: item.meaning for name, item in columns.items()}
