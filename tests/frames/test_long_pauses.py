"""Time spans that no ride has, and texts that no reader knows."""

from __future__ import annotations

from pathlib import Path

import pytest

from canassist.errors import InputError, NoFramesError
from canassist.frames import open_log


def _log(path: Path, steps_s: list[float]) -> Path:
    at, lines = 1.0e9, []
    for number, step_s in enumerate(steps_s):
        at += step_s
        lines.append(f"({at:.6f}) can0 {0x100 + number % 5:03X}#{number % 256:02X}11\n")
    path.write_text("".join(lines))
    return path


def test_pauses_of_years_are_cut_and_told_first(tmp_path: Path) -> None:
    recording = open_log([_log(tmp_path / "ride.log", [0.01, 80_000.0] * 300)])
    frames = sum(map(len, recording.blocks()))
    assert frames == 600
    assert recording.stats().duration_s < 49 * 3600
    assert recording.problems[0].grave
    assert "pauses" in recording.problems[0].what
    assert all(b - a >= 1.0 for a, b in recording.stats().recording_gaps)


def test_a_recorder_left_on_over_night_is_left_alone(tmp_path: Path) -> None:
    recording = open_log([_log(tmp_path / "ride.log", [0.01] * 500 + [50_000.0] + [0.01] * 500)])
    for _ in recording.blocks():
        pass
    assert recording.stats().duration_s == pytest.approx(50_010.0, abs=0.1)
    assert recording.problems == ()


def test_a_text_of_unknown_layout_is_called_that(tmp_path: Path) -> None:
    path = tmp_path / "ride.log"
    path.write_text("12:00:01.123 NODE msg 0x123 data=[1,2,3]\n" * 100)
    with pytest.raises(NoFramesError, match="unknown layout; its first line is '12:00:01"):
        list(open_log([path]).blocks())


def test_a_file_that_cannot_be_read_is_an_input_error() -> None:

    with pytest.raises(InputError, match="cannot be read"):
        open_log([Path("/proc/self/mem")])
