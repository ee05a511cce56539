"""What a study and its tables said when a run ended or a design was locked, and what changed since.

Prices are not here: they have a history of their own (`price_changes`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from explorer.inputs.catalogue import FITTED, TABLE_NAMES, physics_of
from explorer.inputs.csv_tables import content_hash
from explorer.inputs.links import LINKS
from explorer.inputs.sections import BUDGET_LINES
from explorer.inputs.study import Project
from explorer.store.results import Store

CHOICES = "choices."
"""What a setting's name begins with that says which parts of a link may be chosen."""

Inputs = Mapping[str, Mapping[str, Any]]
"""limit, setting, table, person or pack -> name -> value; of the last three, column -> value."""
ROWS = ("table", "person", "pack")


class Change(NamedTuple):
    """A value that is not what it was, as JSON has it; None for what did not or does not exist.

    `what` is limit, setting, table, person or pack. `name` is the study's own: a limit, a setting
    (of the session or the build with its section before it, `choices.LINK` for what may be
    chosen), `TABLE.ID.COLUMN`, `ID.COLUMN` of a person or pack; without a column a whole row.
    """

    what: str
    name: str
    before: Any
    after: Any

    @property
    def words(self) -> str:
        """The change on one line."""
        if self.what in ROWS and self.before is None:
            return f"{self.what} {self.name} is new"
        if self.what in ROWS and self.after is None:
            return f"{self.what} {self.name} is gone"
        return f"{self.what} {self.name}: {_plain(self.before)} -> {_plain(self.after)}"


def _plain(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, list):
        return "[" + ", ".join(map(_plain, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} {_plain(v)}" for key, v in value.items()) + "}"
    return f"{value:g}" if isinstance(value, float) else str(value)


def inputs_of(project: Project) -> dict[str, dict[str, Any]]:
    """Everything beside prices that decides a design's result or the front, as plain values."""
    study, catalogue = project.study, project.catalogue
    settings: dict[str, Any] = {
        name: list(one.listed) or one.model_dump(mode="json", exclude={"listed"}, exclude_none=True)
        for name, one in study.settings.items()
    }
    added_up = {"minutes"} if study.session.shifts else set()
    session = study.session.model_dump(mode="json", exclude={"operators", "packs"} | added_up)
    settings |= {f"session.{name}": value for name, value in session.items()}
    build = study.build.model_dump(mode="json", exclude=set(BUDGET_LINES))
    settings |= {f"build.{key}": value for key, value in build.items()}
    settings["build.mass_kg"] = study.build.mass_kg
    settings |= {f"{CHOICES}{link}": list(study.choices[link]) for link in LINKS}
    table: dict[str, Any] = {}
    for link in LINKS:
        for part in catalogue.parts[link]:
            row = physics_of(part)
            if link == "converter":
                # The measurements stand for the fit, whose last digits differ between machines.
                row = {name: value for name, value in row.items() if name not in FITTED}
                row["bench_points"] = catalogue.row_hashes[link][part.id]
            table[f"{TABLE_NAMES[link]}.{part.id}"] = row
    return {
        "limit": study.limits.model_dump(mode="json"),
        "setting": settings,
        "table": table,
        "person": {name: physics_of(catalogue.operators[name]) for name in study.session.operators},
        "pack": {name: physics_of(catalogue.packs[name]) for name in study.session.packs},
    }


def remember(project: Project, store: Store) -> str:
    """Keep what study and tables say today; returns a name for `since`."""
    inputs = inputs_of(project)
    name = f"inputs:{content_hash(inputs)}"
    store.save_progress(name, inputs)
    return name


def since(project: Project, store: Store, name: str | None) -> tuple[Change, ...]:
    """What changed since `remember` returned this name; nothing for None or one not kept."""
    then = store.search_progress(name) if name else {}
    return tuple(compare(then, inputs_of(project))) if then else ()


def compare(then: Inputs, now: Inputs) -> Iterator[Change]:
    """Every value that differs; a term or column that only one of two releases has is passed over.

    >>> list(compare({"limit": {"cost": 90.0}}, {"limit": {"cost": None, "mass_kg": 5.0}}))
    [Change(what='limit', name='cost', before=90.0, after=None)]
    """
    rows_then, rows_now = then.get("table", {}), now.get("table", {})
    both = {name.rpartition(".")[2] for name in rows_then.keys() & rows_now.keys()}
    for what, values in now.items():
        before = then.get(what, {})
        for name, b in {**values, **dict.fromkeys(before.keys() - values.keys())}.items():
            a = before.get(name)
            if what not in ROWS:
                if name not in before or name not in values:
                    continue
                if name.startswith(CHOICES):
                    # A row that is new or gone is a change of its table.
                    a = [part for part in before[name] if part in both]
                    b = [part for part in values[name] if part in both]
                if a != b:
                    yield Change(what, name, a, b)
            elif a is None or b is None:
                yield Change(what, name, a, b)
            else:
                for column in b:
                    if column in a and a[column] != b[column]:
                        yield Change(what, f"{name}.{column}", a[column], b[column])
