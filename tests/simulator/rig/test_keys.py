"""Keys and facts: every field has its key, and a key left out is the fact's own default."""

from dataclasses import fields

import msgspec
import pytest

from rules import facts
from simulator import scenario
from simulator.plant import Scenario
from simulator.rig import keys
from simulator.rig.tables import FactTable, Key, fact_of, table
from simulator.strict import Ml

TABLES = {
    name: value
    for module in (keys, scenario)
    for name, value in vars(module).items()
    if isinstance(value, type) and issubclass(value, FactTable) and value is not FactTable
}
BY_LOADER = {  # what no single key gives
    facts.Rig: {"channels"},
    Scenario: {"rig", "spread"},  # a proof draws that
    facts.Spray: {"methanol_mass_pct", "fluid_kg_m3"},
}

OPTIONAL = [
    name
    for name, made in TABLES.items()
    if not any(field.required for field in msgspec.structs.fields(made))
]


@pytest.mark.parametrize("name", TABLES)
def test_every_field_of_a_fact_has_one_key(name: str) -> None:
    """A fact added to the rules can't be forgotten in the file, nor given twice."""
    made = TABLES[name]
    given = [key.field or key.name for key in made.KEYS if key.field is not None]
    there = {field.name for field in fields(made.FACT)} - BY_LOADER.get(made.FACT, set())
    assert sorted(given) == sorted(there)


def test_every_field_of_a_command_has_a_key_in_some_form() -> None:
    """The forms of ``[command]`` share one fact, and each has a kind of its own."""
    given = {key.field or key.name for form in keys.COMMAND_FORMS for key in form.KEYS}
    assert given | {"kind"} == {field.name for field in fields(facts.Command)}
    tags = [str(form.__struct_config__.tag) for form in keys.COMMAND_FORMS]
    assert tags == [kind.name.lower() for kind in facts.CommandKind]


@pytest.mark.parametrize(
    "name",
    [name for name in TABLES if not any(f.required for f in msgspec.structs.fields(TABLES[name]))],
)
def test_a_table_left_out_is_the_fact_with_its_defaults(name: str) -> None:
    """To the last bit, there and back through percent, litres and milliseconds."""
    assert fact_of(TABLES[name]()) == TABLES[name].FACT()


def test_a_field_that_is_not_there_is_a_mistake_in_the_declaration() -> None:
    """A key of no field fails when the program is loaded, not when a rig is read."""
    with pytest.raises(KeyError, match="warm_ml"):
        table(facts.DebtTerms, Key("warn", Ml, "warm_ml"))
