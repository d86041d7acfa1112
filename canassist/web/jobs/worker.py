"""One piece of work in a process of its own: an order comes in as a line, the outcome goes out.

Started as ``python -m canassist.web.jobs.worker``. It reads one JSON order from standard input,
writes progress and outcome as JSON lines to standard output, and ends by itself when the
server that started it is gone.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import threading
import time
import traceback
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TextIO

from canassist.web.jobs.process_limits import end_myself, step_back
from canassist.web.store.records import RULES

if TYPE_CHECKING:
    from collections.abc import Callable

    from canassist.model import Result, Step
    from canassist.report import PageOptions
    from canassist.web.jobs.known_vehicles import KnownVehicle

Order = dict[str, Any]  # Any: plain JSON values
Outcome = dict[str, Any]  # Any: the same

_TELL_EVERY_S: Final = 0.2


def main() -> int:
    """Do what standard input asks for."""
    out = _own_output()
    order = json.loads(sys.stdin.readline())
    threading.Thread(target=_end_with_server, daemon=True).start()
    step_back(order["work_bytes"])
    tempfile.tempdir = order["folder"]
    _tell(out, _outcome(order, out))
    return 0


def _own_output() -> TextIO:
    """Keep standard output for the protocol; what a library prints goes to standard error."""
    out = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)
    return out


def _end_with_server() -> None:
    sys.stdin.read()
    end_myself()


def _tell(out: TextIO, message: Outcome) -> None:
    out.write(json.dumps(message) + "\n")
    out.flush()


def _outcome(order: Order, out: TextIO) -> Outcome:
    from canassist.errors import CanassistError
    from canassist.web.http.refusal import is_disk_full, is_out_of_memory

    try:
        return {"done": _KINDS[order["kind"]](order, _Teller(out))}
    except CanassistError as error:
        return {"refused": [error.problem, error.fix]}
    except Exception as error:
        if is_out_of_memory(error):
            return {"too_big": True}
        return {"disk_full": True} if is_disk_full(error) else {"broken": traceback.format_exc()}


class _Teller:
    """Progress as lines, a few a second."""

    def __init__(self, out: TextIO) -> None:
        self._out = out
        self._last_s = 0.0
        self._stage = ""

    def __call__(self, step: Step, /) -> None:
        now = time.monotonic()
        if step.stage == self._stage and now - self._last_s < _TELL_EVERY_S:
            return
        self._last_s, self._stage = now, step.stage
        _tell(self._out, {"step": [step.stage, step.done, step.total, step.frames]})


def _report(order: Order, progress: _Teller) -> Outcome:
    from canassist import report as writing
    from canassist.model import Step

    out = Path(order["folder"])
    vehicle, by, fit = _vehicle(order, progress)
    result = _analyze(order, vehicle, progress)
    questions = _questions(order, vehicle, result, progress)
    progress(Step("writing", 0, 1))
    page, data = out / "page.html", out / "result.json"
    rendered = writing.render_page(result, look=_look(order), key=_key(order))
    page.write_bytes(rendered.encode())
    data.write_bytes(writing.result_json(result))
    (out / "picture.svg").write_text(writing.answer_picture(result), encoding="utf-8")
    first = result.conclusions[0]
    found = {
        "page": page.name,
        "data": data.name,
        "questions": None,
        "headline": first.headline,
        "code": str(first.code),
        "strength": "" if first.strength is None else str(first.strength),
        "start_utc": result.log.start_utc.isoformat() if result.log.start_utc else "",
        "duration_s": result.log.duration_s,
        "frames": result.log.frames,
        "vehicle": vehicle.id if vehicle else None,
        "vehicle_by": by,
        "vehicle_fit": fit,
        "role": str(first.role),
        "explains": "" if first.explains_complaint is None else str(first.explains_complaint),
        "rules": RULES,
        "picture": "picture.svg",
        "identity": _identity(json.loads(data.read_bytes())["identity"]),
    }
    if questions:
        (out / "questions.json").write_text(json.dumps(questions), encoding="utf-8")
        found["questions"] = "questions.json"
    return found


def _identity(told: dict[str, Any]) -> str:  # Any: plain JSON values
    """Return the vehicle's own numbers as its bus told them, masked as in the result."""
    names = {"vin": "VIN", "part_number": "part", "serial_number": "serial"}
    return ", ".join(f"{word} {told[name]}" for name, word in names.items() if told.get(name))


def _look(order: Order) -> PageOptions:
    """Return how pages are shown: dated, in the shop's units and zone."""
    from datetime import date

    from canassist.report import PageOptions

    look = order["look"]
    made_on = date.today().isoformat()
    return PageOptions(made_on=made_on, units=look["units"], zone=look["zone"])


def _key(order: Order) -> Path | None:
    """Return the shop's signing key, where it signs."""
    key = order["look"]["key"]
    return Path(key) if key else None


def _vehicle(order: Order, progress: _Teller) -> tuple[KnownVehicle | None, str, str]:
    """Return the vehicle chosen, or the one that fits; how it came about; and how well it fits."""
    from canassist.model import Step
    from canassist.web.jobs.known_vehicles import KnownVehicle, best_fit

    vehicles = [
        KnownVehicle(
            id=one["id"],
            databases=tuple(Path(path) for path in one["dbc"]),
            profile=Path(one["profile"]) if one["profile"] else None,
        )
        for one in order["vehicles"]
    ]
    if order["vehicle_by"] == "chosen":
        chosen = [one for one in vehicles if one.id == order["vehicle"]]
        return (chosen[0] if chosen else None), "chosen", ""
    progress(Step("matching", 0, 0))
    fit = best_fit(_logs(order), vehicles)
    if fit is None:
        return None, "", ""
    return fit.vehicle, "fit", f"{fit.ids_known} of {fit.ids}"


def _logs(order: Order) -> list[Path]:
    return [Path(path) for path in order["logs"]]


def _analyze(
    order: Order, vehicle: KnownVehicle | None, progress: Callable[[Step], None]
) -> Result:
    from canassist.model import Case
    from canassist.pipeline import analyze

    case = Case(**{**order["case"], "at_s": tuple(order["case"].get("at_s", ()))})
    return analyze(
        _logs(order),
        dbc=vehicle.databases if vehicle else (),
        profile=vehicle.profile if vehicle else None,
        case=case,
        progress=progress,
    )


def _questions(
    order: Order, vehicle: KnownVehicle | None, result: Result, progress: _Teller
) -> list[dict[str, Any]]:  # Any: plain JSON values
    from canassist.model import Step
    from canassist.web.pages.questions import is_doubtful, open_questions

    if vehicle is None or not is_doubtful(result):
        return []
    progress(Step("asking", 0, 1))
    settled = order["settled"].get(vehicle.id, {})
    return open_questions(_logs(order), vehicle.databases, result.profile, settled)


def _export(order: Order, progress: _Teller) -> Outcome:
    import zipfile

    from canassist.export import export_files

    out = Path(order["folder"])
    vehicle, _, _ = _vehicle(order, progress)
    result = _analyze(order, vehicle, progress)
    packed = out / "export.zip"
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for path, data in export_files(result, out, order["stem"]).items():
            archive.writestr(zipfile.ZipInfo(path.name), data, zipfile.ZIP_DEFLATED)
    return {"file": packed.name}


def _part_of(progress: _Teller, number: int, count: int) -> Callable[[Step], None]:
    """Return a progress that counts one reading of several as its part of the whole."""
    from canassist.model import Step

    def told(step: Step, /) -> None:
        share = step.done / step.total if step.stage == "reading" and step.total else 1.0
        progress(Step("comparing", number + min(share, 0.99), count, step.frames))

    return told


def _compare(order: Order, progress: _Teller) -> Outcome:
    from canassist import compare
    from canassist import report as writing
    from canassist.errors import InputError
    from canassist.model import Step

    if not all(order["sides"]):
        problem = "A ride of this comparison is no longer on the shelf."
        raise InputError(problem, "Tick the rides anew and compare them.")
    out = Path(order["folder"])
    orders = [one for side in order["sides"] for one in side]
    read = [
        _analyze(one, _vehicle(one, progress)[0], _part_of(progress, number, len(orders)))
        for number, one in enumerate(orders)
    ]
    first = len(order["sides"][0])
    a, b = read[:first], read[first:]
    progress(Step("writing", 0, 1))
    names = tuple(side[0]["title"] for side in order["sides"])
    found = compare(a, b, names=(names[0], names[1]), same_vehicle=order["same_vehicle"])
    (out / "page.html").write_bytes(
        writing.render_comparison(found, look=_look(order), key=_key(order)).encode()
    )
    (out / "result.json").write_bytes(writing.comparison_json(found))
    return {
        "page": "page.html",
        "data": "result.json",
        "questions": None,
        "headline": found.headline,
        "code": "comparison",
        "rules": RULES,
        "strength": "",
        "start_utc": "",
        "duration_s": sum(one.log.duration_s for one in read),
        "frames": sum(one.log.frames for one in read),
        "vehicle": None,
        "vehicle_by": "",
        "vehicle_fit": "",
    }


def _pdf(order: Order, progress: _Teller) -> Outcome:
    from canassist.report import print_pdf

    del progress
    out = Path(order["folder"])
    print_pdf(out / order["page"], out / "report.pdf")
    return {"file": "report.pdf"}


def _learn(order: Order, progress: _Teller) -> Outcome:
    from canassist.web.jobs.learn_work import learned_files

    vehicle, _, _ = _vehicle(order, progress)
    if vehicle is None or not order["rides"]:
        from canassist.errors import InputError

        problem = "A ride that was to be learned from, or its vehicle, is no longer here."
        raise InputError(problem, "Tick the rides anew and learn from them.")
    found = learned_files(Path(order["rides"]), vehicle, Path(order["folder"]), progress)
    return {**found, "rules": RULES}


def _check(order: Order, progress: _Teller) -> Outcome:
    from canassist.decode import load_databases

    del progress
    for path in order["dbc"]:
        load_databases([Path(path)])
    return {}


def _sample(order: Order, progress: _Teller) -> Outcome:
    from canassist.demo import write_demo
    from canassist.profile import read_profile

    folder = Path(order["folder"])
    ride = write_demo(folder, only=(order["ride"],), progress=progress)[0]
    files = {"log": ride.log, "dbc": ride.dbc, "profile": ride.profile}
    return {
        "title": ride.title,
        "vehicle": read_profile(ride.profile).name,
        **{role: path.relative_to(folder).as_posix() for role, path in files.items()},
    }


_KINDS: Final[dict[str, Callable[[Order, _Teller], Outcome]]] = {}
_KINDS.update(
    check=_check,
    report=_report,
    export=_export,
    pdf=_pdf,
    sample=_sample,
    compare=_compare,
    learn=_learn,
)

if __name__ == "__main__":
    sys.exit(main())
