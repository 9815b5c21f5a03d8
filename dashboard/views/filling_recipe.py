"""How to make a mix in the unit asked for: top-up, banked mix, oxygen and helium, and what the banks hold then."""

import numpy as np
import pandas as pd
import streamlit as st

from dashboard import parts
from dashboard import recipe as recipes
from dashboard.data import Snapshot
from dashboard.recipe import Gas, Recipe, Wish
from dashboard.unit_field import number_field
from dashboard.views.filling_advice import last_or
from schemas import fields as f
from schemas import holds, words
from schemas.advice import air_failed, oxygen_limit_pct, sources_to_choose
from schemas.clearance import FillClearance
from schemas.codes import sentence, worst_codes_first
from schemas.reading_units import text
from shared.filling.blending import Bank, CannotBlend
from shared.filling.from_banks import Drawn
from shared.filling.limits import filling_rules, refusals
from shared.gas.constants import AIR_O2_PCT
from shared.gas.mix import AIR, Mix, OutOfRange
from shared.gas.mixing import share_for_per_cent

NO_RECIPE = "No recipe is given"
OXYGEN = (
    "Oxygen only into a cylinder, valve and whip that are clean for it, opened slowly, no grease near it, by somebody "
    "trained for it. Stay at the valve."
)
DRAINED = (
    "Shut the valve at once, so that no damp air gets in. What stays at 0 bar, about 1 bar of the old gas, is taken "
    "as air: analyse what comes of it. Gas called back for oil, water or odour wants the cylinder inspected first."
)
SETTLED = "Pressures are settled ones, all at the temperature above: fill slowly and let it cool before each reading."
ANALYSE_FIRST = "Analyse it before use."
ANALYSE = "Arithmetic is no analysis: analyse before it is handed over."


def show(snapshot: Snapshot, clearance: FillClearance | None, fills: pd.DataFrame) -> None:
    parts.show(
        parts.heading(
            "Recipe", 2, "What to add, in which order, and what each bank then reads. Real gas, settled pressures."
        )
    )
    if clearance is None:
        parts.show(parts.plain("Name the cylinder or set above first."))
        return
    if not clearance.may_be_filled:
        parts.show(parts.plain(f"{NO_RECIPE}: it may not be filled, for what stands above."))
        return
    drained = bool(clearance.held) and _drained(clearance)
    if clearance.held and not drained:
        return
    unit = clearance.unit
    lacking = [n for n, c in {"permitted pressure": "permitted_bar", "size": "water_capacity_l"}.items()
               if not words.known(unit[c])]  # fmt: skip
    if lacking:
        parts.show(parts.bar(NO_RECIPE, 3, f"Not in the register: {', '.join(lacking)}. Read the stamps and add it."))
        return
    known = recipes.gases(snapshot.table("gas_sources"))
    wish = _wish(clearance, known, fills, drained=drained)
    if wish is None:
        return
    _answer(snapshot, clearance, wish, known)


def _drained(clearance: FillClearance) -> bool:
    """Of a unit whose gas is held: why there is no recipe upon it, and whether it has been drained meanwhile."""
    held = clearance.held[0]
    worst = worst_codes_first(words.listed(held["reasons"]))[:1]
    why = sentence(worst[0], dict(held)) if worst else "No reason is published."
    drained = st.toggle("It has been drained: the valve is open and nothing comes", key=f"drained_{held['fill_id']}")
    if drained:
        parts.show(
            parts.bar(
                "Its last gas is held; this recipe is for the empty cylinder",
                3,
                f"It was held for: {why} {DRAINED}",
            )
        )
    else:
        parts.show(
            parts.bar(
                f"{NO_RECIPE}: what is inside is held",
                3,
                f"{why} Analyse it and log that, or release it, and the recipe starts from what is known. Or drain "
                "it slowly, in the open air, and say so above. Gas that is called back is drained, never filled upon.",
            )
        )
    return drained


def _wish(clearance: FillClearance, known: list[Gas], fills: pd.DataFrame, *, drained: bool) -> Wish | None:
    """What is typed, begun with what the last fill left and what it was last filled with."""
    unit, last, key = clearance.unit, clearance.last_fill, clearance.unit_id
    register = pd.DataFrame({"source_id": [gas.source_id for gas in known]})
    tops = recipes.to_top_with(known, sources_to_choose(register, fills)) or [Gas("air", False, Mix(AIR_O2_PCT))]
    whole = [gas for gas in tops if gas.mix.he_pct == 0] or tops
    begun = {
        column: None if last is None or not words.known(last[column]) else float(last[column])
        for column in ("o2_pct", "he_pct")
    }
    have_bar: float | None
    have_o2: float | None
    have_he: float | None
    with st.container(horizontal=True, key="recipe_fields"):
        if drained:
            have_bar, have_o2, have_he = 0.0, AIR_O2_PCT, 0.0
        else:
            have_bar = number_field("Reads now, bar", f.START_PRESSURE_BAR, None, f"start_{key}", placeholder="type it")
            have_o2 = number_field("O₂ inside, %", f.O2_PCT, begun["o2_pct"], f"have_o2_{key}", digits=1,
                                   placeholder="not known")  # fmt: skip
            have_he = number_field("He inside, %", f.HE_PCT, begun["he_pct"], f"have_he_{key}", digits=1,
                                   placeholder="not known")  # fmt: skip
        to_bar = number_field(
            "Wanted once cold, bar", f.TARGET_PRESSURE_BAR, float(unit["permitted_bar"]), f"target_{key}"
        )
        o2 = number_field("O₂ wanted, %", f.O2_PCT, last_or(last, "o2_pct", 20.9), f"o2_{key}", digits=1)
        he = number_field("He wanted, %", f.HE_PCT, last_or(last, "he_pct", 0.0), f"he_{key}", digits=1)
        names = {gas.source_id: f"{gas.source_id}, {words.mix(gas.mix.o2_pct, gas.mix.he_pct)}" for gas in whole}
        top = st.selectbox("Top up from", list(names), format_func=parts.label(names), key=f"top_{key}", width=200)
        gas_c = number_field("All at, °C", f.AMBIENT_C, 15.0, f"mixing_c_{key}")
    if have_bar is None:
        parts.show(parts.plain("Type what it reads now: there is no recipe from a cylinder nobody has read."))
        return None
    if have_o2 is None or have_he is None:
        parts.show(
            parts.bar(
                "What is inside is not known",
                3,
                "Analyse it and type oxygen and helium; nobody logged a fill of it that says so.",
            )
        )
        return None
    if to_bar is None or o2 is None or he is None or gas_c is None:
        parts.show(parts.plain("A figure is missing: pressure, oxygen, helium and temperature."))
        return None
    for name, value in (("oxygen", have_o2), ("helium", have_he), ("oxygen", o2), ("helium", he)):
        if share_for_per_cent(value):
            parts.show(parts.bar(f"{value:g} % {name}: a share? Did you mean {100 * value:g} %?", 3, "Type per cent."))
            return None
    if have_o2 + have_he <= 100 and not Mix(have_o2, have_he).breathable:
        parts.show(parts.bar(f"{NO_RECIPE}: suit gas is inside", 4, "Nothing that is breathed is mixed upon it."))
        return None
    if have_o2 + have_he > 100 or o2 + he > 100:
        parts.show(parts.bar("Oxygen and helium make more than 100 %", 3))
        return None
    chosen = next(gas for gas in whole if gas.source_id == top)
    have = AIR if drained else Mix(have_o2, have_he)
    return Wish(have_bar, have, to_bar, Mix(_air(o2, he), he), gas_c, chosen, drained)


def _air(o2_pct: float, he_pct: float) -> float:
    return AIR_O2_PCT if he_pct == 0 and abs(o2_pct - AIR_O2_PCT) < 0.1 else o2_pct


def _answer(snapshot: Snapshot, clearance: FillClearance, wish: Wish, known: list[Gas]) -> None:
    rules = filling_rules(snapshot.station.get("rule_set") or "uk")
    capacity, permitted = float(clearance.unit["water_capacity_l"]), float(clearance.unit["permitted_bar"])
    try:
        made = recipes.recipe(wish, capacity, permitted, rules.reference_c)
    except recipes.Overfull as over:
        parts.show(
            parts.bar(
                f"{NO_RECIPE}: it is too full already",
                4,
                f"What is inside settles at {words.number(over.settles_bar, 0, 'bar')} at "
                f"{words.number(over.reference_c, 0, '°C')}, permitted {words.number(permitted, 0, 'bar')}. Add "
                "nothing. Bleed it slowly, let it come to the room's temperature, read it again.",
            )
        )
        return
    except CannotBlend as why:
        found = _refused(snapshot, clearance, wish, None)
        said = words.capital(text(str(why)).replace("and air", f"and what {wish.top.source_id} gives")) + "."
        parts.show(parts.bar(NO_RECIPE, 3, parts.lines(*found, said, "Try another to top up from.")))
        _alone(snapshot, clearance, wish, known)
        return
    except (OutOfRange, ValueError) as why:
        parts.show(parts.bar(NO_RECIPE, 3, words.capital(text(str(why))) + "."))
        return
    found = _refused(snapshot, clearance, wish, made)
    if made.blended and _needs_clean(snapshot, wish, made):
        found += _not_compatible(wish, made, known)
    if found:
        parts.show(parts.bar(f"{NO_RECIPE}: do not fill it with this", 4, parts.lines(*found)))
        _alone(snapshot, clearance, wish, known)
        return
    banks = _banks(wish, made, known)
    made = recipes.recipe(wish, capacity, permitted, rules.reference_c, banks)
    _steps(wish, made, permitted)
    _alone(snapshot, clearance, wish, known)
    if made.blended:  # so that the log begins with it
        st.session_state[f"method_{clearance.unit_id}_{wish.top.source_id}"] = "partial_pressure"


def _refused(snapshot: Snapshot, clearance: FillClearance, wish: Wish, made: Recipe | None) -> list[str]:
    """Why this unit may not be filled so, worst first."""
    needed = _needs_clean(snapshot, wish, made)
    codes = refusals(
        list(clearance.cylinders["inspection_state"]),
        withdrawn=bool((clearance.cylinders["status"] == "withdrawn").any()),
        open_findings=bool(clearance.open_findings),
        arrival_bar=None if wish.drained else wish.have_bar,  # empty, and it is known why
        least_arrival_bar=float(snapshot.policy("filling", "least_arrival_bar")),
        oxygen_service_needed=needed,
        oxygen_clean=bool(clearance.oxygen_clean),
        air_state="failed" if air_failed(snapshot.table("gas_sources"), wish.top.source_id) else "",
    )
    found = [words.with_fix(code) for code in codes]
    if needed and clearance.oxygen_clean is None:
        found.append("Whether it is clean for oxygen is not on record: unknown counts as not clean.")
    return found


def _needs_clean(snapshot: Snapshot, wish: Wish, made: Recipe | None) -> bool:
    rules = filling_rules(snapshot.station.get("rule_set") or "uk")
    limit = oxygen_limit_pct(rules, snapshot.policy("filling", "oxygen_limit_pct"))
    return recipes.needs_oxygen_clean(wish, made, limit)


def _not_compatible(wish: Wish, made: Recipe, known: list[Gas]) -> list[str]:
    """Of a recipe for oxygen service: which of its sources nobody marked as fit. All of them meet in one cylinder."""
    found = []
    for step in made.made.steps:
        listed = [wish.top] if step.gas == "air" else recipes.of_step(step.gas, wish.top, known)
        if listed and not any(gas.oxygen_compatible is True for gas in listed):
            named = " or ".join(gas.source_id for gas in listed)
            more = " Choose another to top up from." if step.gas == "air" else " Have it cleaned, and mark it."
            found.append(f"{named} is not marked as oxygen-compatible: its gas is not to go where oxygen goes.{more}")
    return found


def _banks(wish: Wish, made: Recipe, known: list[Gas]) -> dict[str, list[Bank]]:
    """The banks that the steps draw on, where their size is known, with what they read as typed."""
    oxygen = any(step.gas == "oxygen" for step in made.made.steps)
    found: dict[str, list[Bank]] = {}
    with st.container(horizontal=True, key="recipe_banks"):
        for step in made.made.steps:
            for gas in recipes.of_step(step.gas, wish.top, known):
                if not gas.is_bank or np.isnan(gas.capacity_l) or (oxygen and gas.oxygen_compatible is not True):
                    continue
                reads = number_field(f"{gas.source_id} reads, bar", f.STOP_PRESSURE_BAR, None,
                                     f"bank_{gas.source_id}", placeholder="if known")  # fmt: skip
                if reads is not None:
                    found.setdefault(step.gas, []).append(Bank(gas.source_id, gas.capacity_l, reads))
    return found


def _named(gas: str, wish: Wish, drawn: tuple[Drawn, ...]) -> str:
    """'oxygen from B1, then B2': the banks in the order in which they are opened, where their gauges are known."""
    from_banks = ", then ".join(one.bank.name for one in drawn)
    if gas != "air":
        return f"{gas} from {from_banks}" if from_banks else gas
    return f"{words.mix(wish.top.mix.o2_pct, 0.0)} from {from_banks or wish.top.source_id}"


def _steps(wish: Wish, made: Recipe, permitted: float) -> None:
    steps, final = made.made.steps, made.made.final
    gives = words.analysis(final.o2_pct, final.he_pct)
    first = [] if made.made.drain_to_bar is None else [f"drain to {words.number(made.made.drain_to_bar, 1, 'bar')}"]
    names = [_named(step.gas, wish, drawn) for step, drawn in zip(steps, made.drawn, strict=True)]
    said = [*first, *(f"{name} to {words.number(s.to_bar, 1, 'bar')}" for s, name in zip(steps, names, strict=True))]
    capped = (
        f"Held at {words.number(made.aim_bar, 0, 'bar')}: more would be above the permitted "
        f"{words.number(permitted, 0, 'bar')}."
        if made.capped
        else ""
    )
    if not steps and not first:
        parts.show(parts.bar("Nothing to add", 2, f"It holds {gives}."))
        return
    parts.show(parts.bar(words.capital(", then ".join(said)), 2, parts.lines(f"Gives {gives}.", capped)))
    if any(step.gas == "oxygen" for step in steps) or made.made.final.o2_pct > AIR_O2_PCT + 1:
        parts.show(parts.caution(OXYGEN))
    ideal = {step.gas: step.to_bar for step in made.made.ideal_steps}
    rows = [
        (
            words.capital(name),
            words.number(step.to_bar, 1, "bar"),
            _bank_then(drawn) if step.gas != "air" or wish.top.is_bank else "",
            words.number(ideal.get(step.gas, np.nan), 1, "bar"),
        )
        for step, name, drawn in zip(steps, names, made.drawn, strict=True)
    ]
    head = ["Add, in this order", "Until it reads", "The bank then reads", "As ideal gas"]
    parts.show(parts.table(head, rows, figures=(1, 3), says="Steps", kept=True))
    for drawn in (opened[-1] for opened in made.drawn if opened and not opened[-1].is_enough):
        parts.show(parts.bar(f"{drawn.bank.name} is too low for its step", 3, _too_low(drawn)))
    untested = (
        []
        if wish.top.air_state == "passed"
        else [f"Air of {wish.top.source_id}: {holds.words.air(wish.top.air_state)}."]
    )
    parts.show(parts.caution(" ".join([SETTLED, ANALYSE, *untested])))


def _bank_then(opened: tuple[Drawn, ...]) -> str:
    """'B1 level with it at 90 bar, then B2 140 bar'."""
    said = [
        f"{drawn.bank.name} {words.number(drawn.bank_bar, 0, 'bar')}"
        if drawn.is_enough
        else f"{drawn.bank.name} level with it at {words.number(drawn.alone_to_bar, 0, 'bar')}"
        for drawn in opened
    ]
    return ", then ".join(said) or "not typed"


def _too_low(drawn: Drawn) -> str:
    return (
        f"At {words.number(drawn.alone_to_bar, 0, 'bar')} both are level; the step ends at "
        f"{words.number(drawn.step.to_bar, 1, 'bar')}. Take a fuller bank or a booster: stopping there makes another "
        "mix."
    )


def _alone(snapshot: Snapshot, clearance: FillClearance, wish: Wish, known: list[Gas]) -> None:
    """What it holds if it is topped up with one gas alone, for each that the station has, and what forbids that."""
    rules = filling_rules(snapshot.station.get("rule_set") or "uk")
    rows = []
    for gas in recipes.to_top_with(known):
        try:
            got = recipes.topped(wish, gas, float(clearance.unit["permitted_bar"]), rules.reference_c)
        except (OutOfRange, ValueError):
            got = None
        if got is None:
            continue
        mix, to_bar = got
        so = Wish(wish.have_bar, wish.have, to_bar, mix, wish.gas_c, gas, wish.drained)
        against = _refused(snapshot, clearance, so, None)
        to_know = ["" if gas.air_state == "passed" else f"Air: {words.air(gas.air_state)}.", ANALYSE_FIRST]
        if clearance.oxygen_clean and gas.oxygen_compatible is not True:
            to_know.append("Not marked as oxygen-compatible: after it the unit counts as not clean for oxygen.")
        rows.append(
            (
                parts.lines(gas.source_id, words.mix(gas.mix.o2_pct, gas.mix.he_pct)),
                parts.lines(
                    parts.tag("Do not", 4) if against else words.analysis(mix.o2_pct, mix.he_pct),
                    f"at {words.number(to_bar, 0, 'bar')}" if not against else "",
                ),
                parts.lines(*(against or to_know)),
            )
        )
    if rows:
        parts.show(
            parts.heading("Topped up with one gas alone it would hold", 3),
            parts.table(["From", "It then holds", "To know"], rows, says="One gas alone", kept=True),
        )
