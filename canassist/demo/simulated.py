"""The door to the simulator: a scenario in, a ride with its truth out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

from canassist.demo import memory
from canassist.demo.bus import traffic
from canassist.demo.plant import sensors
from canassist.demo.plant.course import Course, ride_out
from canassist.demo.plant.plant import Run, run
from canassist.demo.plant.scenario import RecordingStyle, Scenario
from canassist.demo.plant.trouble import Trouble, plant
from canassist.demo.truth.truth import Truth, find_truth
from canassist.model import FloatArray, Timeline


@dataclass(frozen=True, kw_only=True)
class SimulatedRide:
    """A ride that never happened, with everything known about it.

    Attributes
    ----------
    scenario : Scenario
        What was simulated, its seed included.
    course, trouble, run : Course, Trouble, Run
        Inputs and noiseless physical channels, 100 times a second.
    told : mapping of name to array of float64, shape (n,)
        Every channel as the bus is told it, noiseless, 100 times a second.
    """

    scenario: Scenario
    course: Course
    trouble: Trouble
    run: Run
    told: Mapping[str, FloatArray]

    @cached_property
    def sent(self) -> tuple[traffic.SentMessage, ...]:
        """Every message of the layout as recorded."""
        carried = {**self.told, **sensors.fillers(self.course)}
        return tuple(
            traffic.send(self.scenario, message, carried, self.run.alive)
            for message in self.scenario.layout.messages
        )

    def timeline(self) -> Timeline:
        """Return the ride as decoding would give it: sampled, noisy, quantised."""
        return memory.timeline(self.scenario, self.sent)

    @cached_property
    def truth(self) -> Truth:
        """What really happened, from the noiseless channels."""
        return find_truth(self.scenario, self.course, self.trouble, self.run, self.told)


def simulate(
    scenario: Scenario, *, seed: int | None = None, recording: RecordingStyle | None = None
) -> SimulatedRide:
    """Simulate a ride.

    Parameters
    ----------
    scenario : Scenario
        One of `RIDES`, or drawn from one of `SCENARIOS`.
    seed : int, optional
        In place of the scenario's own: other weaving, other noise.
    recording : RecordingStyle, optional
        In place of the scenario's own: more noise, fewer or lost frames.

    Returns
    -------
    SimulatedRide
        The same for the same arguments.
    """
    scenario = replace(
        scenario,
        seed=scenario.seed if seed is None else seed,
        recording=recording or scenario.recording,
    )
    course = ride_out(scenario.vehicle, scenario.stretches, scenario.seed)
    trouble = plant(scenario.vehicle, course, scenario.faults)
    outcome = run(scenario.vehicle, course, trouble)
    told = sensors.told(scenario, course, trouble, outcome)
    return SimulatedRide(scenario=scenario, course=course, trouble=trouble, run=outcome, told=told)
