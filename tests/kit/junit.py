"""What may stand in a JUnit file, by the schema junit-10 of Jenkins' xUnit plugin, from memory."""

from typing import Final
from xml.etree.ElementTree import Element

# By element: attributes it has to have, others it may have, and its children, in their order.
_SCHEMA: Final = {
    "testsuites": ((), ("tests", "failures", "errors"), ("testsuite",)),
    "testsuite": (
        ("name", "tests", "failures", "errors"),
        ("skipped",),
        ("properties", "testcase", "system-out"),
    ),
    "properties": ((), (), ("property",)),
    "property": (("name", "value"), (), ()),
    "testcase": (("name", "classname"), (), ("skipped", "failure", "system-out")),
    "skipped": ((), ("type", "message"), ()),
    "failure": ((), ("type", "message"), ()),
    "system-out": ((), (), ()),
}


def check_junit(element: Element) -> None:
    """Hold an element, and all in it, to the schema."""
    needs, may, children = _SCHEMA[element.tag]
    assert set(needs) <= set(element.attrib) <= {*needs, *may}, element.tag
    order = [children.index(child.tag) for child in element]
    assert order == sorted(order), element.tag
    for child in element:
        check_junit(child)
