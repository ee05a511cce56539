"""Explores hand-cranked generator chains, from the crank to a 5 V pack.

The public names are those of `__all__`; they are imported when they are first used, so that
`import explorer` costs nothing.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.2.0"
MODEL_VERSION = "13"
"""Changes whenever the physics gives other numbers, so that stored results are told apart."""

if TYPE_CHECKING:
    from explorer.commands.evaluate import evaluate_designs as evaluate
    from explorer.commands.launch import launch_study as launch
    from explorer.commands.rerun import rerun_study as rerun
    from explorer.commands.table import front_table
    from explorer.errors import InputError
    from explorer.inputs.study import Project, load

__all__ = [
    "InputError",
    "Project",
    "__version__",
    "evaluate",
    "front_table",
    "launch",
    "load",
    "rerun",
]

_HOMES = {
    "InputError": ("explorer.errors", "InputError"),
    "Project": ("explorer.inputs.study", "Project"),
    "evaluate": ("explorer.commands.evaluate", "evaluate_designs"),
    "front_table": ("explorer.commands.table", "front_table"),
    "launch": ("explorer.commands.launch", "launch_study"),
    "load": ("explorer.inputs.study", "load"),
    "rerun": ("explorer.commands.rerun", "rerun_study"),
}
"""Where a public name stands: module, and the name it has there."""


if not TYPE_CHECKING:  # a checker would take any name for a public one

    def __getattr__(name: str) -> Any:
        """A public name, imported on first use."""
        if name not in _HOMES:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        module, own_name = _HOMES[name]
        return getattr(import_module(module), own_name)


def __dir__() -> list[str]:
    """The public names, whether they are imported yet or not."""
    return sorted({*globals(), *__all__})
