"""The words that the command line prints for people, made from a command's answer."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from explorer.commands.case_words import case_words, of_several, one_case, what_is_combined
from explorer.commands.change_words import (
    Answer,
    Lines,
    causes,
    changed,
    changed_since,
    moved_since,
)

if TYPE_CHECKING:
    from explorer.model.objectives import Objective


def checked(answer: Answer) -> Lines:
    """What check says."""
    return [
        f"{answer['study']}: {answer['combinations']:,} combinations, no fault found",
        f"would search: {answer['plan']}",
        *(f"{column} is {meaning}" for column, meaning in answer.get("columns", {}).items()),
        *answer["notes"],
    ]


def store_checked(answer: Answer) -> Lines:
    """What check --store says."""
    if answer["verified"]:
        found = f"{answer['verified']:,} records verified, every checksum holds"
    else:
        found = (
            f"{answer['records']:,} records read; it is from before there were checksums, the next "
            "launch writes them"
        )
    lines = []
    if packed := answer["packed"]:
        lines.append(
            f"packed: {packed['blocks_before']:,} blocks, {packed['bytes_before']:,} B, became "
            f"{packed['blocks_after']:,}, {packed['bytes_after']:,} B"
        )
    return [
        *lines,
        f"{answer['store']}: {found}",
        f"{answer['blocks']:,} blocks of designs, {answer['runs']:,} runs, {answer['fronts']:,} "
        f"fronts, {answer['price_lists']:,} price lists",
        *answer["reuse"],
    ]


def launched(answer: Answer) -> Lines:
    """What launch says."""
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
        *moved_since(answer),
        f"searched: {search['why']}",
        f"{found}; {exact}; {answer['seconds']:.1f} s",
        *_stepped(answer),
        *_unsettled(answer),
        *_picks(answer, answer["first_screen"]),
        *answer["notes"],
        *answer["first_screen"],
        *_report(answer),
    ]


def _stepped(answer: Answer) -> Lines:
    """How many designs were stepped, and what the search's filter missed of those looked at."""
    looked = answer["audit"]
    words = f"{answer['designs_stepped']:,} designs stepped through time"
    if looked["stepped"]:
        words += (
            f"; of {looked['stepped']:,} others that the search had left out {looked['missed']:,} "
            "belonged to the front"
        )
    return [words]


def _unsettled(answer: Answer) -> Lines:
    """How many designs may belong to the front that there was no time for."""
    count = len(answer["unsettled"])
    if not count:
        return []
    return [f"{count:,} more designs may belong to the front: launch again to settle them"]


def _report(answer: Answer) -> Lines:
    """Where the page is; nothing where none was asked for."""
    return [f"report: {answer['report']}"] if answer["report"] else []


def reviewed(answer: Answer) -> Lines:
    """What review says."""
    lines: Lines = []
    for one in answer.get("studies", [answer]):
        if "studies" in answer:
            lines.append(f"{one['study']} {one['date'] or 'today'}: {one['front_size']:,} designs")
        lines += [*one["reuse"], *changed_since({"changed": (), **one}), *_picks(one)]
    return [*lines, *_report(answer)]


def _picks(answer: Answer, screen: Sequence[str] = ()) -> Lines:
    """A line for each picked design, whatever wishes it answers; of the one that the words of the
    first `screen` are about, where these follow, only what they do not say.
    """
    by_id = {record["design_id"]: record for record in answer["front"]}
    wishes: dict[str, list[str]] = {}
    for wish, name in answer["picks"].items():
        if name is not None:
            wishes.setdefault(name, []).append(wish.replace("_", " "))
    shares = answer.get("vote_shares", {})
    described = answer["picks"].get("recommended") if screen else None
    over = _combined([by_id[name] for name in wishes])
    lines = [f"of each design: {over}"] if over else []
    for name, answered in wishes.items():
        record = by_id[name]
        words = _left_out(record) if name == described else _in_full(record)
        lines.append(f"{', '.join(answered)}: {words}{_best_for(shares.get(name))}")
    why_none = answer.get("why_none")
    return [*([why_none] if why_none and why_none not in screen else []), *lines]


def _in_full(record: Answer) -> str:
    """All that is said of a picked design; what its numbers combine is said before."""
    values = ", ".join(_objectives(record))
    return f"{_named(record)}  {values}, {_regime(record)}{_in_builds(record)}"


def _left_out(record: Answer) -> str:
    """What the words of the first screen do not say of the design that they are about."""
    from explorer.model.objectives import COST, EFFORT, ENERGY, OBJECTIVES

    values = [
        f"{_of_objective(record, one)} by the tables' values"
        if one.key == ENERGY
        else _of_objective(record, one)
        for one in OBJECTIVES
        if one.key not in (COST, EFFORT)
    ]
    kept = record["keeps_rules_share"]
    builds = "" if kept is None else f"; {kept:.0%} of builds keep the rules that are no hazards"
    return f"{_named(record)}, as below  {', '.join(values)}, {_regime(record)}{builds}"


def _regime(record: Answer) -> str:
    """How a design runs, and in which of several cases."""
    shown = f" ({case_words(record['ledger_case'])})" if of_several(record) else ""
    return f"{record['regime']}{shown}"


def _combined(records: Sequence[Answer]) -> str:
    """What energy and effort of all picks combine; empty for one case."""
    return next((what_is_combined(one) for one in records if of_several(one)), "")


def _best_for(share: float | None) -> str:
    """For how many ways to weigh the goals a design is the best; empty where for none."""
    from explorer.report.format import share_of_votes

    if share is None:
        return ""
    return f"; best for {share_of_votes(share)} of all ways to weigh the goals"


def _in_builds(record: Answer) -> str:
    """How chains built of such parts fare."""
    if record["hazard_chance"] is None or record["keeps_rules_share"] is None:
        return ""
    return (
        f"; {record['at_least']:.0%} of builds give {_promised(record)}, "
        f"{record['hazard_chance']:.1%} break a hazard rule, "
        f"{record['keeps_rules_share']:.0%} keep the others"
    )


def _promised(record: Answer) -> str:
    promised = record["promised_energy_J"]
    if promised is None:
        return "what is not known yet"
    low, high = record["promised_energy_J_low"], record["promised_energy_J_high"]
    return f"{promised:.0f} J ({low:.0f} to {high:.0f} with 95 % confidence) or more"


def _named(record: Answer) -> str:
    from explorer.model.names import name_of

    return name_of(record["design_id"])


def _in_short(record: Answer) -> str:
    values = ", ".join(_objectives(record))
    return f"{_named(record)}  {values}, {record['regime']}{of_several(record)}"


def _objectives(record: Answer) -> Iterator[str]:
    """What a design has of each objective, with its unit."""
    from explorer.model.objectives import OBJECTIVES

    return (_of_objective(record, one) for one in OBJECTIVES)


def _of_objective(record: Answer, one: Objective) -> str:
    """What a design has of an objective, with its unit."""
    from explorer.model.objectives import ENERGY

    value = record[one.key]
    if one.key == ENERGY:
        return f"{value:.0f} J ({value / 3600:.2f} Wh)"
    if one.unit == "%":
        return f"{value:.0f} % {one.label.lower()}"
    return f"{value:.2f} {one.unit or record['currency']}"


def locked(answer: Answer) -> Lines:
    """What lock says."""
    if "released" in answer:
        return [*answer["notes"], f"released {answer['released']} in {answer['file']}"]
    warning = [f"warning: {answer['warning']}"] if answer["warning"] else []
    return [
        f"locked {_in_short(answer['locked'])}",
        *_advised(answer["locked"]),
        *warning,
        *answer["notes"],
        f"written to {answer['file']}",
        *([f"build sheet: {answer['sheet']}"] if answer["sheet"] else []),
        *([f"bill of materials: {answer['bill']}"] if answer["bill"] else []),
        "the study's page shows it after the next review or rerun",
    ]


def _advised(answer: Answer) -> Lines:
    """What to do with a design, and the best changes by how many parts they swap."""
    from explorer.model.names import name_of

    if not answer.get("advice"):
        return []
    best = [
        f"  best {one['label']} ({name_of(one['design_id'])}, {one['cost']:.2f} "
        f"{answer['currency']} in all, {_gives(one)}): {one['text']}"
        for one in answer["options"]
    ]
    return [answer["advice"]["text"], *best]


def _gives(option: Answer) -> str:
    """What a change promises, or else gives."""
    promised = option.get("promised_energy_J")
    if promised is None:
        return f"gives {option['delivered_energy_J']:.0f} J"
    return f"promises {promised:.0f} J"


def moved(answer: Answer) -> Lines:
    """What rerun says."""
    from explorer.model.names import name_of

    lines = [
        *answer["notes"],
        *causes(answer),
        f"{_front_size(answer)}, {len(answer['entered'])} entered, {len(answer['left'])} left; "
        f"{answer['physics_evaluations']} physics evaluations",
        *_unsettled(answer),
    ]
    for verdict in answer["locked"]:
        lines.append(
            f"locked {name_of(verdict['design_id'])}: {_verdict_words(verdict, answer['currency'])}"
        )
        lines += _advised({**verdict, "currency": answer["currency"]})[1:]
    if "search" in answer:
        lines.append(f"searched: {answer['search']['why']}")
    elif answer["price_changes"] or answer["terms_changed"]:
        lines.append("new prices may justify a fresh search: rerun with --search")
    return [*lines, *_report(answer)]


def _front_size(answer: Answer) -> str:
    size = answer["front_size"]
    return f"front: {size:,} design{'s' * (size != 1)}"


def _verdict_words(verdict: Answer, currency: str) -> str:
    words = verdict["status"].replace("_", " ")
    if verdict["beaten_by"] and verdict["status"] != "adjust":
        words += f" by {verdict['beaten_by']}"
    words += f"; {verdict['advice']['text'].rstrip('.')}"
    now, then = verdict["cost"], verdict["cost_when_locked"]
    if now is not None and then is not None:
        words += f"; costs {now:.2f} {currency}, {then:.2f} when it was locked"
    promised = verdict["promise"]["promised_energy_J"]
    if None not in promised.values():
        words += "; promises {today:.0f} J, {when_locked:.0f} J when it was locked".format(
            **promised
        )
    stay, switch = verdict["cost_to_stay"], verdict["cost_to_switch"]
    if verdict["status"] == "adjust":
        switch = None  # the same parts
    if stay is not None and (switch is not None or stay != now):  # owned parts are free
        words += f"; to stay costs {stay:.2f} {currency}"
        words += f", to switch {switch:.2f} {currency}" if switch is not None else ""
    if verdict["tips"]:
        end = verdict["tips"][0]
        words += (
            f"; beaten first by {end['rival'] or 'the limit on cost'}, if {end['part']} "
            f"{'rises' if end['tips_at'] > end['price'] else 'falls'} from {end['price']:.2f} to "
            f"{end['tips_at']:.2f} {currency}"
        )
    since = [f"since the lock: {one}" for one in changed(verdict["changed"])]
    return "; ".join([words, *verdict["reasons"], *since])


def evaluated(answer: Answer) -> Lines:
    """What evaluate says."""
    several, shown = len(answer["cases"]) > 1, answer["ledger_case"]
    ledger = answer.get("session_ledger_J") or answer["ledger_J"]
    work, whose = ledger["crank_work"], case_words(shown)
    over = f"energy and effort are the {what_is_combined(answer)}"
    own = f"regime and ledger are of {whose}, which delivers least"
    if ledger is not answer["ledger_J"]:
        whose, over = f"all shifts into {shown['pack']}", what_is_combined(answer)
        own = f"regime is of {case_words(shown)}, ledger of {whose}, which gets least"
    broken, kept = _rules(answer)
    return [
        _in_short(answer),
        *(["not feasible:", *broken] if broken else []),
        *_fidelity(answer),
        *([f"{over}; {own}"] if several else []),
        *map(one_case, answer["cases"]),
        f"where the work at the crank goes{f', {whose}' if several else ''}:",
        *(
            f"  {name:16s} {value:9.1f} J  {100 * value / work if work else 0:5.1f} %"
            for name, value in ledger.items()
        ),
        *filter(None, [answer.get("beyond_points", "")]),
        *_advised(answer),
        "every rule is kept:" if answer["feasible"] else "kept:",
        *kept,
    ]


def _rules(answer: Answer) -> tuple[Lines, Lines]:
    """The broken rules and those that are kept, each with its margin."""
    from explorer.model.evaluation import UNBOUNDED_MARGIN
    from explorer.model.rules import RULES

    broken: Lines = []
    kept: Lines = []
    for name, value in answer["margins"].items():
        rule = RULES.get(name)
        unit = rule.unit if rule else answer["currency"]
        meaning = rule.description if rule else "The study's limit on cost."
        room = f"{'broken' if value < 0 else 'kept'} by {abs(value):.4g} {unit}"
        if value <= UNBOUNDED_MARGIN:
            room = "broken beyond measure"
        mended = ""
        if UNBOUNDED_MARGIN < value < 0 and rule and rule.loosened_by:
            mended = f"; {rule.loosened_by.format(f'{-value:.3g} {unit}'.strip())} would keep it"
        (broken if value < 0 else kept).append(f"  {room}: {meaning} ({name}){mended}")
    return broken, kept


def _fidelity(answer: Answer) -> Lines:
    """What the switching level says beside the session."""
    lines = []
    if "waveform" in answer:
        window = answer["waveform"]
        lines.append(
            "at switching level no speed was found that the hand could hold"
            if window is None
            else f"at switching level, {window['seconds']:g} s from {window['start_V']:.2f} V: "
            f"{window['bus_energy_J']:.4g} J into the bus, the session says "
            f"{window['difference_percent']:+.2f} % more"
        )
    return lines


def tabled(answer: Answer) -> Lines:
    """What table says."""
    of = "the front, thinned to what a person can tell apart" if answer["thinned"] else "the front"
    return [
        f"{answer['designs']:,} designs of {of}, {len(answer['columns'])} columns",
        f"written to {answer['file']}",
    ]
