"""Messages on the bus: when each is sent, and what it carries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from canassist.demo.bus.encode import counter_values, encode, to_physical, to_raw
from canassist.demo.bus.message_layout import MessageSpec
from canassist.demo.plant import faults
from canassist.demo.plant.course import STEP_S
from canassist.demo.plant.random_draws import RandomDraws
from canassist.demo.plant.scenario import Scenario
from canassist.demo.plant.sensors import AT_REST_ZERO, NOISE
from canassist.demo.plant.trouble import held
from canassist.model import BoolArray, ByteArray, FloatArray, IntArray

_STAGGER_S = 0.0007
"""Messages start one after another, so that they do not all ask for the bus at once."""
_ARBITRATION_S = 0.00025
"""A message waits up to about one other frame for the bus."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SentMessage:
    """All frames of one message as recorded; arrays of shape (n,).

    ``nominal_s`` are the times without the recorder's jitter.
    """

    message: MessageSpec
    time_s: FloatArray
    nominal_s: FloatArray
    raw: Mapping[str, IntArray]

    def __len__(self) -> int:
        return len(self.time_s)

    def payload(self) -> ByteArray:
        """Return the data bytes, shape (n, 8)."""
        return encode(self.message, self.raw, len(self))

    def values(self, signal: str) -> FloatArray:
        """Return a signal as a reader of the database sees it, NaN for "no value"."""
        return to_physical(self.raw[signal], self.message.signal(signal))


def send_times(scenario: Scenario, message: MessageSpec) -> FloatArray:
    """Return when a message would be sent if nothing were wrong, shape (n,)."""
    place = scenario.layout.messages.index(message)
    period = message.period_s / scenario.recording.rate
    times = np.arange(place * _STAGGER_S, scenario.seconds - STEP_S, period)
    waits = RandomDraws(scenario.seed, f"bus {message.name}").units(len(times)) * _ARBITRATION_S
    waits[0] = 0.0
    return np.asarray(np.round(times + waits, 6), dtype=np.float64)


def is_sent(
    scenario: Scenario, message: MessageSpec, times: FloatArray, alive: BoolArray
) -> BoolArray:
    """Tell which of a message's frames reach the recorder's bus, shape (n,).

    Parameters
    ----------
    times : array of float64, shape (n,)
        From `send_times`.
    alive : array of bool, shape (m,)
        Where the steering module runs, 100 times a second.
    """
    sent = np.ones(len(times), dtype=np.bool_)
    if message.sender == scenario.layout.module_sender:
        sent &= alive[steps(times, len(alive))]
    carried = {spec.carries for spec in message.signals}
    for fault in scenario.faults:
        match fault:
            case faults.LostSignal(channel=name, how=faults.Silence.STOPS):
                stops = name in carried
            case faults.SilentBus():
                stops = message.bus == 1
            case faults.RecorderGap():
                stops = True
            case _:
                stops = False
        if stops:
            sent &= (times < fault.from_s) | (times >= fault.until_s)
    return sent


def steps(times: FloatArray, count: int) -> IntArray:
    """Return the simulation's step that holds at each time."""
    return np.minimum((times / STEP_S + 1e-6).astype(np.int64), count - 1)


def sampled(
    scenario: Scenario,
    name: str,
    values: FloatArray,
    times: FloatArray,
    *,
    noise: float,
) -> FloatArray:
    """Return a channel at a message's times, with noise and with what sticks sticking."""
    taken: FloatArray = values[steps(times, len(values))]
    spread = NOISE.get(name, 0.0) * noise
    if spread > 0:
        noisy = taken + spread * RandomDraws(scenario.seed, f"noise {name}").normals(len(taken))
        if name in AT_REST_ZERO:
            noisy[taken == 0.0] = 0.0
            noisy = np.maximum(noisy, 0.0)
        taken = noisy
    for fault in scenario.faults:
        if isinstance(fault, faults.StuckSignal) and fault.channel == name:
            taken = held(taken, (times >= fault.from_s) & (times < fault.until_s))
    return taken


def send(
    scenario: Scenario, message: MessageSpec, told: Mapping[str, FloatArray], alive: BoolArray
) -> SentMessage:
    """Return a message's frames as they are recorded.

    Parameters
    ----------
    told : mapping of name to array of float64, shape (m,)
        Channels and fillers, noiseless, 100 times a second.
    alive : array of bool, shape (m,)
        Where the steering module runs.
    """
    recording = scenario.recording
    times = send_times(scenario, message)
    sent = is_sent(scenario, message, times, alive)
    raw: dict[str, IntArray] = {}
    for spec in message.signals:
        if spec.name == message.counter:
            raw[spec.name] = counter_values(len(times))
        elif spec.selector:
            raw[spec.name] = np.arange(len(times), dtype=np.int64) % 3
        elif spec.carries in told:
            values = sampled(
                scenario, spec.carries, told[spec.carries], times, noise=recording.noise
            )
            turn = spec.to_channel
            raw[spec.name] = to_raw((values - turn.offset) / turn.scale, spec)
        elif spec.no_value is not None:
            raw[spec.name] = np.full(len(times), spec.no_value, dtype=np.int64)
    if recording.lost_share:
        dropped = (
            RandomDraws(scenario.seed, f"lost {message.name}").units(len(times))
            < recording.lost_share
        )
        dropped[0] = False
        sent &= ~dropped
    stamps = times[sent]
    if recording.jitter_s:
        off = 2.0 * RandomDraws(scenario.seed, f"jitter {message.name}").units(len(stamps)) - 1.0
        off[:1] = 0.0
        jittered = np.sort(stamps + recording.jitter_s * off)
        stamps = np.asarray(np.round(jittered, 6), dtype=np.float64)
    return SentMessage(
        message=message,
        time_s=stamps,
        nominal_s=times[sent],
        raw={name: column[sent] for name, column in raw.items()},
    )
