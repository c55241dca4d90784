"""The command line: parses, shows progress, prints, and sets the exit code."""

from __future__ import annotations

import io
import json
import logging
import os
import sys
import warnings
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vinemap.characters import for_terminal
from vinemap.errors import FetchError, InputError, Problem, VinemapError, system_problem
from vinemap.interrupts import stopped, written
from vinemap.sentences import Listed, Sentence

# Each command loads its own stage, and what prints loads rich, so that help and a wrong call answer at once.
if TYPE_CHECKING:
    from rich.console import Console
    from rich.status import Status
    from rich.text import Text

    from vinemap.intake.questions import Proposal
    from vinemap.intake.understand import Understanding
    from vinemap.settings import Settings

_INPUT_WRONG, _FAILED = 2, 1
_LINE = 72

_FOLDER = click.argument("folder", type=click.Path(path_type=Path))
_FOLDER_OR_ADDRESS = click.argument("folder")
_PRIOR = click.option(
    "--prior",
    type=click.Path(path_type=Path),
    help="prior.json of a region, to borrow from other vineyards of the same night.",
)


def _out_option(suffix: str = "") -> Callable[[Callable[..., None]], Callable[..., None]]:
    shown = f"Output folder  [default: outputs/NAME{suffix}]"
    return click.option("-o", "--out", type=click.Path(path_type=Path), help=shown)


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="vinemap", prog_name="vinemap")
def commands() -> None:
    """Map winter bud injury across a vineyard and plan the work that follows.

    Example: vinemap map demo_blocks
    """


@commands.command("map")
@_FOLDER
@_out_option()
@click.option("--compare", type=click.Path(path_type=Path), help="Output folder of an earlier run, to show the change.")
@click.option(
    "--after",
    type=click.Path(path_type=Path),
    multiple=True,
    help="Output folder of an earlier freeze on this ground, to learn from; once for each.",
)
@_PRIOR
@click.option("--pdf", is_flag=True, help="Write the crew sheets as PDF too (needs the extra vinemap[pdf]).")
@click.option("--open", "open_page", is_flag=True, help="Open the page when it is written.")
def map_command(
    folder: Path,
    out: Path | None,
    compare: Path | None,
    after: tuple[Path, ...],
    prior: Path | None,
    pdf: bool,
    open_page: bool,
) -> None:
    """Map injury and write the page, the tables and the layers.

    Example: vinemap map demo_blocks -o outputs/demo --open
    """
    from vinemap.exports.exchange import claimed
    from vinemap.pipeline.mapping import make_map
    from vinemap.pipeline.writing import write_map

    target = _out(out, folder)
    with claimed(target, folder), _console().status("starting") as status:
        run = make_map(folder, _shown(status), after, prior)
        written = write_map(run, target, compare, _shown(status), pdf=pdf)
    settings = run.vineyard.site.settings
    _say_all([Sentence("console.worst", name=run.vineyard.site.name)], settings, style="bold")
    _say_all(run.findings, settings, before="  ")
    _say_notes(run.report["warnings"], settings)
    if open_page:
        _open(written[0])
    _say_written(written, settings)


@commands.command()
@_FOLDER
@_out_option("_plan")
@click.option(
    "--precision",
    type=click.FloatRange(1, 49),
    default=10.0,
    show_default=True,
    help="Wanted half-width of a block's interval, in points.",
)
@click.option("--points", type=click.IntRange(min=1), help="Points of a second round  [default: as many as pay]")
@click.option("--start", type=(float, float), help="Longitude and latitude where the walk starts and ends.")
@click.option("--first", is_flag=True, help="Plan a first round even where the folder holds a survey.")
def plan(
    folder: Path, out: Path | None, precision: float, points: int | None, start: tuple[float, float] | None, first: bool
) -> None:
    """Say where to collect canes, how many, and in which order to walk.

    A folder with blocks, and elevation if there is any, gets a first round; one that holds a survey gets the next
    points, where the map is least sure what to do.

    Example: vinemap plan demo_blocks --first -o outputs/plan
    """
    from vinemap.plan.options import PlanOptions
    from vinemap.plan.overview import sentences
    from vinemap.plan.run import make_plan

    target = _out(out, folder, "_plan")
    with _console().status("starting") as status:
        options = PlanOptions(half_width=precision / 100, points=points, start=start)
        planned = make_plan(folder, target, options, first=first, progress=_shown(status))
    _say_all(sentences(planned), planned.settings)
    _say_all([Sentence("console.planned")], planned.settings)
    _say(str(target / "plan.html"))


@commands.command()
@click.argument("plan", required=False, type=click.Path(path_type=Path))
@click.option("-o", "--out", default=Path("bench.html"), type=click.Path(path_type=Path), show_default=True)
@click.option("--name", default="vineyard", show_default=True, help="Of the vineyard; the page's store belongs to it.")
@click.option("--language", default="en", type=click.Choice(["en", "es"]), show_default=True)
def bench(plan: Path | None, out: Path, name: str, language: str) -> None:
    """Write the page that takes down what the razor shows, for a phone or tablet beside the cutting board.

    PLAN is a table with the columns sample and block, such as the samples.csv of a plan or a vineyard folder;
    without it, the page loads one at the bench.

    Example: vinemap bench demo_blocks/samples.csv --name "Thornquill Hollow" -o bench.html
    """
    from vinemap.bench.bench_page import write_bench
    from vinemap.bench.round import read_bench_samples
    from vinemap.exports.exchange import replaced

    samples = None if plan is None else read_bench_samples(plan)
    with replaced(_page_path(out), 'id="bench-data"') as page:
        write_bench(page, samples=samples, name=name, language=language)
    saved = "buds.csv, and wood.csv where wood was looked at"
    _say(f"Wrote {out}. Save it on the phone, open it there, and send back what it saves: {saved}.")


@commands.command()
@click.argument("tables", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("-o", "--out", type=click.Path(path_type=Path), help="File to write.  [default: buds.csv or wood.csv]")
def merge(tables: tuple[Path, ...], out: Path | None) -> None:
    """Put several people's tables of buds, of wood checks, or of marks on the work list into one.

    Names what was entered twice, and marks that two phones set otherwise: the later one is kept.

    Example: vinemap merge buds_ana.csv buds_lee.csv -o demo_blocks/buds.csv
    """
    from vinemap.bench.merge import merge_tables

    for sentence in merge_tables(tables, out):
        _say(sentence)


@commands.command("import")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("-o", "--out", required=True, type=click.Path(path_type=Path), help="Vineyard folder to write.")
@click.option("--yes", is_flag=True, help="Take what is certain; where something is not, list the questions and stop.")
@click.option("--language", type=click.Choice(["en", "es"]), help="Of the questions  [default: the folder's]")
def import_command(files: tuple[Path, ...], out: Path, yes: bool, language: str | None) -> None:
    """Make a tidy vineyard folder of your own files, as they are.

    Takes outlines, workbooks, tables, waypoints and an elevation grid; says what each file, sheet, column and code
    means, asks where that is not certain, and keeps the answers for next year's files. Your files stay as they are.

    Example: vinemap import outlines.kml "buds 2026.xlsx" -o my_vineyard
    """
    from vinemap.intake.tidy import answers_in, settings_of, with_kept, write_folder
    from vinemap.intake.understand import understand

    language = language or settings_of(out).language
    given, answers = with_kept(files, out), answers_in(out)
    understood = understand(given, answers)
    _say_understood(understood, language)
    while not yes and sys.stdin.isatty() and understood.open and not understood.problems:
        answers |= _asked(understood.open[0], language)
        understood = understand(given, answers)
    if understood.problems or understood.open:
        questions = [_question(proposal, out, language) for proposal in understood.open]
        raise InputError([*understood.problems, *questions])
    written = write_folder(understood, given, out)
    names = Listed([path.name for path in written], together=True, most=None)
    for sentence in (
        Sentence("import.written", files=names, folder=str(out)),
        Sentence("import.next", folder=str(out)),
    ):
        _say(sentence.said(language))


def _say_understood(understood: Understanding, language: str) -> None:
    """Print what was understood: each proposal in plain words with its examples, then the notes."""
    from vinemap.intake.questions import settled

    for proposal in understood.proposals:
        means = proposal.means(settled(proposal, understood.answers))
        key = "import.open" if means is None else "import.means"
        _say(Sentence(key, about=proposal.about, means=means or "").said(language))
        _say_examples(proposal)
    for note in understood.notes:
        _say(Sentence("console.note", what=note).said(language), style="yellow")


def _say_examples(proposal: Proposal) -> None:
    """Print cells in one line, rows each in its own."""
    together = "  ·  ".join(proposal.examples)
    for line in [together] if len(together) <= _LINE else proposal.examples:
        _say(f"    {line}", style="dim")


def _asked(proposal: Proposal, language: str) -> dict[str, str]:
    """Ask at the terminal what a proposal leaves open."""
    _say(Sentence("import.which", about=proposal.about).said(language), style="bold")
    _say_examples(proposal)
    for number, choice in enumerate(proposal.choices, start=1):
        _say(f"  {number}  {choice.means.said(language)}")
    values = [choice.value for choice in proposal.choices]
    likely = None if proposal.value is None else values.index(proposal.value) + 1
    words = Sentence("import.number").said(language)
    number = click.prompt(words, type=click.IntRange(1, len(values)), default=likely)
    return {proposal.key: values[number - 1]}


def _question(proposal: Proposal, out: Path, language: str) -> Problem:
    """Return an open question as what is to be mended: with the line of the settings that would answer it."""
    key = json.dumps(proposal.key, ensure_ascii=False)
    lines = (
        Sentence("import.answer", line=f"{key} = {json.dumps(choice.value, ensure_ascii=False)}", means=choice.means)
        for choice in proposal.choices
    )
    what = Sentence("import.open", about=proposal.about).said(language).rstrip(".")
    remedy = Sentence("import.write", lines=Listed(lines, between=" | ", most=None)).said(language)
    said = (Sentence("fault.as_said", text=words) for words in (what, remedy))
    return Problem(str(out / "vinemap.toml"), None, "[import.answers]", *said)


@commands.command()
@_FOLDER
def template(folder: Path) -> None:
    """Write empty tables of every shape that vinemap reads, ready to fill.

    Example: vinemap template my_vineyard
    """
    from vinemap.bench.empty_tables import write_templates

    for sentence in write_templates(folder):
        _say(sentence)


@commands.command()
@_FOLDER
@click.option("--block", required=True, help="Name of the block.")
@click.option(
    "--shoots", type=click.Path(path_type=Path), help="Table of shoots, to explain what `spring` makes of it."
)
@_PRIOR
def explain(folder: Path, block: str, shoots: Path | None, prior: Path | None) -> None:
    """Show the arithmetic from a block's counts to its action.

    Example: vinemap explain demo_blocks --block Larkrise
    """
    from vinemap.decisions.explain import explain_block
    from vinemap.decisions.explain_spring import explain_spring
    from vinemap.pipeline.after_budbreak import check_spring
    from vinemap.pipeline.map_run import block_named
    from vinemap.pipeline.mapping import make_map
    from vinemap.reading.vineyard import read_vineyard

    if shoots is not None and prior is not None:
        raise click.UsageError("--prior goes with cut buds alone: after budbreak what grew decides; leave it out")
    with _console().status("reading") as status:
        vineyard = read_vineyard(folder)
        block_named(vineyard.site.blocks, block)  # a wrong name is told before the map is made
        if shoots is None:
            run = make_map(vineyard, _shown(status), prior=prior)
        else:
            run = check_spring(folder, shoots, _shown(status))[1]
    settings = run.vineyard.site.settings
    row, zones = run.block(block), run.zones_of(block)
    if shoots is None:
        _say_all(explain_block(row, settings, zones, run.report["model"]), settings)
    else:
        _say_all(explain_spring(row, settings, zones), settings)


@commands.command()
@_FOLDER
@click.argument("counts", type=click.Path(path_type=Path))
@_out_option("_spring")
def spring(folder: Path, counts: Path, out: Path | None) -> None:
    """Hold shoots counted after budbreak against the map, map them, and say what to do by what grew.

    COUNTS is a table with the columns sample, nodes (left at pruning) and shoots (nodes that bear one); what froze
    since, suckers and the growth stage where they were noted. `vinemap template` writes an empty one.

    Example: vinemap spring demo_blocks demo_blocks/shoots.csv -o outputs/spring
    """
    from vinemap.exports.exchange import claimed
    from vinemap.pipeline.after_budbreak import check_spring
    from vinemap.pipeline.writing import write_spring

    target = _out(out, folder, "_spring")
    with claimed(target, folder), _console().status("starting") as status:
        check, run = check_spring(folder, counts, _shown(status))
        written = write_spring(check, run, target, _shown(status))
    settings = run.vineyard.site.settings
    _say_all(run.findings, settings)
    _say_all(run.report["spring"]["findings"], settings)
    _say_written(written, settings)


@commands.command()
@_FOLDER
def check(folder: Path) -> None:
    """Read a vineyard folder and name everything that is wrong with it; write nothing.

    Example: vinemap check demo_blocks
    """
    from vinemap.pipeline.fit_to_map import check_folder
    from vinemap.reading.vineyard import summary, verdict

    vineyard = check_folder(folder)
    settings = vineyard.site.settings
    _say_all(summary(vineyard), settings)
    _say_notes(vineyard.warnings, settings)
    _say_all([verdict(vineyard)], settings)


@commands.command()
@_FOLDER
@click.option(
    "--source", metavar="NAME", help="usgs_third or copernicus_glo30  [default: the finest that has the blocks]"
)
@click.option("--yes", is_flag=True, help="Fetch without asking first.")
@click.option("--replace", is_flag=True, help="Replace the elevation grid that is there.")
@click.option("--source-url", metavar="ADDRESS", help="Ask this address in place of the sources' own hosts: a mirror.")
@click.option(
    "--timeout",
    type=click.FloatRange(0.1, 3600),
    default=30.0,
    show_default=True,
    help="Seconds to wait for a host that sends nothing.",
)
def elevation(
    folder: Path, source: str | None, yes: bool, replace: bool, source_url: str | None, timeout: float
) -> None:
    """Fetch an elevation grid for the blocks from open public data, after asking.

    This is the only command that uses the network; it asks the hosts that it names and no others.

    Example: vinemap elevation my_vineyard
    """
    from vinemap.intake.opendata import fetch_elevation, wanted_elevation
    from vinemap.intake.ranges import Limits

    wanted = wanted_elevation(folder, source, address=source_url, replace=replace)
    settings = wanted.site.settings
    _say_all(wanted.told(), settings)
    if not yes and not _agreed(Sentence("elevation.question").said(settings.language)):
        return _say_all([Sentence("elevation.declined")], settings)
    with _console().status("starting") as status:
        fetched = fetch_elevation(wanted, _shown(status), Limits(silence_s=timeout))
    _say_all(fetched.sentences, settings)
    _say(str(fetched.path))


@commands.command()
@click.argument("runs", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RUN...")
@click.option("-o", "--out", required=True, type=click.Path(path_type=Path), help="Output folder.")
def history(runs: tuple[Path, ...], out: Path) -> None:
    """Hold several freezes against each other: where it freezes again and again.

    RUN is the output folder of a map; each of another freeze on the same ground.

    Example: vinemap history outputs/2024 outputs/2026 -o outputs/history
    """
    from vinemap.exports.exchange import claimed
    from vinemap.history.history_page import history_notes, history_sentences, read_history, write_history

    earlier, found = read_history(runs)
    with claimed(out, earlier[-1].out):
        written = write_history(earlier, found, out)
    language = earlier[-1].language
    for sentence in [*history_sentences(found), *history_notes(found)]:
        _say(sentence.said(language))
    for path in written:
        _say(str(path))


@commands.command()
@_FOLDER
def demo(folder: Path) -> None:
    """Write an invented vineyard to try things on.

    Example: vinemap demo try_me
    """
    from vinemap.demo import write_demo

    write_demo(folder)
    _say(f"Wrote an invented vineyard to {folder}. Map it: vinemap map {folder}")


@commands.command()
@click.option(
    "-o", "--out", default=Path("outputs/guide.html"), type=click.Path(path_type=Path), show_default=True, help="File."
)
@click.option("--open/--no-open", "open_page", default=True, show_default=True, help="Open it in the browser.")
def guide(out: Path, open_page: bool) -> None:
    """Open the guide: first map, preparing files, reading the map, how it decides, columns, settings, Python.

    Example: vinemap guide --no-open -o guide.html
    """
    from vinemap.guide.guide import write_guide

    write_guide(_page_path(out))
    if open_page:
        _open(out)
    _say(str(out))


@commands.command()
@click.argument("folder", required=False, type=click.Path(path_type=Path))
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port to listen on  [default: one that is free]")
@click.option("--open/--no-open", "open_page", default=True, show_default=True, help="Open it in the browser.")
@click.option("--shortcut", is_flag=True, help="Put a shortcut to this desk on the desktop, and stop.")
def desk(folder: Path | None, port: int, open_page: bool, shortcut: bool) -> None:
    """Open the desk: the whole job on pages in the browser, served on this computer alone.

    FOLDER is a vineyard's, or one that holds the folders of several; without it, the folder "vineyards" in your home.

    Example: vinemap desk demo_blocks
    """
    home = Path.home() / "vineyards" if folder is None else folder
    if shortcut:
        from vinemap.desk.shortcut import write_shortcut

        return _say(f"Wrote {write_shortcut(home)}: open it to open the desk of {home}.")
    try:
        from vinemap.desk.serve import serve
    except ModuleNotFoundError as error:
        if error.name not in ("starlette", "uvicorn"):
            raise
        raise VinemapError(Sentence("fault.no_desk")) from error

    def opened(address: str) -> None:
        _say(f"The desk is open at {address}")
        _say("This address is its key: keep it to yourself. Ctrl-C closes the desk.")
        if open_page:
            import webbrowser

            webbrowser.open(address)

    serve(home, opened, port=port)
    return _say("The desk is closed; what was typed is kept.")


@commands.command()
@_FOLDER_OR_ADDRESS
@click.option("-o", "--out", required=True, metavar="FOLDER", help="Output folder, or an address such as s3://…")
@click.option("--scheduler", metavar="ADDRESS", help="A running Dask scheduler  [default: processes on this machine]")
@click.option("--workers", type=click.IntRange(min=1), help="Processes to start here  [default: one a core]")
@click.option("--alone", is_flag=True, help="Let no vineyard borrow from the others.")
@click.option("--pdf", is_flag=True, help="Write PDF too (needs the extra vinemap[pdf]).")
def region(folder: str, out: str, scheduler: str | None, workers: int | None, alone: bool, pdf: bool) -> None:
    """Map every vineyard of a region, and write what they say together: the bulletin.

    FOLDER holds one folder a vineyard and region.csv: folder, district, grower. Five vineyards or more teach each other
    how injury followed the ground. Give the command again after a stop, or when files came in: what is as it was is not
    mapped again. Needs the extra vinemap[region].

    Example: vinemap region county -o outputs/county
    """
    from vinemap.region.region import faults, map_region, told

    with _counted() as counted:
        run = map_region(
            folder, out, scheduler=scheduler, workers=workers, alone=alone, pdf=pdf, taught=counted, done=counted
        )
    language = run.region.settings.language
    for sentence in run.region.warnings:
        _say(Sentence("console.note", what=sentence).said(language), style="yellow")
    for sentence in faults(run):
        _say(sentence.said(language), style="yellow")
    for sentence in told(run):
        _say(sentence.said(language), style="bold")
    _say(run.written[0])


@contextmanager
def _counted() -> Iterator[Callable[[int, int, str, object], None]]:
    """Show how many vineyards are done, and about how long the rest takes."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=_console(), transient=True, speed_estimate_period=3600) as progress:
        bar = progress.add_task("starting", total=None)

        def counted(done: int, total: int, name: str, _: object) -> None:
            if done == 1:
                # A round of its own: that the one before is done says nothing of how long this one takes.
                progress.reset(bar)
            progress.update(bar, completed=done, total=total, description=_plain(name).markup)

        yield counted


def _agreed(question: str) -> bool:
    """Ask yes or no in a terminal; refuse to go on where nobody can answer."""
    if not sys.stdin.isatty():
        raise click.UsageError("nobody can be asked here whether to go on; give --yes to go on without asking")
    return click.confirm(question, default=False)


def _out(out: Path | None, folder: Path, suffix: str = "") -> Path:
    return Path("outputs") / (folder.resolve().name + suffix) if out is None else out


def _shown(status: Status) -> Callable[[str], None]:
    return lambda stage: status.update(_plain(stage))


def _page_path(out: Path) -> Path:
    """Return the path as it is; raise `InputError` where a browser would not take the file for a page."""
    if out.suffix.lower() != ".html":
        raise InputError([Problem(str(out), None, "", Sentence("fault.no_page_name"), Sentence("remedy.no_page_name"))])
    return out


def _open(page: Path) -> None:
    import webbrowser

    webbrowser.open(page.resolve().as_uri())


def _say_all(sentences: Iterable[Sentence], settings: Settings, *, before: str = "", style: str | None = None) -> None:
    """Print sentences in the vineyard's language, a line each."""
    for sentence in sentences:
        _say(f"{before}{sentence.said(settings.language)}", style=style)


def _say_notes(warnings: Iterable[Sentence], settings: Settings) -> None:
    _say_all([Sentence("console.note", what=warning) for warning in warnings], settings, style="yellow")


def _say_written(written: list[Path], settings: Settings) -> None:
    page, *others = written
    names = Listed([file.name for file in others], together=True, most=None)
    _say_all([Sentence("console.written", files=names, folder=str(page.parent))], settings)
    _say(str(page))


def _say(text: str, style: str | None = None) -> None:
    _console().print(_plain(text), style=style)


def _complain(text: str) -> None:
    _console(stderr=True).print(_plain(text))


@cache
def _console(*, stderr: bool = False) -> Console:
    from rich.console import Console

    return Console(stderr=stderr, highlight=False, soft_wrap=True)


def _plain(text: str) -> Text:
    """Return text that is only text: nothing in it moves the cursor, and rich finds neither markup nor emoji codes."""
    from rich.text import Text

    return Text(for_terminal(text))


class _Complaints(logging.Handler):
    """Sends what a library logs the way of all other words."""

    def emit(self, record: logging.LogRecord) -> None:
        _complain(f"Note: {record.getMessage()}")


def main() -> None:
    """Run the command line and exit: 0 done, 2 the input or the call is wrong, 1 anything else."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # A name that an old terminal cannot show is no reason to fail.
            stream.reconfigure(errors="replace")
    logging.basicConfig(handlers=[_Complaints(logging.WARNING)], force=True)
    warnings.showwarning = lambda message, *_, **__: _complain(f"Note: {message}")
    try:
        commands(standalone_mode=False)
    except click.exceptions.Exit as ending:
        sys.exit(ending.exit_code)
    except Exception as error:
        code = _tell(error)
        if code == _FAILED and os.environ.get("VINEMAP_TRACEBACK"):
            raise
        sys.exit(code)


def _tell(error: Exception) -> int:
    """Say what went wrong, and return the exit code."""
    match error:
        case click.ClickException():
            shown = io.StringIO()
            error.show(shown)
            for line in shown.getvalue().split("\n")[:-1]:
                _complain(line)
        case InputError():
            for problem in error.problems:
                _complain(str(problem))
            _complain(f"{len(error.problems)} to mend; nothing was written.")
        case VinemapError():
            _complain(str(error))
            return _FAILED if isinstance(error, FetchError) else _INPUT_WRONG
        case OSError(filename=str()):
            _complain(str(system_problem(error)))
        case click.Abort():
            _complain(stopped())
            return _FAILED
        case BrokenPipeError():
            return _FAILED  # whoever read along has gone
        case OSError():
            _complain(f"The system refused: {error.strerror or error}; {written()}.")
            return _FAILED
        case _:
            _complain(f"vinemap failed: {type(error).__name__}: {error}; {written()}.")
            _complain("That is a fault of vinemap, not of your files; set VINEMAP_TRACEBACK=1 to see where.")
            return _FAILED
    return _INPUT_WRONG
