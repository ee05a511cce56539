"""What a store cannot know since its study has changed, and the command that finds it out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from explorer.decision import changes
from explorer.decision.changes import CHOICES, Change
from explorer.inputs.records import SETTINGS
from explorer.inputs.sections import Setting
from explorer.inputs.study import Project
from explorer.store.results import Store

MOST_LAUNCHES = 20
"""Launches that are looked back at for one of which nothing is unknown."""
NEVER_TRIED = "combinations with {} were never tried"
VOID = "no result from before holds for it"
ONLY_ALLOWED_NOW = "designs that only today's limit allows were not kept"


class NotKnown(NamedTuple):
    """A change since the launch, what the store therefore lacks, and what finds it out."""

    change: Change
    why: str
    command: str

    @property
    def plain(self) -> dict[str, Any]:
        """The same as plain values."""
        return {**self.change._asdict(), "why": self.why, "command": self.command}


def not_known(project: Project, store: Store) -> tuple[NotKnown, ...]:
    """What the store lacks for what was changed since the last launch; nothing where an earlier
    launch has looked at what the study says today.
    """
    newest: tuple[NotKnown, ...] | None = None
    for count, run in enumerate(store.newest("launch")):
        if count == MOST_LAUNCHES:
            break
        if not run.result or not run.result.get("inputs"):
            continue
        found = unknown_after(project, changes.since(project, store, run.result["inputs"]))
        if not found:
            return ()
        newest = found if newest is None else newest
    return newest or ()


def unknown_after(project: Project, changed: Iterable[Change]) -> tuple[NotKnown, ...]:
    """Of some changes since a launch those for which its store lacks something."""
    command = f"genchain launch {project.path}"
    reasons = ((change, _why(project, change)) for change in changed)
    return tuple(NotKnown(change, why, command) for change, why in reasons if why)


def _why(project: Project, change: Change) -> str:
    """What the store lacks since a change; "" where it lacks nothing."""
    match change.what:
        case "limit":
            return _of_limit(project, change)
        case "setting":
            return _of_setting(project, change)
        case "table":
            return _of_row(project, change)
        case _:  # person, pack
            return VOID


def _of_limit(project: Project, change: Change) -> str:
    if change.name == "cost":
        return ""  # a search keeps designs at any cost
    floor = change.name == "delivered_energy_J"
    before, after = change.before, change.after
    looser = before is not None and (after is None or (after < before if floor else after > before))
    if looser:
        return ONLY_ALLOWED_NOW
    if change.name == "first_charge_s" and not project.study.by_promise:
        return (
            "of designs of the same parts those with less energy or more effort were not kept, "
            "though they may charge sooner"
        )
    return ""


def _of_setting(project: Project, change: Change) -> str:
    before, after = change.before, change.after
    if change.name.startswith(CHOICES):
        new = [part for part in after if part not in before]
        return NEVER_TRIED.format(", ".join(new)) if new else ""
    if change.name in SETTINGS:
        return _of_values(project, before, after)
    if change.name == "build.mass_kg":
        lighter = project.study.limits.mass_kg is not None and after < before
        return ONLY_ALLOWED_NOW if lighter else ""
    scenario = change.name.startswith("session.") or change.name == "build.resistor_tolerance"
    return VOID if scenario else ""


def _of_values(project: Project, before: Any, after: Any) -> str:
    then, now = Setting.model_validate(before), Setting.model_validate(after)
    if _outside(now.values, then) or (now.continuous and not then.continuous):
        return NEVER_TRIED.format("the new values")
    if now.continuous and (now.low < then.low or now.high > then.high):
        return NEVER_TRIED.format("the new values")
    if project.study.by_promise or not _outside(then.values, now):
        return ""
    return "designs of the same parts that only a value of then beat were not kept"


def _outside(values: Sequence[float], setting: Setting) -> bool:
    """Whether a setting does not offer all of some values."""
    if setting.continuous:
        return any(not setting.low <= value <= setting.high for value in values)
    return bool(set(values) - set(setting.values))


def _of_row(project: Project, change: Change) -> str:
    row = change.name.split(".")[1]
    if change.after is None and change.before is not None and change.name.count(".") == 1:
        return ""  # what had the part has gone with it
    if not any(row in ids for ids in project.study.choices.values()):
        return ""
    return NEVER_TRIED.format(row) if change.before is None else f"no result with {row} holds"
