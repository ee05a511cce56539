"""The command line: words for people, one JSON object for scripts, exit statuses for jobs."""

from __future__ import annotations

import json
import os
import shlex
import sys
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from explorer import stopping
from explorer.errors import ExplorerError, InputError

if TYPE_CHECKING:
    from explorer.search.progress import Step

BEATEN = 3
"""Exit status of `rerun --fail-if-beaten` when a locked design is no longer on the front."""

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Search all hand-cranked generator chains before you solder one. "
    "Give --debug anywhere for tracebacks.",
)

Study = Annotated[
    # Whether it can be read is said by the one who reads it, in one line.
    Path, typer.Argument(metavar="STUDY.toml", help="The study file.", readable=False)
]
AsJson = Annotated[
    bool, typer.Option("--json", help="One JSON object on standard output, nothing else there.")
]


def _say_version(wanted: bool) -> None:
    if wanted:
        from explorer import MODEL_VERSION, __version__

        sys.stdout.write(f"genchain {__version__} (model {MODEL_VERSION})\n")
        raise typer.Exit


@app.callback()
def _program(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_say_version, is_eager=True, help="Say which release this is."
        ),
    ] = False,
) -> None:
    pass


@app.command()
def launch(
    study: Study,
    workers: Annotated[int, typer.Option(min=1, help="Processes that search.")] = 2,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="A Dask scheduler whose workers search.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Search a study, or go on where it was cut short, and write its page."""
    from explorer.commands import commands

    with _progress() as watch:
        answer = commands.launch(study, watch=watch, workers=workers, cluster=cluster)
    _answer(answer, as_json, _launched)


@app.command()
def review(
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
    from explorer.commands import commands

    answer = commands.review(*studies)
    _answer(answer, as_json, _reviewed)
    if open_:
        _show(answer["report"])


@app.command()
def lock(
    study: Study,
    design: Annotated[str, typer.Argument(metavar="DESIGN_ID", help="From the page.")],
    note: Annotated[str, typer.Option(help="Why this one.")] = "",
    release: Annotated[bool, typer.Option("--release", help="Take the lock off again.")] = False,
    as_json: AsJson = False,
) -> None:
    """Lock the design that you decide to build."""
    from explorer.commands import commands

    answer = commands.lock_design(study, design, note=note, release=release)
    _answer(answer, as_json, _locked)


@app.command()
def rerun(
    study: Study,
    search: Annotated[
        bool, typer.Option("--search", help="Also look for new designs at the new prices.")
    ] = False,
    owned: Annotated[
        str, typer.Option(metavar="PART,...", help="Parts you already have: they count as free.")
    ] = "",
    fail_if_beaten: Annotated[
        bool, typer.Option("--fail-if-beaten", help="Exit 3 when a locked design is beaten.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Cost every stored design at today's prices and say what moved. Computes no physics."""
    from explorer.commands import commands

    parts = [name.strip() for name in owned.split(",") if name.strip()]
    with _progress() as watch:
        answer = commands.rerun(study, owned=parts, fresh_search=search, watch=watch)
    _answer(answer, as_json, _moved)
    if fail_if_beaten and any(one["status"] != "kept" for one in answer["locked"]):
        raise typer.Exit(BEATEN)


@app.command()
def evaluate(
    study: Study,
    design: Annotated[Path, typer.Option(metavar="DESIGN.toml", help="Parts and settings.")],
    fidelity: Annotated[str, typer.Option(help="averaged, session or waveform.")] = "averaged",
    as_json: AsJson = False,
) -> None:
    """Say what one design of your own delivers."""
    from explorer.commands import commands

    answer = commands.evaluate_design(study, design, fidelity=fidelity)
    _answer(answer, as_json, _one_design)


@app.command()
def check(study: Study, as_json: AsJson = False) -> None:
    """Read a study and its tables and name every fault."""
    from explorer.commands import commands

    answer = commands.check(study)
    _answer(
        answer,
        as_json,
        lambda a: [
            f"{a['study']}: {a['combinations']:,} combinations, no fault found",
            f"would search: {a['plan']}",
            *(f"{column} is {meaning}" for column, meaning in a.get("columns", {}).items()),
            *a["notes"],
        ],
    )


@app.command()
def start(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Of the study and its folder.")],
    as_json: AsJson = False,
) -> None:
    """Write a study to be filled in, with its empty tables, into a folder of its own."""
    from explorer.commands import start as command

    answer = command.start(name, home=Path())
    _answer(
        answer,
        as_json,
        lambda a: [
            f"study: {a['study']}",
            "fill the tables under parts/ and bench/, then: "
            f"genchain check {shlex.quote(a['study'])}",
        ],
    )


@app.command()
def schema(
    kind: Annotated[str, typer.Argument(metavar="study|design", help="Which kind of file.")],
    as_json: AsJson = False,
) -> None:
    """Print the JSON Schema of a study or a design, by which editors check and explain it."""
    from explorer.commands import schema as command

    found = command.schema(kind)
    text = json.dumps(found, ensure_ascii=False) if as_json else command.text_of(found)
    sys.stdout.write(text + "\n")


def _show(page: str) -> None:
    """Open a page in the reader's browser, the one that BROWSER names if it names one.

    What the browser says goes to standard error. ExplorerError where none can be started.
    """
    import webbrowser

    sys.stdout.flush()
    ours = os.dup(1)
    os.dup2(2, 1)
    try:
        started = webbrowser.open(Path(page).resolve().as_uri())
    finally:
        os.dup2(ours, 1)
        os.close(ours)
    if not started:
        raise ExplorerError(f"{page}: is written, but no browser could be started to show it")


def main() -> None:
    """Run the program; every failure is one line a fault and a status, tracebacks on request."""
    arguments = [word for word in sys.argv[1:] if word != "--debug"]
    debug = len(arguments) < len(sys.argv) - 1
    try:
        status = app(args=arguments, standalone_mode=False, prog_name="genchain")
        sys.exit(status or 0)
    except InputError as error:
        _fail(error, debug, error.exit_status)
    except ExplorerError as error:
        _fail(error, debug, error.exit_status)
    except (KeyboardInterrupt, typer.Abort):  # where `stopping.run` sees to no signals
        sys.stderr.write(stopping.WORDS)
        sys.exit(130)
    except BrokenPipeError:
        sys.exit(1)
    except Exception as error:
        usage = getattr(error, "exit_code", None)
        if usage is not None and hasattr(error, "show"):
            error.show()
            sys.exit(usage)
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


def _answer(
    answer: dict[str, Any], as_json: bool, words: Callable[[dict[str, Any]], list[str]]
) -> None:
    lines = words(answer)
    if as_json:
        sys.stderr.write("\n".join(lines) + "\n")
        # Nothing stands in for a type that JSON has not: a wrong "True" is worse than an accident.
        sys.stdout.write(json.dumps(answer, ensure_ascii=False, allow_nan=False) + "\n")
    else:
        sys.stdout.write("\n".join(lines) + "\n")


def _launched(answer: dict[str, Any]) -> list[str]:
    from explorer.decision import judging

    search = answer["search"]
    found = (
        f"{answer['designs_considered']:,} designs considered, "
        f"{'' if search['feasible_counted'] else 'at least '}{answer['designs_feasible']:,} "
        f"feasible, {answer['front_size']:,} on the front"
    )
    share = search["share_covered"]
    exact = (
        "every combination was covered" if answer["exact"] else f"{share:.1%} of all were covered"
    )
    return [
        *search["reuse"],
        f"searched: {search['why']}",
        f"{found}; {exact}; {answer['seconds']:.1f} s",
        *filter(None, [judging.sentence(search["judged"])]),
        *_picks(answer),
        *answer["notes"],
        f"report: {answer['report']}",
    ]


def _reviewed(answer: dict[str, Any]) -> list[str]:
    lines = []
    for one in answer.get("studies", [answer]):
        if "studies" in answer:
            lines.append(f"{one['study']} {one['date'] or 'today'}: {one['front_size']:,} designs")
        lines += [*one["reuse"], *_picks(one)]
    return [*lines, f"report: {answer['report']}"]


def _picks(answer: dict[str, Any]) -> list[str]:
    by_id = {record["design_id"]: record for record in answer["front"]}
    picks = [
        f"{wish.replace('_', ' ')}: {_in_short(by_id[name])}{_in_builds(by_id[name])}"
        for wish, name in answer["picks"].items()
        if name is not None
    ]
    return [*filter(None, [answer.get("why_none")]), *picks]


def _in_builds(record: dict[str, Any]) -> str:
    """How chains built of such parts fare."""
    if record["hazard_chance"] is None:
        return ""
    return (
        f"; of its builds {record['hazard_chance']:.1%} break a hazard rule, "
        f"{record['keeps_rules_share']:.0%} keep the others"
    )


def _in_short(record: dict[str, Any]) -> str:
    return (
        f"{record['design_id']}  {record['delivered_energy_J']:.0f} J "
        f"({record['delivered_energy_J'] / 3600:.2f} Wh), "
        f"{record['cost']:.2f} {record['currency']}, {record['mass_kg']:.2f} kg, "
        f"{record['crank_effort_percent']:.0f} % effort, {record['regime']}{_of_several(record)}"
    )


def _of_several(record: dict[str, Any]) -> str:
    """Over which cases energy and effort are, and whose the regime is; empty for one case."""
    cases, weakest = record.get("cases", ()), record.get("ledger_case")
    if len(cases) < 2 or weakest is None:
        return ""
    return (
        f" ({record['over_cases']} of {len(cases)} cases; regime of {weakest['operator']} into "
        f"{weakest['pack']})"
    )


def _locked(answer: dict[str, Any]) -> list[str]:
    if "released" in answer:
        return [f"released {answer['released']} in {answer['file']}"]
    warning = [f"warning: {answer['warning']}"] if answer["warning"] else []
    return [
        f"locked {_in_short(answer['locked'])}",
        *warning,
        *answer["notes"],
        f"written to {answer['file']}",
        f"build sheet: {answer['sheet']}",
        f"bill of materials: {answer['bill']}",
        "the study's page shows it after the next review or rerun",
    ]


def _moved(answer: dict[str, Any]) -> list[str]:
    changes = [
        f"price of {c['part']}{_from_pieces(c)}: {_amount(c['old'])} -> {_amount(c['new'])} "
        f"{c['currency']} ({c['why']}, dated {c['dated']})"
        for c in answer["price_changes"]
    ] or ["no price has changed since the last run"]
    changes += [_term_words(c, answer["currency"]) for c in answer["terms_changed"]]
    known = {"cost"} if any(c["term"] == "limit_cost" for c in answer["terms_changed"]) else set()
    changes += [f"changed since the last run: {w}" for w in _changed(answer["changed"], known)]
    if answer["owned"]:
        changes.append(
            f"what if: {', '.join(answer['owned'])} counted as free; the next rerun compares with "
            "the last one without"
        )
    lines = [
        *answer["notes"],
        *changes,
        f"front: {answer['front_size']} designs, {len(answer['entered'])} entered, "
        f"{len(answer['left'])} left; {answer['physics_evaluations']} physics evaluations",
    ]
    for verdict in answer["locked"]:
        lines.append(
            f"locked {verdict['design_id']}: {_verdict_words(verdict, answer['currency'])}"
        )
    if "search" in answer:
        lines.append(f"searched: {answer['search']['why']}")
    elif answer["price_changes"] or answer["terms_changed"]:
        lines.append("new prices may justify a fresh search: rerun with --search")
    return [*lines, f"report: {answer['report']}"]


def _changed(changed: list[dict[str, Any]], known: Collection[str] = ()) -> list[str]:
    """Limits, settings, tables, people and packs that changed, beside limits already `known`."""
    from explorer.decision.changes import Change

    found = [Change(**one) for one in changed]
    return [one.words for one in found if one.what != "limit" or one.name not in known]


def _term_words(change: dict[str, Any], currency: str) -> str:
    """A change of the study's own terms, and what it does to costs or to the front."""
    if change["term"] == "build_quantity":
        kits = f"{change['old']:,} -> {change['new']:,}"
        return f"build_quantity of the study: {kits} (price breaks count for all kits together)"
    old, new = (_amount(change[way]) for way in ("old", "new"))
    return f"the study's limit on cost: {old} -> {new} {currency}"


def _from_pieces(change: dict[str, Any]) -> str:
    count = change["from_quantity"]
    return f" from {count} pieces" if count > 1 else ""


def _amount(value: float | None) -> str:
    return "none" if value is None else f"{value:.2f}"


BETTER = {
    "delivered_energy_J": "{:.4g} J more",
    "cost": "{:.2f} {currency} less",
    "mass_kg": "{:.3g} kg less",
    "crank_effort_percent": "{:.3g} % less effort",
}


def _verdict_words(verdict: dict[str, Any], currency: str) -> str:
    words = verdict["status"].replace("_", " ")
    if verdict["beaten_by"]:
        better = ", ".join(
            BETTER[name].format(value, currency=currency)
            for name, value in verdict["by"].items()
            if value
        )
        words += f" by {verdict['beaten_by']} ({better})"
    now, then = verdict["cost"], verdict["cost_when_locked"]
    if now is not None and then is not None:
        words += f"; costs {now:.2f} {currency}, {then:.2f} when it was locked"
    stay, switch = verdict["cost_to_stay"], verdict["cost_to_switch"]
    if stay is not None and (switch is not None or stay != now):  # owned parts are free
        words += f"; to stay costs {stay:.2f} {currency}"
        words += f", to switch {switch:.2f} {currency}" if switch is not None else ""
    if verdict["tips"]:
        tip = verdict["tips"][0]
        words += (
            f"; falls first to {tip['rival'] or 'the limit on cost'}, if {tip['part']} "
            f"{'rises' if tip['tips_at'] > tip['price'] else 'falls'} from {tip['price']:.2f} to "
            f"{tip['tips_at']:.2f} {currency}"
        )
    since = [f"since the lock: {one}" for one in _changed(verdict["changed"])]
    return "; ".join([words, *verdict["reasons"], *since])


def _one_design(answer: dict[str, Any]) -> list[str]:
    from explorer.model.evaluate import UNBOUNDED_MARGIN
    from explorer.model.margins import RULES

    work = answer["ledger_J"]["crank_work"]
    rules = []
    for name, value in sorted(answer["margins"].items(), key=lambda item: item[1] >= 0):
        unit, says = answer["currency"], "The study's limit on cost."
        if name in RULES:
            unit, says, _ = RULES[name]
        room = f"{'broken' if value < 0 else 'kept'} by {abs(value):.4g} {unit}"
        if value <= UNBOUNDED_MARGIN:
            room = "broken beyond measure"
        rules.append(f"  {room}: {says} ({name})")
    told = []
    if "averaged" in answer:
        quick = answer["averaged"]
        told.append(
            f"stepped through time; the averaged model of the search says "
            f"{quick['delivered_energy_J']:.0f} J"
            if quick
            else "stepped through time: the averaged model of the search does not hold for this "
            "chain, whose bank does not carry the load from one stroke to the next, or would be "
            "left with energy that it cannot hold"
        )
    if "waveform" in answer:
        window = answer["waveform"]
        told.append(
            f"at switching level, {window['seconds']:g} s from {window['start_V']:.2f} V: "
            f"{window['bus_current_A']:.4g} A into the bus, the search reads "
            f"{window['difference_percent']:+.2f} % of that more"
        )
    several = len(answer["cases"]) > 1
    over = f"energy and effort are the {answer['over_cases']} of {len(answer['cases'])} cases"
    whose = " into ".join(answer["ledger_case"][key] for key in ("operator", "pack"))
    return [
        _in_short(answer),
        *told,
        *([f"{over}; regime and ledger are of {whose}, which delivers least"] if several else []),
        *map(_one_case, answer["cases"]),
        f"where the work at the crank goes{f', {whose}' if several else ''}:",
        *(
            f"  {name:16s} {value:9.1f} J  {100 * value / work if work else 0:5.1f} %"
            for name, value in answer["ledger_J"].items()
        ),
        "every rule is kept:" if answer["feasible"] else "not feasible:",
        *rules,
    ]


def _one_case(case: dict[str, Any]) -> str:
    """What one person gets into one pack: every number is theirs."""
    percent, first = case["minutes_per_percent"], case["time_to_first_charge_s"]
    gains = "gains nothing" if percent is None else f"{percent:.2g} minutes for 1 %"
    charged = "never charged" if first is None else f"first charge after {first:.0f} s"
    return (
        f"  {case['operator']} into {case['pack']}, {case['minutes']:g} minutes: "
        f"{case['delivered_energy_J']:.0f} J, {gains}, "
        f"{case['crank_effort_percent']:.0f} % effort, {case['regime']}, {charged}"
    )
