"""measure on the command line: notes, what to measure next, readings and logs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from explorer.commands.answers import AsJson, StudyFile, give_answer

measure = typer.Typer(no_args_is_help=True, help="From the bench to the tables, and back.")


@measure.command("note")
def _measure_note(
    kind: Annotated[str, typer.Argument(metavar="KIND", help="generator, cell, operator, ...")],
    file: Annotated[
        Path | None, typer.Option("--to", metavar="NOTES.toml", help="A new file to write it to.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Print an empty note: what to measure, in which order, and what can hurt."""
    from explorer.commands import measure as command
    from explorer.commands.measured_words import noted

    give_answer(command.write_note(kind, file), as_json, noted)


@measure.command("read")
def _measure_read(
    notes: Annotated[Path, typer.Argument(metavar="NOTES.toml", help="Notes from the bench.")],
    into: Annotated[
        Path | None,
        typer.Option(metavar="STUDY.toml", help="Write the rows into this study's tables."),
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Change rows that are there already.")
    ] = False,
    figure: Annotated[
        Path | None, typer.Option(metavar="FILE.svg", help="Draw how far each reading is off.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Make rows of notes, each number with its uncertainty, and name what looks like a slip."""
    from explorer.commands import measure as command
    from explorer.commands.measured_words import bench_read

    give_answer(
        command.read_bench(notes, into, replace=replace, figure=figure), as_json, bench_read
    )


@measure.command("next")
def _measure_next(
    study: StudyFile,
    design: Annotated[
        str | None, typer.Argument(metavar="ID", help="Of a design; without it the recommended.")
    ] = None,
    workers: Annotated[int, typer.Option(min=1, max=1000, help="Processes that draw builds.")] = 2,
    as_json: AsJson = False,
) -> None:
    """Name what to measure before you choose, and what knowing it is worth."""
    from explorer.commands.measure_next import next_measurement
    from explorer.commands.measured_words import next_named

    give_answer(next_measurement(study, design, workers=workers), as_json, next_named)


@measure.command("compare")
def _measure_compare(
    study: StudyFile,
    log: Annotated[
        Path | None,
        typer.Argument(metavar="LOG.csv", help="A log: time_s and bus_V, bus_A, out_V, ..."),
    ] = None,
    design: Annotated[
        Path | None, typer.Option(metavar="DESIGN.toml", help="The design that was built.")
    ] = None,
    lock: Annotated[str | None, typer.Option(metavar="ID", help="Or a locked one.")] = None,
    readings: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Readings; without it a form is printed.")
    ] = None,
    figure: Annotated[
        Path | None, typer.Option(metavar="FILE.svg", help="Of a log; beside it without this.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Hold a log or readings of a chain that was built against the model: does it stand?"""
    from explorer.commands.compare import compare_readings
    from explorer.commands.measured_words import compared, log_compared

    if log is not None:
        if readings is not None:
            raise typer.BadParameter("give a log or readings, not both", param_hint="--readings")
        from explorer.commands.compare_log import compare_log

        answer = compare_log(study, log, design=design, lock=lock, figure=figure)
        give_answer(answer, as_json, log_compared)
        return
    give_answer(compare_readings(study, readings, design=design, lock=lock), as_json, compared)
