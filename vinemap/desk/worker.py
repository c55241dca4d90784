"""A process of its own for work that takes long: it reads what to do, and reports as lines of JSON.

It ends as Ctrl-C ends the command line, with nothing half done, when its input is closed: whoever started it closes it
to stop the work, and the system does where that process dies.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from vinemap.errors import InputError, Problem, VinemapError, system_problem
from vinemap.interrupts import stop_cleanly
from vinemap.sentences import Sentence

Report = Callable[..., None]


def main() -> None:
    """Do the work that the first line of the input names, and end with 0 when all went well."""
    stop_cleanly()
    work = json.loads(sys.stdin.readline())
    threading.Thread(target=_stop_at_end, daemon=True).start()
    try:
        _WORK[work.pop("work")](_report, **work)
    except InputError as error:
        _report(problems=[_in_languages(problem) for problem in error.problems])
    except VinemapError as error:
        _report(error=error.sentence.everywhere())
    except OSError as error:
        own = Sentence("fault.as_said", text=str(error.strerror or error))
        _report(error=(own if error.filename is None else system_problem(error).sentence).everywhere())
    except Exception as error:
        ours = Sentence("fault.ours", kind=type(error).__name__, reason=str(error))
        _report(error=ours.everywhere(), fault=True)
        raise


def _in_languages(problem: Problem) -> dict[str, Any]:
    sentences = {"message": problem.message.everywhere(), "remedy": problem.remedy.everywhere()}
    return asdict(problem) | sentences


def _stop_at_end() -> None:
    while sys.stdin.read(1):
        pass
    os.kill(os.getpid(), signal.SIGINT) if sys.platform != "win32" else signal.raise_signal(signal.SIGINT)


def _report(**content: Any) -> None:
    sys.stdout.write(json.dumps(content) + "\n")
    sys.stdout.flush()


def _stage(report: Report) -> Callable[[str], None]:
    return lambda stage: report(stage=stage)


def _done(report: Report, files: Iterable[Path], sentences: Iterable[Sentence]) -> None:
    report(written=[str(file) for file in files], said=[sentence.everywhere() for sentence in sentences])


def _map(report: Report, folder: str, out: str, earlier: str | None = None, after: Sequence[str] = ()) -> None:
    from vinemap.exports.exchange import claimed  # noqa: PLC0415 - the stop is answered before the libraries load
    from vinemap.pipeline.mapping import make_map  # noqa: PLC0415
    from vinemap.pipeline.writing import write_map  # noqa: PLC0415

    with claimed(Path(out), Path(folder)):
        run = make_map(folder, _stage(report), after)
        written = write_map(run, out, earlier, _stage(report))
    _done(report, written, run.findings)


def _spring(report: Report, folder: str, counts: str, out: str) -> None:
    from vinemap.exports.exchange import claimed  # noqa: PLC0415
    from vinemap.pipeline.after_budbreak import check_spring  # noqa: PLC0415
    from vinemap.pipeline.writing import write_spring  # noqa: PLC0415

    with claimed(Path(out), Path(folder)):
        check, run = check_spring(Path(folder), Path(counts), _stage(report))
        written = write_spring(check, run, Path(out), _stage(report))
    _done(report, written, [*run.findings, *run.report["spring"]["findings"]])


def _plan(report: Report, folder: str, out: str, half_width: float = 0.1, *, first: bool = False) -> None:
    from vinemap.plan.options import PlanOptions  # noqa: PLC0415
    from vinemap.plan.overview import sentences  # noqa: PLC0415
    from vinemap.plan.run import make_plan  # noqa: PLC0415

    options = PlanOptions(half_width=half_width)
    planned = make_plan(Path(folder), Path(out), options, first=first, progress=_stage(report))
    _done(report, [Path(out) / "plan.html"], sentences(planned))


def _elevation(report: Report, folder: str, out: str) -> None:
    from vinemap.intake.opendata import fetch_elevation, wanted_elevation  # noqa: PLC0415

    fetched = fetch_elevation(wanted_elevation(folder), _stage(report))
    _done(report, [Path(out) / fetched.path.name], fetched.sentences)


def _region(report: Report, folder: str, out: str) -> None:
    from vinemap.region.region import faults, map_region, told  # noqa: PLC0415

    def done(count: int, total: int, name: str, _: object) -> None:
        report(stage=f"vineyard {count} of {total}: {name}")

    run = map_region(folder, out, taught=done, done=done)
    _done(report, [Path(place) for place in run.written], [*told(run), *faults(run)])


_WORK: dict[str, Callable[..., None]] = {
    "region": _region,
    "map": _map,
    "spring": _spring,
    "plan": _plan,
    "elevation": _elevation,
}


if __name__ == "__main__":
    main()
