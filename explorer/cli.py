"""The command line: lines for people, one JSON object for scripts, exit statuses for jobs."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from explorer import stopping
from explorer.commands import light, streams
from explorer.commands.answers import AsJson, StudyFile, give_answer, json_line
from explorer.commands.measure_line import measure
from explorer.errors import ExplorerError, InputError

if TYPE_CHECKING:
    from explorer.search.progress import Step

BEATEN = 3
"""Exit status of `rerun --fail-if-beaten` when a locked design is no longer on the front."""

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Search all hand-cranked generator chains before you solder one. "
    "Give --debug anywhere for tracebacks.",
)

NoPage = Annotated[bool, typer.Option("--no-page", help="Write no page: for scripts.")]


def _print_version(wanted: bool) -> None:
    if wanted:
        from explorer import MODEL_VERSION, __version__

        sys.stdout.write(f"genchain {__version__} (model {MODEL_VERSION})\n")
        raise typer.Exit


@app.callback()
def _program(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the release."
        ),
    ] = False,
) -> None:
    pass


@app.command("launch")
def _launch(
    study: StudyFile,
    workers: Annotated[int, typer.Option(min=1, max=1000, help="Processes that search.")] = 2,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="A Dask scheduler whose workers search.")
    ] = None,
    no_page: NoPage = False,
    as_json: AsJson = False,
) -> None:
    """Search a study, or go on where it was cut short, and write its page."""
    from explorer.commands import terminal
    from explorer.commands.launch import launch_study

    with _progress() as watch:
        answer = launch_study(
            study, workers=workers, page=not no_page, cluster=cluster, watch=watch
        )
    give_answer(answer, as_json, terminal.launched)


@app.command("review")
def _review(
    studies: Annotated[
        list[Path],
        typer.Argument(
            metavar="STUDY.toml[@DATE]...",
            help="A study file, or several to stand side by side; @2026-11-20 for the prices and "
            "the front of that day.",
        ),
    ],
    open_: Annotated[bool, typer.Option("--open", help="Open the page in a browser.")] = False,
    as_json: AsJson = False,
) -> None:
    """Write a study's page again from what is stored, or several studies side by side."""
    light.travel_light()
    light.keep_rubbish()
    from explorer.commands import terminal
    from explorer.commands.review import review_studies

    answer = review_studies(*studies)
    give_answer(answer, as_json, terminal.reviewed)
    if open_:
        from explorer.commands.browser import show_page

        show_page(answer["report"])


@app.command("lock")
def _lock(
    study: StudyFile,
    design: Annotated[str, typer.Argument(metavar="DESIGN", help="Its name, or its id.")],
    note: Annotated[str, typer.Option(help="Why this one.")] = "",
    release: Annotated[bool, typer.Option("--release", help="Take the lock off again.")] = False,
    no_sheet: Annotated[
        bool, typer.Option("--no-page", help="Write no build sheet: for scripts.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Lock the design that you decide to build."""
    light.travel_light()
    from explorer.commands import terminal
    from explorer.commands.lock import lock_design

    answer = lock_design(study, design, note=note, release=release, page=not no_sheet)
    give_answer(answer, as_json, terminal.locked)


@app.command("rerun")
def _rerun(
    study: StudyFile,
    search: Annotated[
        bool, typer.Option("--search", help="Also look for new designs at the new prices.")
    ] = False,
    owned: Annotated[
        str,
        typer.Option(
            metavar="PART[:COUNT],...",
            help="Parts you already have: so many pieces are free, or as many as it takes.",
        ),
    ] = "",
    slip: Annotated[
        str,
        typer.Option(
            metavar="WHEN",
            help="A run with a price or value that was a slip and is corrected by now, last or its "
            "minute (2026-11-20T14:05): it stays in the history, and is compared with no more.",
        ),
    ] = "",
    fail_if_beaten: Annotated[
        bool, typer.Option("--fail-if-beaten", help="Exit 3 when a locked design is beaten.")
    ] = False,
    quick: Annotated[
        bool, typer.Option("--quick", help="Compute no physics whatever the study asks.")
    ] = False,
    no_page: NoPage = False,
    as_json: AsJson = False,
) -> None:
    """Cost every stored design at today's prices and show what moved. Computes no physics."""
    if quick:
        light.travel_light()
        light.keep_rubbish()
    from explorer.commands import terminal
    from explorer.commands.rerun import owned_of, rerun_study
    from explorer.search.progress import unwatched

    parts = owned_of(owned)
    # What computes nothing has nothing to watch, and a bar takes a while to import.
    with nullcontext(unwatched) if quick else _progress() as watch:
        answer = rerun_study(
            study,
            owned=parts,
            search=search,
            quick=quick,
            page=not no_page,
            slip=slip,
            watch=watch,
        )
    give_answer(answer, as_json, terminal.moved)
    if fail_if_beaten:
        from explorer.decision.verdict import STANDING

        if any(one["status"] not in STANDING for one in answer["locked"]):
            raise typer.Exit(BEATEN)


@app.command("evaluate")
def _evaluate(
    study: StudyFile,
    design: Annotated[Path, typer.Option(metavar="DESIGN.toml", help="Parts and settings.")],
    fidelity: Annotated[str, typer.Option(help="session or waveform.")] = "session",
    as_json: AsJson = False,
) -> None:
    """Evaluate one design of your own."""
    from explorer.commands import terminal
    from explorer.commands.evaluate import evaluate_file

    answer = evaluate_file(study, design, fidelity=fidelity)
    give_answer(answer, as_json, terminal.evaluated)


@app.command("check")
def _check(
    study: StudyFile,
    store: Annotated[
        bool, typer.Option("--store", help="Verify everything that its store holds instead.")
    ] = False,
    compact: Annotated[
        bool,
        typer.Option("--compact", help="With --store: make its file smaller; nothing is lost."),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Read a study and its tables, or its store, and name every fault."""
    from explorer.commands import terminal
    from explorer.commands.check import check_store, check_study

    if store or compact:
        give_answer(check_store(study, compact=compact), as_json, terminal.store_checked)
    else:
        give_answer(check_study(study), as_json, terminal.checked)


@app.command("table")
def _table(
    study: StudyFile,
    file: Annotated[Path, typer.Argument(metavar="FILE.csv|.parquet", help="The file to write.")],
    whole: Annotated[
        bool,
        typer.Option("--all", help="The whole front, not only what a person can tell apart."),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Write the front at today's prices as a table for spreadsheets and scripts."""
    from explorer.commands import terminal
    from explorer.commands.table import write_table

    give_answer(write_table(study, file, whole=whole), as_json, terminal.tabled)


@app.command("start")
def _start(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Of the study and its folder.")],
    as_json: AsJson = False,
) -> None:
    """Write a study to be filled in, with its empty tables, into a folder of its own."""
    from explorer.commands import start as command

    answer = command.start(name, home=Path())
    give_answer(
        answer,
        as_json,
        lambda a: [
            f"study: {a['study']}",
            "fill the tables under parts/ and bench/, then: "
            f"genchain check {shlex.quote(a['study'])}",
        ],
    )


app.add_typer(measure, name="measure")


@app.command("schema")
def _schema(
    kind: Annotated[str, typer.Argument(metavar="study|notes|design", help="Which kind of file.")],
    as_json: AsJson = False,
) -> None:
    """Print the JSON Schema of a study, of notes or of a design, for editors to check it by."""
    from explorer.commands import schema as command

    found = command.schema(kind)
    sys.stdout.write((json_line(found) if as_json else command.text_of(found)) + "\n")


def main() -> None:
    """Run the program; every failure is one line a fault and a status, tracebacks on request."""
    streams.make_usable()
    arguments = [word for word in sys.argv[1:] if word != "--debug"]
    debug = len(arguments) < len(sys.argv) - 1
    try:
        status = app(args=arguments, standalone_mode=False, prog_name="genchain")
        sys.stdout.flush()  # here, where what fails is said in one line
        sys.exit(status or 0)
    except InputError as error:
        _fail(error, debug, error.exit_status)
    except ExplorerError as error:
        _fail(error, debug, error.exit_status)
    except (KeyboardInterrupt, typer.Abort):  # where `stopping.run_program` sees to no signals
        sys.stderr.write(stopping.WORDS)
        sys.exit(130)
    except BrokenPipeError:
        streams.let_go()
        sys.exit(1)
    except Exception as error:
        usage = getattr(error, "exit_code", None)
        if usage is not None and hasattr(error, "show"):
            error.show()
            sys.exit(usage)
        full = streams.fault_of_output(error) if isinstance(error, OSError) else None
        if full:
            streams.let_go()
            _fail(full, debug, full.exit_status)
        _fail(error, debug, 1)


def _fail(error: Exception, debug: bool, status: int) -> None:
    if stopping.status() is not None:
        raise stopping.Stopped from error  # it follows from the signal
    if debug:
        raise error
    words = str(error) or type(error).__name__
    if not isinstance(error, ExplorerError):
        words = f"{type(error).__name__}: {' '.join(words.split())} (--debug shows where)"
    sys.stderr.write(words + "\n")
    sys.exit(status)


@contextmanager
def _progress() -> Iterator[Callable[[Step], None]]:
    """A bar with rate and time left on standard error."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.completed:,.0f} of {task.total:,.0f}"),
        TextColumn("{task.fields[rate]}"),
        TextColumn("{task.fields[feasible]:,} feasible"),
        TimeRemainingColumn(),
    )
    # The stream of now: a signal silences sys.stderr, and the bar must still take itself away.
    console = Console(file=sys.stderr)
    # In a file or a job's mail a bar is only noise.
    disable = not console.is_terminal
    with Progress(*columns, console=console, transient=True, disable=disable) as bar:
        tasks: dict[str, Any] = {}

        def watch(step: Step) -> None:
            if step.stage not in tasks:
                tasks[step.stage] = bar.add_task(
                    step.stage, total=step.total, completed=step.done, feasible=0, rate=""
                )
            speed = bar.tasks[tasks[step.stage]].speed
            bar.update(
                tasks[step.stage],
                completed=step.done,
                feasible=step.feasible,
                rate=f"{speed:,.0f}/s" if speed else "",
            )

        yield watch
