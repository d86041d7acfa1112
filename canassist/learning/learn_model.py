"""The whole way of learning: find rides, measure each, leave out what does not fit, join."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

from canassist.errors import CanassistError, InputError
from canassist.learning.bad_apples import sort_out
from canassist.learning.laws import learn_laws
from canassist.learning.ride_ledger import RideLedger, basis_of, ledger_of, without_learned
from canassist.learning.work import RideOrder, measure_ride
from canassist.model import InputFile, LearnedModel, RideFigures, Step, silent
from canassist.pipeline import check_present, input_file
from canassist.profile import default_profile, read_profile
from canassist.screen import find_logs, open_pool, vehicle_finder
from canassist.version import VERSION

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import Progress
    from canassist.screen import FindVehicle, FoundLog, WorkerPool


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
    ledger : path or None
        Where figures of rides are kept: a run that was stopped goes on from there.
    """

    vehicles: Path | None = None
    pattern: str = ""
    keep: bool = False
    cluster: str = ""
    workers: int = 0
    ledger: Path | None = None


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
        What was learned into it is learned anew, together with the rides in its ledger.
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
    find_vehicle = vehicle_finder(options.vehicles, options.pattern)
    leave_out = [options.vehicles] if options.vehicles else []
    found = sorted(find_logs(places, leave_out=leave_out), key=lambda item: item.log)
    if not found:
        problem = f"No ride was found in {', '.join(places)}."
        raise InputError(problem, "Check the folder; logs are known by their ending.")
    start = without_learned(read_profile(profile)) if profile else default_profile()
    order = RideOrder(dbc=tuple(map(str, dbc)), profile=start)
    ledger = _ledger(order, dbc, profile, options)
    try:
        measured = _measure(found, order, options, ledger, progress)
    finally:
        if ledger is not None:
            ledger.close()
    rides = _named(found, measured, find_vehicle, ledger)
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


def _ledger(
    order: RideOrder, dbc: Sequence[str], profile: str, options: LearnOptions
) -> RideLedger | None:
    """Open the ledger, with what the earlier profile was learned from."""
    if options.ledger is None:
        return None
    hashes = [input_file(Path(path), "dbc").sha256 for path in dbc]
    earlier = [ledger_of(Path(profile))] if profile else []
    return RideLedger(options.ledger, earlier, basis=basis_of(hashes, order.profile))


def _named(
    found: Sequence[FoundLog],
    measured: Sequence[RideFigures],
    find_vehicle: FindVehicle,
    ledger: RideLedger | None,
) -> list[RideFigures]:
    """Give each ride its vehicle; ordered by content, so that folders' names change nothing.

    Logs in one folder are one vehicle's unless something says better: taken for several, they
    would vouch for more than they show. A ride of an earlier ledger that is not among the logs
    keeps the vehicle that it had.
    """
    rides = {}
    for item, ride in zip(found, measured, strict=True):
        named = find_vehicle(item)
        name = PurePath(item.log).name
        vehicle = named.name if named else PurePath(item.log).parent.name or name
        rides[ride.sha256 or item.log] = replace(ride, vehicle=vehicle, log=name)
    if ledger is not None:
        for ride in ledger.joining:
            rides.setdefault(ride.sha256, ride)
        ledger.name(rides)
    return sorted(rides.values(), key=lambda ride: (ride.sha256, ride.log))


def _as_input(ride: RideFigures) -> InputFile:
    return InputFile(role="log", name=ride.log, sha256=ride.sha256, size_bytes=ride.size_bytes)


def _inputs(dbc: Sequence[str], profile: str) -> list[InputFile]:
    found = [input_file(Path(path), "dbc") for path in dbc]
    return [*found, *([input_file(Path(profile), "profile")] if profile else [])]


def _measure(
    found: Sequence[FoundLog],
    order: RideOrder,
    options: LearnOptions,
    ledger: RideLedger | None,
    progress: Progress,
) -> list[RideFigures]:
    """Measure every ride, on this machine or a cluster; the answers stand in the order given."""
    answers = _kept(found, ledger)
    todo = [place for place, answer in enumerate(answers) if answer is None]
    pool = open_pool(options.cluster, options.workers)
    work: Any = partial(measure_ride, order)  # Any: a pool's tasks are typed for screening
    waiting = deque[Any]()  # Any: the same
    try:
        while todo or waiting:
            while todo and len(waiting) < pool.workers * pool.ahead:
                place = todo.pop(0)
                waiting.append((place, pool.submit(work, (found[place].log,))))
            place, answer = waiting.popleft()
            try:
                (ride,) = answer.result()
            except pool.deaths:
                (ride,) = _alone(pool, work, found[place].log)
                waiting = deque(
                    (item, pool.submit(work, (found[item].log,))) for item, _ in waiting
                )
            answers[place] = ride
            if ledger is not None:
                ledger.keep(ride)
            progress(Step("measuring rides", len(answers) - len(todo) - len(waiting), len(found)))
        return [ride for ride in answers if ride is not None]
    finally:
        pool.close(now=bool(todo or waiting))


def _kept(found: Sequence[FoundLog], ledger: RideLedger | None) -> list[RideFigures | None]:
    """Return what the ledger knows of each log, by its content."""
    if ledger is None or not ledger.known:
        return [None] * len(found)
    kept: list[RideFigures | None] = []
    for item in found:
        try:
            digest = input_file(Path(item.log), "log").sha256
        except CanassistError:
            digest = ""
        kept.append(ledger.known.get(digest))
    return kept


def _alone(pool: WorkerPool, work: Any, log: str) -> list[RideFigures]:  # noqa: ANN401 - see _measure
    """Give a ride whose worker died one more try, with nothing beside it."""
    pool.renew()
    try:
        answer: Any = pool.submit(work, (log,)).result()  # Any: see _measure
    except pool.deaths:
        pool.renew()
        return [RideFigures(log=log, reason="the process that read it died, twice")]
    rides: list[RideFigures] = answer
    return rides
