"""The page's words in one place: what each name of the model means to a person.

Objectives, rules and regimes have their words in their own tables (`model/`).
"""

from __future__ import annotations

from explorer.decision.picks import RECOMMENDED
from explorer.model.objectives import OBJECTIVES
from explorer.units import unit_of

LEDGER: dict[str, str] = {
    "crank_work": "work at the crank",
    "gearing": "gearing",
    "drag": "generator drag",
    "copper": "copper of the winding",
    "lead": "generator lead",
    "bridge": "rectifier",
    "reverse_leakage": "rectifier leakage",
    "bridge_supply": "rectifier supply",
    "esr": "bank resistance",
    "cell_leakage": "bank leakage",
    "balancing": "cell balancing",
    "clamp": "overvoltage clamp (it burns off what would overfill the bank)",
    "window": "input window",
    "converter": "converter",
    "pack_lead": "5 V lead",
    "delivered": "into the pack",
    "stored": "left in the bank",
    "kinetic": "left in the turning crank",
}

LINK_GLOSSES: dict[str, str] = {"clamp": "burns off what would overfill the bank"}
"""What a link does, beside the first name of a part of it that a reader meets."""

LEDGER_REMEDIES: dict[str, str] = {
    "gearing": "fewer stages, lined up and oiled, lose less",
    "drag": "clean its bearings, or find one that turns more freely",
    "copper": "more copper, or a lower current at a higher voltage, loses less",
    "lead": "make it shorter or thicker",
    "bridge": "valves with a lower forward drop lose less",
    "reverse_leakage": "valves that leak less lose less",
    "bridge_supply": "a controller that draws less loses less",
    "esr": "cells of lower resistance, or more of them in parallel, lose less",
    "cell_leakage": "replace cells that do not hold their charge",
    "balancing": "larger balancing resistors lose less",
    "clamp": "a load that takes more, or a slower crank, keeps the clamp cold",
    "window": "a switch of lower resistance loses less",
    "converter": "a module that is more efficient at this voltage loses less",
    "pack_lead": "make it shorter or thicker",
}
"""What makes each loss smaller."""

LEDGER_GROUPS: dict[str, tuple[str, ...]] = {
    "into the pack": ("delivered",),
    "gearing and drag": ("gearing", "drag"),
    "winding and its lead": ("copper", "lead"),
    "rectifier": ("bridge", "reverse_leakage", "bridge_supply"),
    "bank and clamp": ("esr", "cell_leakage", "balancing", "clamp"),
    "window and converter": ("window", "converter"),
    "5 V lead": ("pack_lead",),
    "left in bank and crank": ("stored", "kinetic"),
}
"""Terms of the ledger grouped along the chain, for the drawing of several designs."""

READINGS: dict[str, tuple[str, str]] = {
    "handle_force_N": ("mean force at the handle", "N"),
    "start_handle_force_N": ("force at the handle at the start", "N"),
    "crank_power_W": ("power at the crank", "W"),
    "cadence_held_rpm": ("cadence that the hand holds", "rpm"),
    "pack_power_W": ("mean power into the pack", "W"),
    "hold_V": ("voltage at which the bank settles", "V"),
    "peak_V": ("highest voltage of the bank in the session", "V"),
    "idle_V": ("voltage that the hand brings the bank to without load", "V"),
    "cycle_s": ("length of a charging burst with its pause", "s"),
    "on_share": ("share of the time with the load on", ""),
    "at_limit_share": ("share of the time at the hand's limit", ""),
    "winding_C": ("temperature of the winding at the end", "°C"),
}

PICK_WORDS: dict[str, str] = {
    RECOMMENDED: "Recommended",
    **{one.wish: one.wish_words for one in OBJECTIVES},
}
"""The wishes as headings, in the order in which a page shows them."""

LINK_WORDS: dict[str, str] = {
    "crank": "crank",
    "gearing": "gearing",
    "generator": "generator",
    "lead": "generator lead",
    "rectifier": "rectifier",
    "cell": "bank cell",
    "clamp": "overvoltage clamp",
    "window": "input window",
    "converter": "converter",
    "pack_lead": "5 V lead",
}

DECISIVE_LINKS = ("gearing", "generator", "cell")
"""Links that the first line names: those that characterise a chain."""

MODEL_NOTES: tuple[str, ...] = (
    "A better part can deliver less. Where the hand gives more than the pack takes, the bank fills "
    "to its cut-off voltage and the load stays off: such a chain is called flooded. A stiffer "
    "bridge or a faster gear then costs energy, and a thinner one would have been enough.",
    "Energies are those of sessions stepped through time, stroke by stroke.",
    "Parts are taken to be what their tables say. The build sheet of a locked design shows how "
    "much the spread of its parts matters.",
)

SETTING_WORDS: dict[str, tuple[str, str]] = {
    "cells_series": ("cells in series", ""),
    "cells_parallel": ("cells in parallel", ""),
    "cadence_rpm": ("cadence", "rpm"),
    "undervoltage_off_V": ("load off below", "V"),
    "undervoltage_band_V": ("load on again higher by", "V"),
    "overvoltage_off_V": ("load cut above", "V"),
    "delta": ("windings in delta (1 yes, 0 no)", ""),
}

HOT = (
    "Diodes, clamps (which burn off what would overfill the bank) and balancing resistors get hot "
    "enough to burn skin."
)

CAUTIONS: tuple[str, ...] = (
    "A charged capacitor bank welds and burns when shorted: fuse its positive terminal first, and "
    "drain it through a resistor before you touch it.",
    "Use packs with a built-in protection board only. Do not charge lithium cells below freezing, "
    "and do not leave them alone while they charge.",
    "Spinning the crank faster than stated raises the voltage with nothing to hold it once the "
    "load is off: check the bank's voltage with a meter on the first runs.",
    "Set the switch-off voltage with the pack unplugged and measure the converter's output before "
    "anything is connected to it.",
    "Guard gears, belts and chain; a crank can kick back. Wear eye protection on first runs.",
    HOT,
    "Keep every wire within 60 V DC when dry and 30 V DC when wet. Follow local codes, and ask a "
    "licensed electrician where you are unsure.",
    "Salvaged parts differ from their class: measure yours before you trust these numbers.",
)


def cautions_for(*, clamp: bool, balancing: bool) -> tuple[str, ...]:
    """The cautions for one chain; they name no part that it lacks."""
    parts = ["Diodes", *["clamps"] * clamp, *["balancing resistors"] * balancing]
    listed = " and ".join(filter(None, [", ".join(parts[:-1]), parts[-1]]))
    own = f"{listed} get hot enough to burn skin."
    return tuple(own if words == HOT else words for words in CAUTIONS)


REGIMES_MEAN: dict[str, str] = {
    "steady": "the load stays on",
    "cycling": "charges and gives in turns",
    "flooded": "fills up and cuts its load",
    "chattering": "its load opens the window at once",
    "starved": "never reaches the load",
}


def regime_words(regime: str) -> str:
    """How a chain runs, and what that means.

    >>> regime_words("steady")
    'steady (the load stays on)'
    """
    return f"{regime} ({REGIMES_MEAN[regime]})" if regime in REGIMES_MEAN else regime


def owned_words(kits: int) -> str:
    """Head of a bill's column of pieces at hand, which are those for all kits.

    >>> owned_words(1), owned_words(3)
    ('Yours', 'Yours, for 3 kits')
    """
    return "Yours" if kits == 1 else f"Yours, for {kits} kits"


def link_words(link: str) -> str:
    """A link as a page calls it; one without an entry is called by its name."""
    return LINK_WORDS.get(link, link.replace("_", " "))


def setting_words(name: str) -> tuple[str, str]:
    """Label and unit of a setting; one without an entry is called by its name."""
    return SETTING_WORDS.get(name, (name, unit_of(name)))


def reading_words(name: str) -> tuple[str, str]:
    """Label and unit of a reading; one without an entry is called by its name."""
    return READINGS.get(name, (name, unit_of(name)))


def ledger_words(name: str) -> str:
    """A term of the ledger; one without an entry is called by its name."""
    return LEDGER.get(name, name.replace("_", " "))
