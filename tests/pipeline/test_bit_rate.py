"""The bus's load, at the bit rate that the profile gives or at the one that is inferred."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from canassist import analyze
from canassist.profile import read_profile

ROOT = Path(__file__).resolve().parents[2]
LOG = ROOT / "sample_logs" / "healthy_mixed.log.gz"
DBC = ROOT / "dbc_demo" / "demo_trail_vehicle.dbc"
PROFILE = ROOT / "dbc_demo" / "demo_trail_vehicle.toml"


def test_the_load_is_stated_at_the_profile_s_bit_rate() -> None:
    own = read_profile(PROFILE)
    slow, fast = (
        analyze(LOG, dbc=DBC, profile=replace(own, bit_rate_bps=rate)).timeline.bus
        for rate in (250_000, 500_000)
    )
    assert slow.bit_rate == (250_000,)
    assert slow.bit_rate_given
    assert slow.load[0] == pytest.approx(2.0 * (fast.load[0] or 0.0))


def test_without_it_the_rate_is_said_to_be_inferred() -> None:
    bus = analyze(LOG, dbc=DBC, profile=replace(read_profile(PROFILE), bit_rate_bps=None))
    assert not bus.timeline.bus.bit_rate_given
