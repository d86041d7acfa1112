"""The whole way of learning: find rides, measure each, leave out what does not fit, join."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

from canassist.errors import InputError
from canassist.learning.bad_apples import sort_out
from canassist.learning.laws import learn_laws
from canassist.learning.work import RideOrder, measure_ride
from canassist.model import InputFile, LearnedModel, RideFigures, Step, silent
from canassist.pipeline import check_present, input_file
from canassist.profile import default_profile, read_profile
from canassist.screen import find_logs, open_crew, vehicle_finder
from canassist.version import VERSION

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import Progress
    from canassist.screen import Crew, FindVehicle, FoundLog


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnOptions:
    """How rides are taken.

    Attributes
    ----------
    vehicles : path or None
        CSV that tells each log's vehicle.
    pattern : str
        Or the pattern of a path that does; without either, the first folder below.
    keep : bool
        Learn from rides that do not fit the others, too.
    cluster : str
        Address or scheduler file of a running cluster; empty for this machine.
    workers : int
        Processes on this machine; 0 for one a core.
    """

    vehicles: Path | None = None
    pattern: str = ""
    keep: bool = False
    cluster: str = ""
    workers: int = 0


def learn(
    places: Sequence[str],
    *,
    dbc: Sequence[str] = (),
    profile: str = "",
    options: LearnOptions | None = None,
    progress: Progress = silent,
) -> LearnedModel:
    """Learn what is normal for a model from rides of known-good vehicles.

    Parameters
    ----------
    places : sequence of str
        Folders (a folder a vehicle), files or patterns, as `screen` takes them.
    dbc, profile
        Databases, and a profile to start from: what it gives stays unless rides say better.
    progress : callable, optional
        Called with a `Step` as rides end; what it raises stops the work.

    Returns
    -------
    LearnedModel
        The profile with the source of each figure, every law as found or missing, and the
        rides left out with their reasons. The same rides give the same profile.

    Raises
    ------
    CanassistError
        If there is no ride, none can be used, or an input cannot be read.
    """
    options = options or LearnOptions()
    files = [Path(path) for path in (*dbc, *([profile] if profile else []))]
    check_present(files)
    start = read_profile(profile) if profile else default_profile()
    find_vehicle = vehicle_finder(options.vehicles, options.pattern)
    leave_out = [options.vehicles] if options.vehicles else []
    found = sorted(find_logs(places, leave_out=leave_out), key=lambda item: item.log)
    if not found:
        problem = f"No ride was found in {', '.join(places)}."
        raise InputError(problem, "Check the folder; logs are known by their ending.")
    order = RideOrder(dbc=tuple(map(str, dbc)), profile=profile)
    rides = _named(found, _measure(found, order, options, progress), find_vehicle)
    kept, gone = sort_out(rides)
    if options.keep:
        kept = [ride for ride in rides if not ride.reason]
        gone = [item for item in gone if item.log not in {ride.log for ride in kept}]
    if not kept:
        problem = f"None of {len(rides)} rides can be learned from; the first, {gone[0].log}: "
        raise InputError(problem + gone[0].why, "Check that these are sound vehicles' rides.")
    work = learn_laws(kept, start)
    return LearnedModel(
        version=VERSION,
        profile=work.profile,
        laws=tuple(work.laws),
        rides=len(kept),
        vehicles=len({ride.vehicle for ride in kept}),
        used=tuple(kept),
        left_out=tuple(gone),
        inputs=(*map(_as_input, kept), *_inputs(dbc, profile)),
    )


def _named(
    found: Sequence[FoundLog], measured: Sequence[RideFigures], find_vehicle: FindVehicle
) -> list[RideFigures]:
    """Give each ride its vehicle; ordered by content, so that folders' names change nothing."""
    rides = []
    for item, ride in zip(found, measured, strict=True):
        named = find_vehicle(item)
        name = PurePath(item.log).name
        rides.append(replace(ride, vehicle=named.name if named else name, log=name))
    return sorted(rides, key=lambda ride: (ride.sha256, ride.log))


def _as_input(ride: RideFigures) -> InputFile:
    return InputFile(role="log", name=ride.log, sha256=ride.sha256, size_bytes=ride.size_bytes)


def _inputs(dbc: Sequence[str], profile: str) -> list[InputFile]:
    found = [input_file(Path(path), "dbc") for path in dbc]
    return [*found, *([input_file(Path(profile), "profile")] if profile else [])]


def _measure(
    found: Sequence[FoundLog], order: RideOrder, options: LearnOptions, progress: Progress
) -> list[RideFigures]:
    """Measure every ride, on this machine or a cluster; the answers stand in the order given."""
    crew = open_crew(options.cluster, options.workers)
    work: Any = partial(measure_ride, order)  # Any: a crew's tasks are typed for screening
    todo, waiting, answers = list(found), deque[Any](), list[RideFigures]()  # Any: the same
    try:
        while todo or waiting:
            while todo and len(waiting) < crew.workers * crew.ahead:
                log = todo.pop(0).log
                waiting.append((log, crew.submit(work, (log,))))
            log, answer = waiting.popleft()
            try:
                answers += answer.result()
            except crew.deaths:
                answers += _alone(crew, work, log)
                waiting = deque((item, crew.submit(work, (item,))) for item, _ in waiting)
            progress(Step("measuring rides", len(answers), len(found)))
        return answers
    finally:
        crew.close(now=bool(todo or waiting))


def _alone(crew: Crew, work: Any, log: str) -> list[RideFigures]:  # noqa: ANN401 - see _measure
    """Give a ride whose worker died one more try, with nothing beside it."""
    crew.renew()
    try:
        answer: Any = crew.submit(work, (log,)).result()  # Any: see _measure
    except crew.deaths:
        crew.renew()
        return [RideFigures(log=log, reason="the process that read it died, twice")]
    rides: list[RideFigures] = answer
    return rides
