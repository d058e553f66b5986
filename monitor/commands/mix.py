"""``flowdebt mix``: what to pour for a mix of water and methanol, and what that mix is."""

from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

from monitor.commands.parameters import JsonFlag, UnitsOption

if TYPE_CHECKING:
    from monitor.planning.mixing import Liquid
    from simulator.planning.mixing import Meaning

MeaningName = Literal["volume", "mass", "finished"]


def mix(
    wanted: Annotated[str, Parameter(help='Methanol in the mix, such as "50 %".')],
    amount: Annotated[str, Parameter(help='How much of it, such as "5 L", "1 gal" or "4 kg".')],
    *,
    by: Annotated[
        MeaningName,
        Parameter(
            help="What WANTED is of: the volumes before mixing (as rigs mean it), mass, or the "
            "finished volume."
        ),
    ] = "volume",
    strong: Annotated[
        str, Parameter(help="Strength of what is poured for its methanol: 100 % or a premix.")
    ] = "100 %",
    weak: Annotated[
        str, Parameter(help="Strength of what thins it: 0 % is water, more a premix.")
    ] = "0 %",
    labels: Annotated[
        MeaningName | None,
        Parameter(
            help="What a premix's stated strength is of: mass, as safety data sheets mostly have "
            "it, or the finished volume, as labels mostly do."
        ),
    ] = None,
    as_json: JsonFlag = False,
    units: UnitsOption = "metric",
) -> int:
    """Tell what to pour for a mix of water and methanol, and what comes of it.

    Parts by volume and mass, density, how much less the mix is than what was poured, all three
    meanings of its percentage, where it freezes, its flash point and how sure that is, cautions.
    """
    import json
    import sys

    from monitor.commands.parameters import quantity
    from monitor.planning.mixing import mix_sheet
    from monitor.planning.mixing import strength as in_words
    from monitor.planning.sheet import as_facts, in_lines
    from monitor.words.look import Look
    from simulator.planning.mixing import Meaning, mix_of
    from simulator.rig.mix import density_kg_m3
    from simulator.strict import BadInput, Kg, Ml

    goal = _liquid("WANTED", wanted, Meaning(by))
    label = None if labels is None else Meaning(labels)
    rich, thin = _liquid("--strong", strong, label), _liquid("--weak", weak, label)
    given = quantity("AMOUNT", amount, Ml.within(1.0, 200_000.0, "5 L"), Kg.within(1e-3, 200.0))
    if thin.mass_pct >= rich.mass_pct:
        raise BadInput(f"--weak: found {thin.name}, expected weaker than --strong, {rich.name}")
    if not thin.mass_pct <= goal.mass_pct <= rich.mass_pct:
        raise BadInput(
            f"WANTED: found {in_words(goal.percent, goal.meaning)} ({goal.mass_pct:z.1f} % by "
            f"mass), expected {thin.mass_pct:z.1f} to {rich.mass_pct:z.1f} % by mass: between "
            f"what is poured, {thin.name} and {rich.name}"
        )
    kg = float(given)
    if isinstance(given, Ml):
        kg *= 1e-6 * density_kg_m3(goal.mass_pct)
    sheet = mix_sheet(mix_of(goal.mass_pct, rich.mass_pct, thin.mass_pct, kg), goal, rich, thin)
    lines = in_lines(sheet, Look(units=units).figures)
    sys.stdout.write((json.dumps(as_facts(sheet)) if as_json else "\n".join(lines)) + "\n")
    return 0


def _liquid(where: str, text: str, meaning: "Meaning | None") -> "Liquid":
    """Return a liquid of a stated strength; pure ones mean the same by any measure."""
    from monitor.commands.parameters import quantity
    from monitor.planning.mixing import Liquid
    from simulator.planning.mixing import Meaning, to_mass_pct
    from simulator.strict import BadInput, Percent

    percent = float(quantity(where, text, Percent.within(0.0, 100.0, "35 %")))
    if meaning is None and 0.0 < percent < 100.0:
        raise BadInput(
            f"{where}: found {percent:zg} % without --labels, expected mass, finished or volume: "
            "what the premix's strength is of"
        )
    meaning = meaning or Meaning.MASS
    return Liquid(percent, meaning, to_mass_pct(percent, meaning))
