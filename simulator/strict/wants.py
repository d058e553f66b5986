"""What a type wants at a key, in words and by msgspec's own description of the type."""

from typing import cast

from msgspec import inspect as shape

from simulator.strict.lines import Step
from simulator.strict.quantities import Decoded
from simulator.strict.text import show


def _options(node: shape.Type) -> tuple[shape.Type, ...]:
    types = node.types if isinstance(node, shape.UnionType) else (node,)
    return tuple(option for option in types if not isinstance(option, shape.NoneType))


def step_into(node: shape.Type, step: Step, raw: object) -> shape.Type | None:
    """Return the type one step down the path, choosing a tagged table by its tag."""
    options = _options(node)
    tables = [option for option in options if isinstance(option, shape.StructType)]
    if tables and tables[0].tag_field is not None:
        if step == tables[0].tag_field:
            return shape.LiteralType(tuple(cast("str", table.tag) for table in tables))
        tag = raw.get(tables[0].tag_field) if isinstance(raw, dict) else None
        tables = [table for table in tables if table.tag == tag]
    for table in tables:
        for field in table.fields:
            if field.encode_name == step:
                return field.type
    for option in options:
        match option:
            case shape.DictType():
                return option.value_type
            case shape.TupleType() if isinstance(step, int) and step < len(option.item_types):
                return option.item_types[step]
            case shape.VarTupleType() | shape.ListType():
                return option.item_type
            case _:
                pass
    return None


def known_keys(node: shape.Type | None, raw: object) -> list[str]:
    """Return the keys a table may have."""
    keys: list[str] = []
    for option in _options(node) if node is not None else ():
        if isinstance(option, shape.StructType):
            tag = raw.get(option.tag_field) if option.tag_field and isinstance(raw, dict) else None
            if option.tag_field is None or option.tag == tag:
                keys += [field.encode_name for field in option.fields]
                keys += [option.tag_field] if option.tag_field else []
    return keys


def _range(node: shape.IntType | shape.FloatType) -> str:
    words = {"from": node.ge, "above": node.gt, "to": node.le, "below": node.lt}
    return "".join(f" {word} {bound:zg}" for word, bound in words.items() if bound is not None)


def _length(low: int | None, high: int | None) -> str:
    if low and high:
        return f" of {low} to {high}"
    return f" of at least {low}" if low else f" of at most {high}" if high else ""


def wants_text(node: shape.Type | None) -> bool:
    """Whether a key wants text, be it a quantity with its unit."""
    option = _options(node)[0] if node is not None else None
    return isinstance(option, shape.StrType) or (
        isinstance(option, shape.CustomType) and issubclass(option.cls, Decoded)
    )


def describe(node: shape.Type | None) -> str:
    """Say in words what a key wants."""
    match _options(node)[0] if node is not None else None:
        case shape.CustomType(cls=cls) if issubclass(cls, Decoded):
            return cls.wanted()
        case shape.IntType() as whole:
            return "a whole number" + _range(whole)
        case shape.FloatType() as number:
            return "a number" + _range(number)
        case shape.BoolType():
            return "true or false"
        case shape.StrType():
            return "text"
        case shape.LiteralType(values=values):
            return " or ".join(show(value) for value in values)
        case shape.StructType() | shape.DictType():
            return "a table"
        case shape.TupleType(item_types=items):
            return f"a list of {len(items)}"
        case shape.VarTupleType() | shape.ListType() as many:
            inner = describe(many.item_type)
            return f"a list{_length(many.min_length, many.max_length)}, each {inner}"
        case _:
            return "another kind of value"
